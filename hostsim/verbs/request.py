"""`tallywheel request`: have a module on a serial port deliver parts."""

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from controller.link.modbus_frame import ADDRESS_MAX
from hostsim import modbus_master
from hostsim.answers import Progress
from hostsim.client import DispenserClient
from hostsim.dispenser import TICKET_MAX, Dispenser
from hostsim.errors import LinkError
from hostsim.modbus_client import ModbusClient
from hostsim.modbus_master import ModbusMaster
from hostsim.report import advice, as_dict, verdict
from hostsim.table import ProgressLine
from hostsim.verbs.common import VerbError, Verbs, add_verb, whole
from hostsim.words import Outcome, RequestState

QUANTITY_MAX = 1_000_000  # the module's own limit is in its description, and is the one that counts
BAUDS = {"scpi": 115_200, "modbus": modbus_master.BAUD}

DETAILS = """\
PORT is a device path such as /dev/ttyACM0, or what `tallywheel serve` prints. On a Modbus line,
--address says which module is meant. The unit is led to Execute first (clear, reset, start), which
moves the sprocket: see that the guard is shut. Only to read a result that is there, nothing moves.
The exit status is 0 only if the result is exact.

A ticket makes a request unique: asked again, after a lost line or by mistake, it is not delivered
again, and its result is shown. Without --ticket the next unused number is taken.
When the request waits for somebody, what for and what to do is told on standard error. Ctrl-C ends
this command, not the request: the same command with its --ticket follows it on, and resumes the
unit where it waits.
A warning says that slip, wear or dirt have begun to show, before a count goes wrong.
Times are in seconds, quantities in parts.

example: tallywheel request /dev/ttyACM0 --quantity 25"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(
        verbs, "request", run, "have a module on a serial port deliver parts", DETAILS
    )
    parser.add_argument("port", metavar="PORT", help="serial port of the module")
    parser.add_argument(
        "--quantity", metavar="N", type=whole("parts", 1, QUANTITY_MAX), required=True, help="parts"
    )
    parser.add_argument(
        "--ticket", metavar="T", type=whole("", 1, TICKET_MAX), help="number of the request"
    )
    add_line(parser)
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")


def add_line(parser: argparse.ArgumentParser) -> None:
    """Declare which line leads to the module, for `connected`."""
    parser.add_argument(
        "--link", choices=list(BAUDS), default="scpi", help="protocol of the line (default scpi)"
    )
    parser.add_argument(
        "--address",
        metavar="A",
        type=whole("", 1, ADDRESS_MAX),
        default=1,
        help="address of the module on a Modbus line (default 1)",
    )
    parser.add_argument(
        "--baud",
        type=whole("baud", 300, 3_000_000),
        help="speed of the line (default 115200 for SCPI, 19200 for Modbus, which has even parity)",
    )


def run(args: argparse.Namespace) -> int:
    """Make the module ready, open the request, follow it, show its result."""
    with connected(args) as module, ProgressLine(sys.stderr) as line:
        part = module.part_name()
        ticket = args.ticket or module.next_ticket()
        if ticket not in module.tickets():  # to read a result nothing needs to move
            module.make_ready()
        watch = Watch(module, ticket, line)
        try:
            result = module.request(args.quantity, ticket, watch.look)
        except KeyboardInterrupt:
            line.say(f"tallywheel request: left; what was ordered goes on; {watch.way_back}")
            raise
        except LinkError as lost:
            raise VerbError(f"{lost}; what was ordered goes on; {watch.way_back}") from lost
        drift = module.drift()
    if drift.code:
        print(f"tallywheel request: warning: {drift.text}. {drift.remedy}", file=sys.stderr)
    print(json.dumps(as_dict(result)) if args.json else verdict([result], part))
    if result.outcome is not Outcome.EXACT:
        raise VerbError(advice([result]))
    return 0


class Watch:
    """Shows how an open request fares, and says what it waits for."""

    def __init__(self, module: Dispenser, ticket: int, line: ProgressLine) -> None:
        self._module = module
        self._line = line
        self._said = 0  # the cause that has been told
        self.way_back = f"the same command with --ticket {ticket} comes back to it"

    def look(self, progress: Progress) -> None:
        """To be called at every look at the request."""
        self._line.show(progress.lower, progress.quantity, f"parts, {progress.state}")
        if progress.state is not RequestState.WAITING:
            self._said = 0
            return
        cause = self._module.cause()
        if cause.code not in (0, self._said):
            self._said = cause.code
            why = f"waiting: {cause.text}. {cause.remedy}"
            self._line.say(f"tallywheel request: {why} (Ctrl-C; {self.way_back}.)")


@contextmanager
def connected(args: argparse.Namespace) -> Iterator[Dispenser]:
    """The module, over the link that was asked for."""
    baud = args.baud or BAUDS[args.link]
    if args.link == "modbus":
        with ModbusMaster(args.port, baud=baud) as line:
            yield ModbusClient(line, args.address)
    else:
        with DispenserClient(args.port, baud=baud) as module:
            yield module
