"""The command line: `tallywheel VERB ...`.

Each verb is a module of `hostsim.verbs` with two functions: `add(verbs)` declares its arguments
and `run(args)` does the work and returns the exit status.  This file gives them all the same
manners: status 0 only on success, and trouble told on standard error in one line each, saying
what to do about it.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from controller.link.readings import VERSION
from hostsim.engine import EngineError
from hostsim.errors import ModuleError
from hostsim.verbs import VERBS, VerbError

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
    parser = Parser(prog="tallywheel", description=DESCRIPTION)
    parser.add_argument("--version", action="version", version=f"tallywheel {VERSION}")
    verbs = parser.add_subparsers(title="verbs", metavar="VERB", required=True, dest="verb")
    for verb in VERBS:
        verb.add(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status."""
    args = build_parser().parse_args(argv)
    try:
        status = args.run(args)
        sys.stdout.flush()
        return status
    except VerbError as trouble:
        for line in trouble.lines:
            print(f"tallywheel {args.verb}: {line}", file=sys.stderr)
        return FAILED
    except (ModuleError, EngineError) as error:
        print(f"tallywheel {args.verb}: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The reader, such as `head`, has seen enough; keep the interpreter's own flush quiet.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except OSError as error:
        name = error.filename or "a file"
        why = f"cannot write {name}: {error.strerror}; choose another place"
        print(f"tallywheel {args.verb}: {why}", file=sys.stderr)
        return FAILED


if __name__ == "__main__":
    sys.exit(main())
