"""The command line: `tallywheel VERB ...`.

Each verb is a module of `hostsim.verbs` with two functions: `add(verbs)` declares its arguments
and `run(args)` does the work and returns the exit status.  This file gives them all the same
manners: status 0 only on success, and trouble told on standard error in one line each, saying
what to do about it.  Nearly everything is imported after somebody is at home to whom Ctrl-C can be
told: it takes half a second, in which a person may well see that an argument is wrong.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

DONE, FAILED, MISUSED, INTERRUPTED = 0, 1, 2, 130

DESCRIPTION = """\
Run, plan and try out a dispensing module that counts fasteners with a pocketed sprocket.
CONFIG is a module description such as configs/m4_nut.toml."""


class Parser(argparse.ArgumentParser):
    """An argument parser that tells a misuse in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(MISUSED, f"{self.prog}: {message} (see `{self.prog} --help`)\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser with all verbs."""
    from controller.link.readings import VERSION  # noqa: PLC0415  see the head of this file
    from hostsim.verbs import VERBS  # noqa: PLC0415

    parser = Parser(prog="tallywheel", description=DESCRIPTION)
    parser.add_argument("--version", action="version", version=f"tallywheel {VERSION}")
    verbs = parser.add_subparsers(title="verbs", metavar="VERB", required=True, dest="verb")
    for verb in VERBS:
        verb.add(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status."""
    open_streams()
    try:
        args = build_parser().parse_args(argv)
        return carry_out(args)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The reader, such as `head`, has seen enough; keep the interpreter's own flush quiet.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED


def carry_out(args: argparse.Namespace) -> int:
    """Run the verb of `args`; tell what it can't do and return its exit status."""
    from hostsim.engine import EngineError  # noqa: PLC0415  see the head of this file
    from hostsim.errors import ModuleError  # noqa: PLC0415
    from hostsim.verbs import VerbError  # noqa: PLC0415

    try:
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except VerbError as trouble:
        lines = trouble.lines
    except (ModuleError, EngineError) as error:
        lines = (str(error),)
    except BrokenPipeError:
        raise
    except OSError as error:
        # Whoever writes a file names it; nobody names the stream that everything is printed to.
        name = error.filename2 or error.filename or "standard output"
        lines = (f"cannot write {name}: {error.strerror}; choose another place",)
    for line in lines:
        print(f"tallywheel {args.verb}: {line}", file=sys.stderr)
    return FAILED


def open_streams() -> None:
    """Open what a script has closed (`>&-`) to nowhere, before some file gets its number."""
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115


if __name__ == "__main__":
    sys.exit(main())
