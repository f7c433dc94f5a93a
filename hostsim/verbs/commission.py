"""`tallywheel commission`: measure a module, and write what was measured to its description."""

import argparse
from pathlib import Path

from hostsim.verbs.common import VerbError, Verbs, add_verb, number, output_path, read_config, whole
from hostsim.verbs.guidance import add_arguments, go_on, report_path, run_through, session, where

DETAILS = """\
Measures, in this order: home, motor steps per pocket over whole turns, lash, the highest rate with
the yield asked for, fall time and phase of release from parts at two rates, pulse width, the
windows these allow, and the count, by parts counted by hand. Each figure comes with its limits at
95 % confidence. Needs some hundred parts of the kind the module is for, and half an hour.

Before every step in which the motor may turn you are asked, and once more before anything is
written: to --out, or else to CONFIG itself. There the comments stay, and a changed line says when
it was measured and what stood there before. The record (JSON) is written after every step; run the
same command again to go on after an interruption. The report is one page of HTML.

To try it out on a module that is not what its description says:

  tallywheel serve CONFIG --machine OTHER --port module --hands hands     (in one terminal)
  tallywheel commission module --config CONFIG --out new.toml --hands hands

Guard before running; isolate the supply before you reach in. The firmware is no safety function.
The exit status is 0 only if every step has passed or needs not be taken.

example: tallywheel commission /dev/ttyACM0 --config configs/m4_nut.toml --out measured.toml"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "commission", run, "measure a module and correct its description",
                      DETAILS)  # fmt: skip
    add_arguments(parser, "commission")
    parser.add_argument(
        "--config",
        metavar="CONFIG",
        type=Path,
        required=True,
        help="module description (TOML); the module must run with it",
    )
    parser.add_argument(
        "--out", metavar="NEW", type=output_path, help="where to write it (default CONFIG itself)"
    )
    parser.add_argument(
        "--target",
        metavar="SHARE",
        type=number("parts a pocket", 0.5, 0.999),
        default=0.98,
        help="yield that the highest rate must have, parts a pocket (default 0.98)",
    )
    parser.add_argument(
        "--parts",
        metavar="N",
        type=whole("parts", 50, 2000),
        default=150,
        help="parts to measure at each of the two rates (default 150)",
    )
    parser.add_argument(
        "--turns",
        metavar="N",
        type=whole("turns", 2, 20),
        default=3,
        help="turns of the wheel to measure steps per pocket over (default 3)",
    )
    parser.add_argument(
        "--trial",
        metavar="N",
        type=whole("parts", 50, 5000),
        default=200,
        help="parts of the count trial, in batches of 50 (default 200)",
    )


def run(args: argparse.Namespace) -> int:
    """Go through the steps; say what comes next."""
    # SciPy and matplotlib take a second to load.
    from hostsim.guided.commission import PROCEDURE, STEPS  # noqa: PLC0415
    from hostsim.guided.figures import commission_page  # noqa: PLC0415

    config = read_config(args.config)
    if args.out and args.out.exists() and not args.out.samefile(args.config):
        raise VerbError(f"--out {args.out} exists: give another name, or move it away")
    path = report_path(args)
    options = {name: getattr(args, name) for name in ("turns", "parts", "target", "trial", "out")}
    with session(args, PROCEDURE, config, **options) as one:
        ended = run_through(STEPS, one, path, lambda record: commission_page(record, config))
        made = {key: one.record.value(key, "made") for key in ("ratio", "write")}
    print(f"record: {args.record}\nreport: {path}")
    new = args.out or args.config
    build = f"build/{new.stem}"
    flash = f"tallywheel bundle {new} --out {build} && tallywheel flash {args.port} {build}"
    if ended.how != "finished":
        if made["ratio"]:
            raise VerbError(f"{where(ended)}; next: {flash}, then commission with {new}")
        raise VerbError(f"{where(ended)}; {go_on(ended)}")
    print(f"next: {flash if made['write'] else f'tallywheel request {args.port} --quantity 25'}")
    return 0
