"""What the verbs share: how to declare an argument, read a module description, fail politely."""

import argparse
import difflib
import math
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from hostsim.config import ConfigError, ModuleConfig, load
from hostsim.engine import ENGINES
from hostsim.plant import faults, line

SEED_MAX = 2**32 - 1
DIGITS_MAX = 20  # longer numbers are out of every range, and int() takes long or fails
SHOWN_MAX = 100  # characters of an argument that a message shows
Verbs = Any  # argparse keeps the type of add_subparsers() to itself


class VerbError(Exception):
    """Something the person at the keyboard can put right. Each line says what and how."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def add_verb(
    verbs: Verbs,
    name: str,
    run: Callable[[argparse.Namespace], int],
    summary: str,
    details: str,
) -> argparse.ArgumentParser:
    """Declare a verb. `details` follow the arguments in its help: units, output, an example."""
    parser: argparse.ArgumentParser = verbs.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=details,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    return parser


def add_config(parser: argparse.ArgumentParser) -> None:
    """Declare the module description as a positional argument."""
    parser.add_argument("config", metavar="CONFIG", type=Path, help="module description (TOML)")


def add_seed(parser: argparse.ArgumentParser) -> None:
    """Declare the seed of the simulation."""
    parser.add_argument(
        "--seed",
        metavar="S",
        type=whole("", 0, SEED_MAX),
        default=1,
        help="seed of all chance in the simulation (default 1); the same seed, the same events",
    )


def add_faults(parser: argparse.ArgumentParser) -> None:
    """Declare the fault mix, with every mix and its story in the help."""
    parser.add_argument(
        "--faults",
        metavar="NAME",
        type=one_of("fault mix", faults.MIXES),
        default="none",
        help="what goes wrong on the simulated module: a fault mix, "
        "as listed by `tallywheel dispense --help` (default none)",
    )


def one_of(what: str, names: Collection[str]) -> Callable[[str], str]:
    """An argument type: the name of a `what`, one of `names`."""

    def read(text: str) -> str:
        if text not in names:
            near = difflib.get_close_matches(text, names, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(names)}"
            raise argparse.ArgumentTypeError(f"there is no {what} {text!r}; {hint}")
        return text

    return read


def add_line_faults(parser: argparse.ArgumentParser) -> None:
    """Declare the fault mix of the line, likewise."""
    parser.add_argument(
        "--line-faults",
        metavar="NAME",
        type=one_of("line fault mix", line.MIXES),
        default="none",
        help="what goes wrong on the line: a line fault mix listed below (default none)",
    )


def add_engine(parser: argparse.ArgumentParser) -> None:
    """Declare where the firmware runs."""
    parser.add_argument(
        "--engine",
        choices=ENGINES,
        default="inprocess",
        help="where the firmware runs: in this process (default), or in a child process under "
        "CPython or MicroPython, in lock-step with the plant",
    )


def fault_list() -> str:
    """The fault mixes with a line about each, for the end of a help text."""
    return "\n  ".join(["fault mixes:", *faults.describe()])


def line_fault_list() -> str:
    """The same of the line fault mixes."""
    return "\n  ".join(["line fault mixes:", *line.describe()])


def whole(unit: str, least: int, most: int) -> Callable[[str], int]:
    """An argument type: a whole number of `unit` ("" for none) from `least` to `most`."""
    wanted = f"a whole number of {unit}" if unit else "a whole number"

    def read(text: str) -> int:
        digits = text.removeprefix("-")
        fits = digits.isdecimal() and len(digits) <= DIGITS_MAX and least <= int(text) <= most
        if not fits:
            raise argparse.ArgumentTypeError(
                f"{shown(text)} is not allowed: give {wanted} from {least} to {most}"
            )
        return int(text)

    return read


def number(unit: str, least: float, most: float) -> Callable[[str], float]:
    """An argument type: a number of `unit` from `least` to `most`."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(
                f"{shown(text)} is not allowed: give a number of {unit} from {least:g} to {most:g}"
            )
        return value

    return read


def shown(text: str) -> str:
    """An argument as a message shows it: in quotes, and not longer than a line."""
    return repr(text if len(text) <= SHOWN_MAX else f"{text[: SHOWN_MAX - 3]}...")


def output_path(text: str) -> Path:
    """An argument type: a file to write, in a folder that exists."""
    path = Path(text)
    if not is_folder(path.parent):
        raise argparse.ArgumentTypeError(
            f"{shown(text)}: there is no folder {shown(str(path.parent))}"
        )
    if is_folder(path):
        raise argparse.ArgumentTypeError(f"{shown(text)} is a folder: give the name of a file")
    return path


def refuse_other(path: Path, is_own: Callable[[Path], bool], what: str) -> None:
    """VerbError if there is a file already that is no `what`: nothing else is written over."""
    try:
        other = path.is_file() and path.stat().st_size > 0 and not is_own(path)
    except OSError as error:
        raise VerbError(f"cannot read {path}: {error.strerror}; give another name") from error
    if other:
        raise VerbError(f"{path} exists and is no {what}: give another name, or move it away")


def folder(text: str) -> Path:
    """An argument type: a folder that exists."""
    path = Path(text)
    if not text or not is_folder(path):
        raise argparse.ArgumentTypeError(f"{shown(text)} is no folder: make it first")
    return path


def is_folder(path: Path) -> bool:
    """Whether there is a folder, as far as can be seen: not one behind a locked door."""
    try:
        return path.is_dir()
    except OSError:  # no right to look, or too long a name
        return False


def picture_path(text: str) -> Path:
    """An argument type: a file to draw into, .svg or .png."""
    path = output_path(text)
    if path.suffix not in {".svg", ".png"}:
        raise argparse.ArgumentTypeError(f"{text!r} must end in .svg or .png")
    return path


def read_config(path: Path) -> ModuleConfig:
    """Load a module description; VerbError with one line for each thing wrong with it."""
    try:
        return load(path)
    except ConfigError as error:
        raise VerbError(*(f"{path}: {problem}" for problem in error.problems)) from error
    except OSError as error:
        raise unreadable(path, error, "a module description such as configs/m4_nut.toml") from error


def unreadable(path: Path, error: OSError, wanted: str) -> VerbError:
    """The error to raise for a file that can't be read where `wanted` was expected."""
    return VerbError(f"cannot read {path}: {error.strerror}; give the path of {wanted}")
