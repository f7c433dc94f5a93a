"""`tallywheel check`: what follows from a module description, its margins and warnings."""

import argparse
import shlex
from pathlib import Path

from hostsim.config import ModuleConfig
from hostsim.figures import Report, check
from hostsim.verbs.common import Verbs, add_config, add_verb, folder, read_config

TRIAL = 100  # parts of the first request one would try

DETAILS = """\
Prints the kinematics, the time windows of the counting, what limits the rate, and warnings, each
with its unit. A warning does not make the description wrong: the exit status is 0. What cannot be
run is refused, one line for each key: its value, unit and allowed range.

--plots draws three pictures into a folder: drive.svg (torque asked for and pull-out over speed),
beam.svg (pulses by attitude, overlap by rate) and, if a joint is described, joint.svg (the steps of
many joints).

example: tallywheel check configs/m4_nut.toml --plots ."""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "check", run, "check a module description", DETAILS)
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--plots", metavar="DIR", type=folder, help="draw the pictures into this folder"
    )


def run(args: argparse.Namespace) -> int:
    """Check the description and print the report; draw it if that is wanted."""
    config = read_config(args.config)
    report = check(config)
    drawn = _draw(config, report, args.plots) if args.plots else []
    if args.json:
        print(report.to_json())
        return 0
    quantity = min(TRIAL, config.settings.request_quantity_max)
    print(f"{report.render()}\n")
    if drawn:
        print(f"drawn: {', '.join(map(str, drawn))}")
    print(f"next: {dispense_command(args.config, quantity)}")
    return 0


def dispense_command(path: Path, quantity: int) -> str:
    """The command that tries the module out."""
    return f"tallywheel dispense {shlex.quote(str(path))} --quantity {quantity}"


def _draw(config: ModuleConfig, report: Report, where: Path) -> list[Path]:
    """Draw what there is to draw; return the files."""
    # matplotlib takes a second to load
    from hostsim.drivetrain.torqueplot import plot_drive  # noqa: PLC0415
    from hostsim.joints.stepplot import plot_joint  # noqa: PLC0415
    from hostsim.sensing.beamplot import plot_beam  # noqa: PLC0415

    drive, beam, joint = (where / f"{name}.svg" for name in ("drive", "beam", "joint"))
    plot_drive(config, report.drive, drive)
    plot_beam(config, report.facts, report.sensing, beam)
    if not report.joint:
        return [drive, beam]
    plot_joint(config, report.joint, joint)
    return [drive, beam, joint]
