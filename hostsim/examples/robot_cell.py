"""A robot cell that packs planter kits from three modules on one RS-485 line.

    tallywheel serve configs/m4_nut.toml configs/m4_washer.toml configs/m4x12_socket_screw.toml \\
        --link modbus --port cell --store cell.store
    python -m hostsim.examples.robot_cell cell

Theory of operation
-------------------
A planter takes 8 nuts, 8 washers and 8 screws.  The cell orders all three at once and looks at them
in turn, so the bag is full when the slowest is done.  What it does with each is a generator, which
yields whenever the others may have the line.

Rules that keep the bag true, whatever happens to line and power, the cell's own included:

- A ticket is written down (`hostsim.examples.slip`) before it is ordered, and kept until the bag is
  done.  A question that is not answered is put again, the order with the same ticket, because a
  module delivers a ticket once.  A cell that starts again goes on with the bag of its slip.
- A request that was cut off is `interrupted`, and says between which bounds its parts are.  Only
  what is missing for certain is ordered again, under a new ticket: a bag that is short can be
  topped up, one that is over has to be counted out.
- A bag is complete only if every result was certain, is so still when the last module is done (a
  part that clung may have fallen by then), and they add up.  Any other is set aside to be checked.

And one that keeps hands whole: the cell starts a unit at the beginning, because somebody has
started the cell.  A unit that has stopped since, for whatever reason, it starts only after somebody
has put that right and pressed a button: a guard that is shut again is no reason to move.
"""

import argparse
import os
import select
import sys
from collections.abc import Callable, Generator, Mapping
from functools import partial
from pathlib import Path
from typing import Protocol, TypeVar

from controller.cycle.causes import MAGAZINE_EMPTY
from hostsim.answers import Result
from hostsim.dispenser import ON_THE_WAY
from hostsim.errors import DeviceError, LinkError, ModuleError, NotReadyError
from hostsim.examples.slip import Slip
from hostsim.modbus_client import ModbusClient
from hostsim.modbus_master import ModbusMaster
from hostsim.words import Outcome, RequestState, UnitState

KIT = {"M4 nut": 1, "M4 washer": 2, "M4x12 socket screw": 3}  # addresses, as described
PARTS_PER_PLANTER = 8  # of each kind
LOOK_S = 0.1  # between two looks at modules
PATIENCE_S = 120.0  # with a module that does not answer, or refuses; a person may take any time
ORDERS_MAX = 3  # of one part for a bag: after that somebody has to look
DONE = "press Enter when that is done and no hands are in it."
FULL = "press Enter when the magazine is full to the top and no hands are in it."

T = TypeVar("T")
Say = Callable[[str], None]
Steps = Generator[None, None, T]  # yields when the others may have the line, and returns a T


class Button(Protocol):
    """Where somebody says that a module has been put right, and that no hands are in it."""

    def presses(self) -> int:
        """How often it has been pressed so far. ModuleError if nobody can."""


class EnterKey:
    """The Enter key of the terminal."""

    def __init__(self) -> None:
        self._presses = 0

    def presses(self) -> int:
        keys = sys.stdin.fileno()
        while select.select([keys], [], [], 0)[0]:
            typed = os.read(keys, 1024)
            if not typed:
                raise ModuleError("somebody has to press Enter, and there is no terminal")
            self._presses += typed.count(b"\n")
        return self._presses


class Station:
    """One module of the cell. Its public methods are steps of a bag, of any number of bags."""

    def __init__(self, part: str, module: ModbusClient, button: Button, say: Say) -> None:
        self.time = module.time
        self.say = say
        self._part = part
        self._module = module
        self._button = button
        self._may_start = True  # without the button: somebody has just started the cell
        self._said = ""

    def greet(self) -> Steps[None]:
        """See that the module is there, and dispenses what the kit wants."""
        found = yield from self._persist(self._module.part_name)
        if found != self._part:
            raise ModuleError(f"this module dispenses {found}, not {self._part}")

    def fill(self, slip: Slip) -> Steps[None]:
        """Have the bag of that slip get its share of this part, as far as this module can."""
        missing = slip.quantity
        for ticket, quantity in slip.orders(self._part):  # of a bag begun before the cell stopped
            missing -= (yield from self._deliver(ticket, quantity)).upper
        while missing > 0 and len(slip.orders(self._part)) < ORDERS_MAX:
            yield from self._in_service()
            ticket = yield from self._persist(self._module.next_ticket)
            slip.add(self._part, ticket, missing)
            missing -= (yield from self._deliver(ticket, missing)).upper

    def results(self, slip: Slip) -> Steps[list[Result]]:
        """What the module says by now of all that was ordered for this bag."""
        results = []
        for ticket, _ in slip.orders(self._part):
            results.append((yield from self._persist(partial(self._module.result, ticket))))
        return results

    def _persist(self, question: Callable[[], T]) -> Steps[T]:
        """Put a question until it is answered. Raises the last error when patience is over."""
        until_s = self.time.clock_s() + PATIENCE_S
        while True:
            try:
                return question()
            except LinkError as lost:
                if self.time.clock_s() > until_s:
                    raise
                self._mention(f"{lost}; will ask again")
            yield

    def _deliver(self, ticket: int, quantity: int) -> Steps[Result]:
        """One order under one ticket, until its result is known."""
        until_s = self.time.clock_s() + PATIENCE_S
        while True:
            try:
                yield from self._persist(partial(self._module.order, ticket, quantity))
                self.say(f"ticket {ticket}: {quantity} ordered")
                yield from self._follow(ticket)
                result = yield from self._persist(partial(self._module.result, ticket))
                bounds = span(result.lower, result.upper)
                self.say(f"ticket {ticket}: {result.outcome}, {bounds}")
                return result
            except DeviceError as refused:  # stopped, or cut off before the order was written down
                if self.time.clock_s() > until_s:
                    raise
                self._mention(f"ticket {ticket}: {refused}; will ask again")
            if (yield from self._in_service()):
                until_s = self.time.clock_s() + PATIENCE_S
            yield

    def _follow(self, ticket: int) -> Steps[None]:
        """Look at an open request until it has closed, or is no longer known to be open."""
        while True:
            progress = yield from self._persist(self._module.progress)
            if progress.ticket != ticket or not progress.open:
                return
            if progress.state is RequestState.WAITING:
                yield from self._in_service()
            yield

    def _in_service(self) -> Steps[bool]:
        """Wait until the unit is in Execute; True if it was not. Nothing starts by itself."""
        told = since = None
        stood = False
        while (state := (yield from self._persist(self._module.state))) is not UnitState.EXECUTE:
            stood = True
            cause = yield from self._persist(self._module.cause)
            if state in ON_THE_WAY:
                pass
            elif self._may_start:
                self._may_start = False
                yield from self._start()
            elif told != cause.code:
                told = cause.code
                why = f"{cause.text}. {cause.remedy}" if told else "as after power-up. Look at it."
                self.say(f"{state}: {why}")
                since = self._button.presses()
                self.say(FULL if told == MAGAZINE_EMPTY else DONE)
            elif self._button.presses() != since:
                told = None
                if cause.code == MAGAZINE_EMPTY:
                    yield from self._report_full()
                yield from self._start()
            yield
        self._may_start = False
        return stood

    def _report_full(self) -> Steps[None]:
        """Tell the module that its magazine is full."""
        magazine = yield from self._persist(self._module.magazine)
        missing = magazine.capacity - magazine.level
        try:
            if missing > 0:
                self._module.load_magazine(missing)
        except (LinkError, DeviceError) as trouble:  # it reckons with fewer parts than there are
            self.say(str(trouble))

    def _start(self) -> Steps[None]:
        """Lead the unit to Execute; if it does not come there, say why."""
        try:
            yield from self._persist(self._module.make_ready)
        except (NotReadyError, DeviceError) as trouble:
            self.say(str(trouble))

    def _mention(self, what: str) -> None:
        """Say something once, not at every try."""
        if what != self._said:
            self._said = what
            self.say(what)


def together(under_way: dict[str, Steps[T]], stations: Mapping[str, Station]) -> dict[str, T]:
    """Go through steps side by side until all have ended; ModuleError if some could not go on."""
    ends: dict[str, T] = {}
    trouble: ModuleError | None = None
    while under_way:
        for part, steps in list(under_way.items()):
            try:
                next(steps)
            except StopIteration as end:
                ends[part] = end.value
                del under_way[part]
            except ModuleError as failed:
                trouble = failed
                stations[part].say(f"given up: {failed}")
                del under_way[part]
            stations[part].time.pause(LOOK_S)
    if trouble is not None:
        raise ModuleError("the bag is not done: start again to go on with it") from trouble
    return ends


def pack(stations: Mapping[str, Station], slip: Slip) -> bool:
    """Pack the bag of that slip, and clear it; True if the bag is certainly complete.

    Raises ModuleError if a module could not go on: the slip is kept, and so is the bag's place.
    """
    together({part: station.greet() for part, station in stations.items()}, stations)
    together({part: station.fill(slip) for part, station in stations.items()}, stations)
    results = together(
        {part: station.results(slip) for part, station in stations.items()}, stations
    )
    good = [judge(results[part], slip.quantity, stations[part].say) for part in results]
    slip.clear()
    return all(good)


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
    parser.add_argument("--slip", metavar="FILE", type=Path, default=Path("robot_cell.slip"))
    args = parser.parse_args()
    complete = 0
    try:
        with ModbusMaster(args.port, reconnect_s=1.0) as line:
            started_s = line.wire.clock_s()

            def say(who: str, what: str) -> None:
                print(f"{line.wire.clock_s() - started_s:7.2f} s  {who:<20} {what}", flush=True)

            button = EnterKey()
            stations = {
                part: Station(part, ModbusClient(line, address), button, partial(say, part))
                for part, address in KIT.items()
            }
            for number in range(1, args.bags + 1):
                slip = Slip(args.slip, args.planters * PARTS_PER_PLANTER)
                if slip.begun:
                    say(f"bag {number}", f"begun before, with {slip.quantity} of each: goes on")
                good = pack(stations, slip)
                say(f"bag {number}", "complete" if good else "set aside, to be checked by hand")
                complete += good
    except (ModuleError, ValueError) as trouble:
        print(f"robot_cell: {trouble}", file=sys.stderr)
    except KeyboardInterrupt:
        print("robot_cell: what is ordered goes on; start again with this bag", file=sys.stderr)
    return 0 if complete == args.bags else 1


if __name__ == "__main__":
    sys.exit(main())
