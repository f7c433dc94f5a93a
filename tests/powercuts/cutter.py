"""Where the power goes: one day is lived, and at every spot a child of it loses its power.

Theory of operation
-------------------
A day takes longer than a cut, so it is not begun anew for each.  Whenever a spot is reached, the
process forks: the child goes through the cut and what follows, reports, and ends; the parent lives
on as if nothing had happened.  A spot has a name that says all that the cut depends on, so that it
can be gone through again alone, without forking, in a debugger (`relive`).

    m4_nut.none.1.256.5.w12+40.o0         in operation 12 of the store, after 40 bytes
    m4_nut.none.1.256.5.t734210.o6000000  at 734210 us of virtual time, off for 6 s
    m4_nut.none.1.256.5.w12+40.o0.r1+9    and again at power-up, in its second operation
"""

import os
import random
import traceback
from collections.abc import Callable
from typing import Any, NamedTuple

from hostsim.module import SimModule
from hostsim.store import PowerCut, SimStore
from tests.powercuts.day import LOOSE_US, SIZES_BYTES, Day, Setup

REPORT_CHARACTERS = 4_000  # of a failure, from its end; a pipe takes more without a reader
AGAIN_SHARE = 0.3  # of the cuts are followed by another one at power-up


class Spot(NamedTuple):
    """Where the power goes: at a time, or in an operation; how long, and whether again."""

    time_us: int | None
    operation: int
    done: int
    off_us: int
    again: tuple[int, int] | None

    def name(self, setup: Setup) -> str:
        """The name by which it is found again."""
        where = f"w{self.operation}+{self.done}" if self.time_us is None else f"t{self.time_us}"
        parts = [setup.config, setup.mix, setup.seed, setup.unit_bytes, setup.every, where]
        parts.append(f"o{self.off_us}")
        if self.again is not None:
            parts.append("r{}+{}".format(*self.again))
        return ".".join(map(str, parts))


def from_name(name: str) -> tuple[Setup, Spot]:
    """The setup and spot of a name. ValueError if it is none."""
    config, mix, seed, unit, every, where, off, *again = name.split(".")
    setup = Setup(config, mix, int(seed), int(unit), int(every))
    time_us, operation, done = None, 0, 0
    if where[0] == "t":
        time_us = int(where[1:])
    else:
        operation, done = map(int, where[1:].split("+"))
    second = tuple(map(int, again[0][1:].split("+"))) if again else None
    return setup, Spot(time_us, operation, done, int(off[1:]), second)


class Plan:
    """Which spots of a day are tried."""

    def __init__(self, bytes_each: int, gap_us: int, seed: int = 1) -> None:
        """`bytes_each` of each operation (0: all), and a time every `gap_us` or so (0: none)."""
        self._bytes_each = bytes_each
        self._gap_us = gap_us
        self._chance = random.Random(seed)

    def of_operation(self, number: int, length: int) -> list[Spot]:
        """Spots within one operation of the store on so many bytes."""
        places = range(length + 1)
        if self._bytes_each and self._bytes_each < len(places):
            places = sorted(self._chance.sample(places, self._bytes_each))
        return [self._spot(None, number, done) for done in places]

    def next_us(self, now_us: int) -> int | None:
        """The next time that `at` is to be asked about."""
        return now_us + self._chance.randint(1, 2 * self._gap_us) if self._gap_us else None

    def at(self, time_us: int) -> Spot:
        """The spot at a time."""
        return self._spot(time_us)

    def _spot(self, time_us: int | None, operation: int = 0, done: int = 0) -> Spot:
        chance = self._chance
        off_us = chance.choice((0, LOOSE_US))
        again = None
        if chance.random() < AGAIN_SHARE:
            again = (chance.randint(0, 1), chance.randint(0, 1_500))
        return Spot(time_us, operation, done, off_us, again)


class _Only(Plan):
    """One spot and no other."""

    def __init__(self, spot: Spot) -> None:
        super().__init__(0, 0)
        self._wanted = spot

    def of_operation(self, number: int, length: int) -> list[Spot]:
        wanted = self._wanted
        return [wanted] if wanted.time_us is None and wanted.operation == number else []

    def next_us(self, now_us: int) -> int | None:
        return self._wanted.time_us

    def at(self, time_us: int) -> Spot:
        return self._wanted


class Failure(NamedTuple):
    """A cut that was not survived."""

    name: str
    report: str


class Life:
    """One day with all the cuts of a plan; `failures` and `cuts` tell how they went."""

    def __init__(self, setup: Setup, plan: Plan, forking: bool = True) -> None:
        self.failures: list[Failure] = []
        self.cuts = 0
        self._setup = setup
        self._plan = plan
        self._forking = forking
        self._spot: Spot | None = None  # where this process loses its power
        self._pipe = -1  # to the parent, in a child
        size_bytes = SIZES_BYTES[setup.unit_bytes]
        self._store = _Store(size_bytes, setup.unit_bytes, self._at_operation)
        self._day = Day(setup, self._store, _Module)
        self._day.module.on_alarm = self._at_time
        self._day.module.alarm_us = plan.next_us(0)

    def live(self) -> None:
        """Go through the day. Raises what the day itself raises, or the one cut if not forking."""
        try:
            self._live()
        except BaseException:
            if self._pipe < 0:
                raise
            os.write(self._pipe, traceback.format_exc()[-REPORT_CHARACTERS:].encode())
        finally:
            if self._pipe >= 0:
                os._exit(0)

    def _live(self) -> None:
        try:
            self._day.work()
        except PowerCut:
            assert self._spot is not None
            self._day.return_of_power(self._spot.off_us, self._spot.again)

    def _at_operation(self, number: int, length: int) -> None:
        if self._spot is None:
            for spot in self._plan.of_operation(number, length):
                if self._dies(spot):
                    self._store.cut_at = (number, spot.done)
                    return

    def _at_time(self, now_us: int) -> int | None:
        if self._spot is None and self._dies(self._plan.at(now_us)):
            raise PowerCut
        return self._plan.next_us(now_us)

    def _dies(self, spot: Spot) -> bool:
        """Fork, and have the child lose its power: True there."""
        self.cuts += 1
        if not self._forking:
            self._spot = spot
            return True
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            self._pipe, self._spot = writing, spot
            return True
        os.close(writing)
        with os.fdopen(reading) as pipe:
            report = pipe.read()
        _, status = os.waitpid(child, 0)
        if report or status:
            self.failures.append(Failure(spot.name(self._setup), report or f"died of {status}"))
        return False


def relive(name: str) -> None:
    """Go through one cut by its name, in this process. Raises what it does not survive."""
    setup, spot = from_name(name)
    life = Life(setup, _Only(spot), forking=False)
    life.live()
    if not life.cuts:
        raise ValueError(f"the day does not come to {name}")


class _Store(SimStore):
    """A store that tells before each operation."""

    def __init__(self, size_bytes: int, unit_bytes: int, tell: Callable[[int, int], None]) -> None:
        super().__init__(size_bytes, unit_bytes)
        self._tell = tell

    def write(self, segment: int, offset: int, data: bytes) -> None:
        self._tell(self.operations, len(data))
        super().write(segment, offset, data)

    def erase(self, segment: int) -> None:
        self._tell(self.operations, self.size_bytes)
        super().erase(segment)


class _Module(SimModule):
    """A module that stops on the way at `alarm_us`; `on_alarm` returns the next one."""

    alarm_us: int | None = None
    on_alarm: Any = None

    def run_until(self, until_us: int) -> None:
        while self.alarm_us is not None and self.now_us < self.alarm_us <= until_us:
            super().run_until(self.alarm_us)
            self.alarm_us = self.on_alarm(self.now_us)
        super().run_until(until_us)
