"""A robot cell that packs planter kits from three modules on one RS-485 line.

    tallywheel serve configs/m4_nut.toml configs/m4_washer.toml configs/m4x12_socket_screw.toml \\
        --link modbus --port cell --store cell.store
    python -m hostsim.examples.robot_cell cell

Theory of operation
-------------------
A planter takes 8 nuts, 8 washers and 8 screws.  The cell orders all three at once and looks at them
in turn, so the bag is full when the slowest is done.  What each module has to give is a generator,
`share`: it yields whenever the others may have the line.

Three rules keep the bag true, whatever happens to line and power:

- A ticket is chosen once for an order and kept until its result is known.  A question that is not
  answered is put again, the order with the same ticket, because a module delivers a ticket once.
- A module that has lost its power says `interrupted` and between which bounds its parts are.  Only
  what is missing for certain is ordered again, under a new ticket: a bag that is short can be
  topped up, one that is over has to be counted out.
- A bag is complete only if every result was certain and they add up.  Any other is set aside for
  somebody to check.
"""

import argparse
import sys
from collections.abc import Callable, Generator, Mapping
from functools import partial
from typing import TypeVar

from hostsim.answers import Result
from hostsim.dispenser import Dispenser
from hostsim.errors import DeviceError, LinkError, ModuleError, NotReadyError
from hostsim.modbus_client import ModbusClient
from hostsim.modbus_master import ModbusMaster
from hostsim.words import Outcome, RequestState

KIT = {"M4 nut": 1, "M4 washer": 2, "M4x12 socket screw": 3}  # addresses, as described
PARTS_PER_PLANTER = 8  # of each kind
LOOK_S = 0.1  # between two looks at modules
PATIENCE_S = 120.0  # for a module that does not answer, or waits for a person
ORDERS_MAX = 3  # for one share: after that somebody has to look
REFUSALS_MAX = 3  # of one order
NO_CAUSE = 0

T = TypeVar("T")
Say = Callable[[str], None]
Steps = Generator[None, None, T]  # yields when the others may have the line, and returns a T


def persist(module: Dispenser, question: Callable[[], T], say: Say) -> Steps[T]:
    """Put a question until it is answered. Raises the last error when patience is over."""
    clock_s = module.time.clock_s
    until_s = clock_s() + PATIENCE_S
    said = ""
    while True:
        try:
            return question()
        except (LinkError, NotReadyError) as trouble:
            if clock_s() > until_s:
                raise
            if type(trouble).__name__ != said:  # say it once, not at every try
                said = type(trouble).__name__
                say(f"{trouble}; will ask again")
        yield


def deliver(module: Dispenser, ticket: int, quantity: int, say: Say) -> Steps[Result]:
    """One order under one ticket, until its result is known."""
    for refusals_left in reversed(range(REFUSALS_MAX)):
        try:
            yield from persist(module, module.make_ready, say)
            yield from persist(module, lambda: module.order(ticket, quantity), say)
            say(f"ticket {ticket}: {quantity} ordered")
            yield from follow(module, ticket, say)
            return (yield from persist(module, lambda: module.result(ticket), say))
        except DeviceError as refused:  # the power went before the order was written down
            if not refusals_left:
                raise
            say(f"ticket {ticket}: {refused}; once more")
    raise AssertionError("the last refusal is raised")


def follow(module: Dispenser, ticket: int, say: Say) -> Steps[None]:
    """Look at an open request until it has closed, or is no longer known to be open."""
    said = NO_CAUSE
    while True:
        progress = yield from persist(module, module.progress, say)
        if progress.ticket != ticket or not progress.open:
            return
        if progress.state is RequestState.WAITING:
            cause = yield from persist(module, module.cause, say)
            if cause.code not in (NO_CAUSE, said):
                said = cause.code
                say(f"waits: {cause.text}. {cause.remedy}")
            yield from persist(module, module.make_ready, say)
        yield


def share(module: Dispenser, part: str, quantity: int, say: Say) -> Steps[list[Result]]:
    """What one module gives to a bag: the results of all orders it took."""
    found = yield from persist(module, module.part_name, say)
    if found != part:
        raise ModuleError(f"this module dispenses {found}, not {part}")
    results: list[Result] = []
    missing = quantity
    while missing > 0 and len(results) < ORDERS_MAX:
        ticket = yield from persist(module, module.next_ticket, say)
        result = yield from deliver(module, ticket, missing, say)
        say(f"ticket {ticket}: {result.outcome}, {span(result.lower, result.upper)}")
        results.append(result)
        missing -= result.upper
    return results


def pack(modules: Mapping[str, Dispenser], quantity: int, say: Callable[[str, str], None]) -> bool:
    """Pack one bag with `quantity` of each kind; True if it is certainly complete.

    `modules` has the module for each part. `say(part, what)` gets what is worth a line in the log.
    """
    under_way = {
        part: share(module, part, quantity, partial(say, part)) for part, module in modules.items()
    }
    complete = True
    while under_way:
        for part, steps in list(under_way.items()):
            try:
                next(steps)
            except StopIteration as end:
                del under_way[part]
                complete &= judge(end.value, quantity, partial(say, part))
            except ModuleError as trouble:
                del under_way[part]
                complete = False
                say(part, f"given up, check by hand: {trouble}")
            modules[part].time.pause(LOOK_S)
    return complete


def judge(results: list[Result], quantity: int, say: Say) -> bool:
    """True if these results are certainly `quantity` parts."""
    lower = sum(result.lower for result in results)
    upper = sum(result.upper for result in results)
    certain = all(result.outcome in (Outcome.EXACT, Outcome.SHORT) for result in results)
    if certain and lower == upper == quantity:
        return True
    say(f"check by hand: the bag holds {span(lower, upper)} of {quantity}")
    return False


def span(lower: int, upper: int) -> str:
    """A number, or the two it lies between."""
    return f"{lower}" if lower == upper else f"{lower} to {upper}"


def main() -> int:
    """Pack bags; the exit status is 0 only if every one is certainly complete."""
    parser = argparse.ArgumentParser(description="Pack planter kits from three modules.")
    parser.add_argument("port", metavar="PORT", help="serial port of the RS-485 line")
    parser.add_argument("--planters", metavar="N", type=int, default=1, help="a bag is for so many")
    parser.add_argument("--bags", metavar="N", type=int, default=1, help="one after the other")
    args = parser.parse_args()
    quantity = args.planters * PARTS_PER_PLANTER
    complete = 0
    try:
        with ModbusMaster(args.port, reconnect_s=1.0) as line:
            started_s = line.wire.clock_s()

            def say(who: str, what: str) -> None:
                print(f"{line.wire.clock_s() - started_s:7.2f} s  {who:<20} {what}", flush=True)

            modules = {part: ModbusClient(line, address) for part, address in KIT.items()}
            for number in range(1, args.bags + 1):
                good = pack(modules, quantity, say)
                say(f"bag {number}", "complete" if good else "set aside, to be checked by hand")
                complete += good
    except ModuleError as trouble:
        print(f"robot_cell: {trouble}", file=sys.stderr)
    return 0 if complete == args.bags else 1


if __name__ == "__main__":
    sys.exit(main())
