"""What the verbs of the guided procedures share: arguments, the module, the record, the report."""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig
from hostsim.guided.conversation import Conversation, Terminal
from hostsim.guided.people import PipePerson
from hostsim.guided.procedure import Ended, Session, Step, carry_out, utc_now
from hostsim.guided.record import Record, RecordError, fingerprint, write_whole
from hostsim.verbs.common import VerbError, output_path, refuse_other, whole

INTERRUPTED = (
    "interrupted: the unit has been told to stop, and what was found is kept; run the same command"
    " again to go on"
)


def add_arguments(parser: argparse.ArgumentParser, procedure: str) -> None:
    """Declare what both verbs take."""
    parser.add_argument("port", metavar="PORT", help="serial port of the module")
    parser.add_argument(
        "--record",
        metavar="FILE",
        type=output_path,
        default=Path(f"{procedure}.json"),
        help=f"the dated record, in which an interrupted run goes on (default {procedure}.json)",
    )
    parser.add_argument(
        "--report",
        metavar="FILE",
        type=output_path,
        help="the one-page report (default: the record's name with .html)",
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help='take "ready?" for granted where nothing begins to turn and no file is changed',
    )
    parser.add_argument(
        "--hands",
        metavar="PATH",
        type=Path,
        help="try it out: a simulated person does the deeds at `tallywheel serve --hands PATH`",
    )
    parser.add_argument(
        "--baud", type=whole("baud", 300, 3_000_000), default=115_200, help="default 115200"
    )


def conversation(args: argparse.Namespace) -> Conversation:
    """The person to talk to."""
    if not args.hands:
        return Terminal(agreed=args.yes)
    try:
        return PipePerson(args.hands)
    except OSError as error:
        raise VerbError(
            f"cannot use {args.hands}: {error.strerror}; "
            f"first start `tallywheel serve CONFIG --hands {args.hands}`"
        ) from error


@contextmanager
def session(
    args: argparse.Namespace, procedure: str, config: ModuleConfig | None, **options: Any
) -> Iterator[Session]:
    """A session with the module on the port, its record taken up."""
    talk = conversation(args)
    with DispenserClient(args.port, baud=args.baud, poll_s=0.1) as client:
        who = vars(client.identity())
        prints = fingerprint(client.settings())
        try:
            record, said = Record.take_up(args.record, procedure, who, prints, utc_now())
        except RecordError as error:
            raise VerbError(str(error)) from error
        if said:
            talk.show(said)
        yield Session(client, talk, record, config, options)


def is_page(path: Path) -> bool:
    """Whether a file is a page, as reports are."""
    with path.open("rb") as file:
        return file.readline(100).strip().lower() == b"<!doctype html>"


def report_path(args: argparse.Namespace) -> Path:
    """Where the report goes; VerbError if that is where the record is."""
    path: Path = args.report or args.record.with_suffix(".html")
    if path.absolute() == args.record.absolute():
        raise VerbError(f"record and report are both to be {path}: give one another name")
    refuse_other(path, is_page, "report")
    return path


def run_through(
    steps: Sequence[Step], a_session: Session, path: Path, page: Callable[[Record], str]
) -> Ended:
    """Carry the steps out and write the report, however they end."""
    try:
        ended = carry_out(steps, a_session)
    except KeyboardInterrupt:
        print(f"\n{INTERRUPTED}", file=sys.stderr)
        raise
    finally:
        if a_session.record.entries:
            write_whole(path, page(a_session.record))
    return ended


def where(ended: Ended) -> str:
    """How and at which step a run ended that did not finish."""
    return f"{ended.how} at {ended.at.title if ended.at else 'the start'!r}"


def go_on(ended: Ended) -> str:
    """How to go on there."""
    if ended.finding and ended.finding.values.get("apart"):
        return (
            "run it again with the description that the module was flashed with, or flash this one"
        )
    return "run the same command again to go on there"
