"""`tallywheel plan`: the run over some pockets, step by step, as a table, a list or a picture."""

import argparse
import csv
import sys

from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner
from controller.motion.words import TICK_HZ, Move
from controller.settings import Settings
from hostsim.table import table
from hostsim.verbs.common import Verbs, add_config, add_verb, picture_path, read_config, whole

TICKS_PER_US = TICK_HZ // 1_000_000
POCKETS_MAX = 10_000  # a list of some million steps; nobody reads more

DETAILS = """\
The run starts and ends at rest and turns the sprocket forward over K pockets, from dwell
position 0 to dwell position K. --csv writes one row for each motor microstep:
  step         its number, from 1
  time_us      when it is made, in microseconds from the start of the run
  interval_us  the time since the step before it (the first: since the start)
Times are whole ticks of 0.2 us.

example: tallywheel plan configs/m4_nut.toml --pockets 25 --plot run.svg"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "plan", run, "show the run over some pockets", DETAILS)
    add_config(parser)
    parser.add_argument(
        "--pockets",
        metavar="K",
        type=whole("pockets", 1, POCKETS_MAX),
        required=True,
        help=f"pockets to pass, 1 to {POCKETS_MAX}",
    )
    parser.add_argument("--csv", action="store_true", help="write every step to standard output")
    parser.add_argument(
        "--plot",
        metavar="FILE",
        type=picture_path,
        help="draw position (pockets), speed (rev/s) and acceleration (rev/s2) over time (s)",
    )


def run(args: argparse.Namespace) -> int:
    """Plan the run and show it in the ways that were asked for."""
    settings = read_config(args.config).settings
    move = plan(settings, args.pockets)
    if args.plot:
        from hostsim.plots import plot_plan  # noqa: PLC0415  matplotlib takes a second to load

        plot_plan(settings, move, args.pockets, args.plot)
    if args.csv:
        write_csv(move)
    else:
        print(summary(settings, move, args.pockets))
    return 0


def ratio_of(settings: Settings) -> PocketRatio:
    """Steps per pocket, exactly."""
    return PocketRatio(
        settings.motor_full_steps,
        settings.motor_microsteps,
        settings.gear_stages,
        settings.sprocket_pockets,
    )


def plan(settings: Settings, pockets: int) -> Move:
    """The move the firmware makes over `pockets` pockets from a known rest position."""
    planner = Planner(
        settings.limit_velocity_steps_s,
        settings.limit_acceleration_steps_s2,
        settings.limit_jerk_steps_s3,
    )
    return planner.move(ratio_of(settings).target(pockets), 1)


def summary(settings: Settings, move: Move, pockets: int) -> str:
    """The run in figures."""
    ratio = ratio_of(settings)
    seconds = move.duration_ticks() / TICK_HZ
    fastest_ticks = min(ticks for _, ticks in move.pairs())
    peak_steps_s = TICK_HZ / fastest_ticks
    steps_per_rev = settings.motor_full_steps * settings.motor_microsteps
    cruise_s = move.cruise_steps * move.cruise_ticks / TICK_HZ
    rows = [
        ("steps", f"{move.steps}", "microsteps"),
        ("steps per pocket", f"{ratio.num}/{ratio.den}", "microsteps, exactly"),
        ("time", f"{seconds:.4f}", "s"),
        ("of it at cruise", f"{cruise_s:.4f}", "s"),
        ("peak step rate", f"{peak_steps_s:.0f}", "steps/s"),
        ("peak motor speed", f"{peak_steps_s / steps_per_rev:.3f}", "rev/s"),
        ("peak pocket rate", f"{peak_steps_s * ratio.den / ratio.num:.2f}", "pockets/s"),
        ("ramps for the drive", f"{len(move.head) + len(move.tail)}", "words of 32 bits"),
    ]
    verdict = f"{settings.name}: {pockets} pockets in {seconds:.3f} s"
    return f"{verdict}\n\n{table(('figure', 'value', 'unit'), rows)}"


def decimal_us(ticks: int) -> str:
    """Ticks as microseconds, exactly: a tick is a fifth of one."""
    whole_us, fifths = divmod(ticks, TICKS_PER_US)
    return f"{whole_us}.{fifths * 10 // TICKS_PER_US}"


def write_csv(move: Move) -> None:
    """Write every step to standard output."""
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(("step", "time_us", "interval_us"))
    step = at = 0
    for count, ticks in move.pairs():
        for _ in range(count):
            step, at = step + 1, at + ticks
            writer.writerow((step, decimal_us(at), decimal_us(ticks)))
