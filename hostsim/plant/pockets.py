"""Magazine, channel and pockets: how parts get into the sprocket, and out at the release edge.

Theory of operation
-------------------
A pocket is under the magazine opening over part of its travel. If it is empty, the column of parts
needs its time to slide one part further; a pocket that has left by then stays empty. A part may
wedge as its pocket leaves the opening (the shear edge), which blocks the sprocket until a person
or a reversal frees it; parts may hang together as a train, which feeds nothing until shaken.

Pockets have running numbers; number k sits in seat k mod (pockets of the sprocket). Each feed takes
one part from the supply, and that part's `luck` decides which fault, if any, befalls it.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from hostsim.plant.agenda import Agenda
from hostsim.plant.chute import Chute
from hostsim.plant.drive import Drive
from hostsim.plant.edge import Edge
from hostsim.plant.eventlog import EventLog
from hostsim.plant.fall import Part, PartSupply
from hostsim.plant.faults import PER_POCKET, FaultMix
from hostsim.plant.ledger import Ledger
from hostsim.plant.marks import Mark, ReleaseMark
from hostsim.plant.world import World

SLIP_CYCLES = (1, 6)  # electrical cycles lost in one slip: from, below
CREEP_ALLOWANCE = 1.25  # a move up to this times the creep rate still counts as creep


class Seat(NamedTuple):
    """What is in a pocket."""

    part: Part
    second: Part | None
    fault: str
    scatter_steps: float


class Pockets:
    """The sprocket's contents and what feeds them."""

    def __init__(
        self,
        world: World,
        mix: FaultMix,
        agenda: Agenda,
        log: EventLog,
        ledger: Ledger,
        drive: Drive,
        chute: Chute,
        chance: np.random.Generator,
    ) -> None:
        self.pieces = mix.worn * world.rated_pieces  # carried by this sprocket
        self.level_changed: Callable[[bool], object] = lambda ok: None
        self._world = world
        self._mix = mix
        self._agenda = agenda
        self._log = log
        self._ledger = ledger
        self._drive = drive
        self._chute = chute
        self._chance = chance
        self._edge = Edge(
            mix, agenda, log, ledger, chute.fall, lambda: drive.running, chance.spawn(1)[0]
        )
        self._supply = PartSupply(world, mix.bounce, chance.spawn(1)[0])
        self._seats: list[Seat | None] = [None] * world.pockets
        self._open: int | None = None  # pocket under the opening
        self._visit = 0  # numbers the times a pocket came under it, so old feeds find out
        self._part = self._supply.take()  # the next to be fed
        self._hanging = False
        self._jammed: int | None = None
        self._last_direction = 1
        self._frontier = 0  # highest pocket that has gone over the release edge
        self._rates = [(name, getattr(mix, name)) for name in PER_POCKET if getattr(mix, name)]
        self._any_rate = sum(rate for _, rate in self._rates)

    # Geometry.

    def marks(self, index_edge: Callable[[bool], None]) -> tuple[list[Mark], list[Mark]]:
        """The marks that matter forward and backward.

        `index_edge` is called at the edges of the index flag, with whether it now is at its sensor.
        """
        world, pitch = self._world, self._world.steps_per_pocket
        enter = -world.feed_pockets - world.opening_pockets / 2
        index = -0.5 - world.index_lead_pockets
        entrance = Mark(enter * pitch, pitch, self._at_entrance)
        exit_ = Mark((enter + world.opening_pockets) * pitch, pitch, self._at_exit)
        release = ReleaseMark(pitch, self._at_release, self._scatter, self._holds)
        ahead = [entrance, exit_, release]
        behind = [entrance, exit_]
        if self._mix.cling:
            ahead.append(Mark(0.0, pitch, self._edge.at_dwell))
        if world.index_fitted:
            begin, end = index * pitch, (index + world.index_flag_pockets) * pitch
            for row, comes in ((ahead, begin), (behind, end)):
                leaves = end if comes == begin else begin  # backward the flag's far edge is first
                row.append(Mark(comes, pitch, lambda _pocket, _way: index_edge(True)))
                row.append(Mark(leaves, pitch, lambda _pocket, _way: index_edge(False)))
        return ahead, behind

    def prime(self, travel: float) -> None:
        """Fill the pockets between the opening and the release edge; `travel` in steps."""
        world, pitch = self._world, self._world.steps_per_pocket
        first = int(np.floor(travel / pitch + 0.5)) + 1
        self._frontier = first - 1
        for pocket in range(first, first + world.pockets):
            under = travel / pitch - (pocket - world.feed_pockets)  # from under the opening
            if under >= -world.opening_pockets / 2:
                self._seat(pocket, self._supply.take(), None, "")
                self._ledger.loaded += 1
                self._ledger.in_pockets += 1
                if under <= world.opening_pockets / 2:
                    self._open = pocket

    # What a person does.

    def refill(self, parts: int) -> None:
        """Put parts into the magazine."""
        self._ledger.loaded += parts
        self._ledger.in_magazine += parts
        self._tell_level()
        self._await_feed()

    def clear(self) -> None:
        """Take out the wedged part, wipe the edge, shake trains loose."""
        self._edge.clear()
        if self._jammed is not None:
            self._take_out(self._jammed)
            self._free()
        if self._hanging:
            self._feed_again()

    def empty_all(self) -> None:
        """Take every part out of the sprocket, wedged and clinging ones too."""
        self._edge.clear()
        if self._jammed is not None:
            self._free()
        for pocket in range(self._world.pockets):
            self._take_out(pocket)
        self._await_feed()

    def pour_out(self) -> None:
        """Take every part out of the magazine and the sprocket."""
        self._ledger.removed += self._ledger.in_magazine
        self._ledger.in_magazine = 0
        self._hanging = False
        self.empty_all()
        self._tell_level()

    # The sprocket passes its marks.

    def _at_entrance(self, pocket: int, direction: int) -> None:
        if direction > 0:
            self._come_under(pocket)
        else:
            self._leave(pocket)

    def _at_exit(self, pocket: int, direction: int) -> None:
        if direction < 0:
            self._come_under(pocket)
            return
        self._leave(pocket)
        seat = self._seats[pocket % self._world.pockets]
        if seat is None:
            self._log.add(self._agenda.now_us, f"pocket {pocket} leaves the opening empty")
        elif seat.fault:
            self._shear(pocket, seat)

    def _shear(self, pocket: int, seat: Seat) -> None:
        """A pocket with something wrong in it meets the edge of the opening."""
        now_us = self._agenda.now_us
        if seat.fault == "jam":
            if self._jammed is None:
                self._ledger.mishaps["jam"] += 1
            self._jammed = pocket
            self._log.add(now_us, f"pocket {pocket} jams")
            place = (pocket - self._world.feed_pockets + self._world.opening_pockets / 2) * (
                self._world.steps_per_pocket
            )
            self._drive.wedge(place)
        elif seat.fault == "slip":
            cycles = int(self._chance.integers(*SLIP_CYCLES))
            self._ledger.mishaps["slip"] += 1
            self._log.add(now_us, f"motor slips {cycles} cycles at pocket {pocket}")
            self._heal(pocket, seat)
            self._drive.slip(cycles)

    def _at_release(self, pocket: int, _: int) -> None:
        number = pocket % self._world.pockets
        seat, self._seats[number] = self._seats[number], None
        parts = 0 if seat is None else 1 if seat.second is None else 2
        if pocket > self._frontier:
            self._frontier = pocket
            self._ledger.note_pocket(pocket, parts)
        self._log.add(self._agenda.now_us, f"pocket {pocket} lets go {parts}")
        if seat is not None:
            self._ledger.in_pockets -= parts
            self._edge.another_falls()
            self._let_go(seat)

    def _let_go(self, seat: Seat) -> None:
        chute, part, fault = self._chute, seat.part, seat.fault
        if seat.second is not None:
            chute.drop_two(part, seat.second, together=fault == "double_together")
        elif not fault:
            chute.drop(part)
            return
        elif fault == "cling":
            self._edge.hold(part)
        elif fault == "lodge":
            chute.drop_lodging(part)
        elif fault == "beside":
            chute.drop_beside(part)
        else:
            chute.drop(part)

    # Feeding.

    def _come_under(self, pocket: int) -> None:
        self._open = pocket
        self._await_feed()

    def _leave(self, pocket: int) -> None:
        if self._open == pocket:  # under a mouth as wide as the pitch the next one is there already
            self._open = None
            self._visit += 1

    def _await_feed(self) -> None:
        """The column starts to slide towards an empty pocket under the opening."""
        self._visit += 1
        if self._open is None or self._seats[self._open % self._world.pockets] is not None:
            return
        feed_us = int(self._world.feed_us * self._part.feed_share)
        self._agenda.at(self._agenda.now_us + feed_us, self._feed, self._visit)

    def _feed(self, visit: int) -> None:
        """The column has moved by one part, if the pocket is still there and parts are free."""
        pocket, ledger = self._open, self._ledger
        if visit != self._visit or pocket is None or self._hanging or not ledger.in_magazine:
            return
        part, self._part = self._part, self._supply.take()
        fault = self._fault_of(part.luck) if part.luck < self._worn_rate() else ""
        if fault == "empty":
            ledger.mishaps["empty"] += 1
            self._log.add(self._agenda.now_us, f"pocket {pocket} stays empty")
            return
        if fault == "train":
            ledger.mishaps["train"] += 1
            self._hanging = True
            self._log.add(self._agenda.now_us, "a train hangs")
            return
        second = None
        if fault in ("double", "double_together") and ledger.in_magazine > 1:
            ledger.mishaps[fault] += 1
            second = self._supply.take()
        moved = 1 if second is None else 2
        ledger.in_magazine -= moved
        ledger.in_pockets += moved
        self.pieces += moved
        self._seat(pocket, part, second, fault)
        if ledger.in_magazine <= self._world.low_level:
            self._tell_level()

    def _worn_rate(self) -> float:
        """Probability of any fault for the part being fed."""
        return self._any_rate * self._wear()

    def _wear(self) -> float:
        return 1 + self._mix.wear_gain * (self.pieces / self._world.rated_pieces) ** 2

    def _fault_of(self, luck: float) -> str:
        """Which fault a luck below the total rate means."""
        below = luck / self._wear()
        for name, rate in self._rates:
            if below < rate:
                return name
            below -= rate
        return self._rates[-1][0]

    def _seat(self, pocket: int, part: Part, second: Part | None, fault: str) -> None:
        world = self._world
        worn = world.wear_shift_pockets * self.pieces / world.rated_pieces
        limit = world.release_limit_pockets
        scatter = min(max(part.scatter_pockets + worn, -limit), limit)
        seat = Seat(part, second, fault, scatter * world.steps_per_pocket)
        self._seats[pocket % world.pockets] = seat

    def _scatter(self, pocket: int) -> float:
        seat = self._seats[pocket % self._world.pockets]
        return seat.scatter_steps if seat else 0.0

    def _holds(self, pocket: int) -> bool:
        return self._seats[pocket % self._world.pockets] is not None

    def _tell_level(self) -> None:
        if self._world.low_sensor:
            self.level_changed(self._ledger.in_magazine > self._world.low_level)

    # Trains and jams.

    def rest(self, direction: int, start: float, end: float, fastest_steps_s: float) -> None:
        """A move from travel `start` to `end` is over: it may have shaken something loose."""
        self._edge.rest()
        world = self._world
        back_pockets = (start - end) / world.steps_per_pocket
        shaken = direction != self._last_direction and abs(back_pockets) >= world.shake_pockets
        self._last_direction = direction
        if self._hanging and shaken and self._chance.random() < self._mix.train_yield:
            self._feed_again()
        if self._jammed is None or back_pockets < world.free_back_pockets:
            return
        slow = fastest_steps_s <= CREEP_ALLOWANCE * world.creep_steps_s
        if slow and self._chance.random() < self._mix.jam_yield:
            seat = self._seats[self._jammed % world.pockets]
            if seat:
                self._heal(self._jammed, seat)
            self._free()

    def _feed_again(self) -> None:
        self._hanging = False
        self._log.add(self._agenda.now_us, "the train comes loose")
        self._await_feed()

    def _free(self) -> None:
        self._log.add(self._agenda.now_us, f"pocket {self._jammed} is free")
        self._jammed = None
        self._drive.barrier = None

    def _heal(self, pocket: int, seat: Seat) -> None:
        """The part in that pocket is an ordinary one from now on."""
        self._seats[pocket % self._world.pockets] = seat._replace(fault="")

    def _take_out(self, pocket: int) -> None:
        number = pocket % self._world.pockets
        seat, self._seats[number] = self._seats[number], None
        if seat is not None:
            parts = 1 if seat.second is None else 2
            self._ledger.in_pockets -= parts
            self._ledger.removed += parts
