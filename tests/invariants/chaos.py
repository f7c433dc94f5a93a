"""A board on which nothing can be believed, with a wheel that really turns.

Theory of operation
-------------------
The firmware runs in process, and behind its ports is this: a wheel that follows the pulses in
virtual time until it stalls, a beam that says what chance wants, a beam test that may be answered
with a lie, index edges that come, stay away or come from nowhere, a stall input with a mind of its
own, a guard and a bag that come and go, and polls that are late.  A host keeps the unit in service
and orders parts.

Whenever the wheel goes over release edges, and whenever a move forward begins, the board asks its
own account (`wheel`) whether so many may be sent; what may not be is noted in `broken`.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from random import Random
from typing import Any

from controller.board import lockstep, ports
from controller.record import events
from hostsim.config import ModuleConfig
from hostsim.engine import InProcess, Reply, Scene
from hostsim.plant.steps import StepTrain, TrainReader
from hostsim.store import SimStore
from tests.invariants.darkness import AHEAD_US, PART_US, Darkness
from tests.invariants.wheel import Account, Wheel

TICKS_PER_US = 5
IN_FLIGHT_STEPS = 64  # what the contract of the Drive port promises on an amend
COAST = Fraction(1, 4)  # of a pocket: what friction leaves of it when the wheel is cut at cruise
ALL_READY = ports.GUARD_CLOSED | ports.MAGAZINE_OK | ports.RECEIVER_READY | ports.DRIVE_HEALTHY
LEVELS = {
    "guard": ports.GUARD_CLOSED,
    "bag": ports.RECEIVER_READY,
    "driver": ports.DRIVE_HEALTHY,
}
ONWARDS = {2: "RES", 4: "STAR", 5: "UNS", 9: "CLE", 11: "UNH", 17: "RES"}
EXECUTE = 6
WAITING = 7  # state of a request: for help


@dataclass(frozen=True)
class Chaos:
    """How bad it is. Shares are of 1; rates are per second."""

    part: float = 1.0  # share of pockets that let a part go
    trash: float = 0.0  # rate of dark spells of any length
    blips: float = 0.0  # rate of short ones
    ghosts: float = 0.0  # rate of clean pulses that no pocket has caused
    lies: float = 0.0  # share of beam tests that are not answered
    stalls: float = 0.0  # share of moves in which the wheel stops following
    blind: float = 0.0  # share of stalls that the stall input does not report
    false_stalls: float = 0.0  # share of moves with a stall reported from nowhere
    index_lost: float = 0.0  # share of index edges that are not seen
    index_ghosts: float = 0.0  # rate of index edges from nowhere
    guard: float = 0.0  # rates at which a level goes away for a while
    bag: float = 0.0
    driver: float = 0.0
    late_us: int = 0  # polls come up to so late
    most: int = 30  # quantity of a request


class ChaosBoard:
    """The board, its world and its host. `run` goes on until time is up; `broken` says the rest."""

    def __init__(self, config: ModuleConfig, chaos: Chaos, seed: int) -> None:
        settings = config.settings
        self.chance = Random(seed)
        self.chaos = chaos
        self.now_us = 0
        self.broken: list[str] = []
        self.account: Account | None = None
        self.closed = 0  # requests
        self.most_unhelped = 0  # pockets passed without help, in any request
        self.wheel = Wheel.of(config, self.chance)
        self.beam = Darkness()
        # Where evidence of the wheel's place comes from nowhere, its place is anybody's guess. A
        # run then spans as many pitches as it should, but may begin and end at the wrong angle.
        self._fitted = bool(settings.sprocket_index)
        unsure = chaos.index_lost > 0 or not self._fitted  # parts at the beam tell the place
        self._misled = chaos.index_ghosts > 0 or (unsure and chaos.ghosts + chaos.trash > 0)
        self._cruise_steps_s = settings.limit_velocity_steps_s
        self._slow_steps_s = settings.limit_start_stop_steps_s
        self._fall_us = round((2 * settings.beam_drop_um / 9.81) ** 0.5 * 1000)

        self._reader = TrainReader()
        self._train: StepTrain | None = None  # of the running move
        self._direction = 1
        self._start_us = 0
        self._issued = 0  # pulses of the last move
        self._turned = 0  # pulses of this move that the wheel has followed
        self._follows = False
        self._stall_at = self._report_at = 0  # pulses; 0: not in this move
        self._flags = 0
        self._enabled = False

        self._levels = ALL_READY
        self._changes: list[tuple[int, int]] = []
        self._unit = 2  # its state, as last noted
        self._say = b""
        self._speak_us: int | None = 1  # when the host next says something
        self._agenda: list[tuple[int, str]] = []
        for kind in ("trash", "blips", "ghosts", "index_ghosts", *LEVELS):
            self._schedule(kind)
        self._due_us = 0
        self._engine = InProcess()
        self._carry_out(self._engine.boot(0, settings, SimStore(4_096)))

    # ---- time -------------------------------------------------------------------------------

    def run(self, until_us: int, requests: int) -> None:
        """Go on until that time, or until so many requests have closed, or something is broken."""
        while self.now_us < until_us and self.closed < requests and not self.broken:
            next_us = min(self._due_us, until_us)
            if self._agenda:
                next_us = min(next_us, self._agenda[0][0])
            if self._speak_us is not None:
                next_us = min(next_us, self._speak_us)
            if self._train:
                next_us = min(next_us, self._time_us(self._train.steps))
            late_us = self.chance.randint(0, self.chaos.late_us)
            self._advance(max(next_us, self.now_us) + late_us)
            self._round()

    def _advance(self, to_us: int) -> None:
        self._turn_until(to_us)
        parts = self.beam.pass_time(to_us)
        if self.account:
            self.account.parts += parts
        self.now_us = to_us
        while self._agenda and self._agenda[0][0] <= to_us:
            self._happen(self._agenda.pop(0)[1])
        if self._speak_us is not None and to_us >= self._speak_us:
            self._speak_us = None
            self._speak()

    def _schedule(self, kind: str) -> None:
        rate = getattr(self.chaos, kind)
        if rate:
            self._put_down(kind, round(1e6 * self.chance.expovariate(rate)))

    def _put_down(self, kind: str, after_us: int) -> None:
        self._agenda.append((self.now_us + after_us, kind))
        self._agenda.sort()

    def _happen(self, kind: str) -> None:
        chance = self.chance
        if kind not in LEVELS and kind.endswith(" back"):
            self._set_level(LEVELS[kind.removesuffix(" back")], True)
            return
        self._schedule(kind)
        ahead_us = self.now_us + AHEAD_US + chance.randint(0, 20_000)
        if kind == "trash":
            self.beam.put(ahead_us, round(10 ** chance.uniform(1, 6)))
        elif kind == "blips":
            self.beam.put(ahead_us, chance.randint(10, 500))
        elif kind == "ghosts":
            self.beam.put(ahead_us, chance.randint(*PART_US))
        elif kind == "index_ghosts":
            self._changes.append((self.now_us, ports.POCKET_INDEX))
        else:
            self._set_level(LEVELS[kind], False)
            self._put_down(kind + " back", round(10 ** chance.uniform(2, 6.5)))

    def _set_level(self, bit: int, on: bool) -> None:
        self._levels = self._levels | bit if on else self._levels & ~bit
        self._changes.append((self.now_us, ports.LEVELS_CHANGED))
        if bit == ports.GUARD_CLOSED and not on:
            self._flags |= ports.CUT
            self._stop()
        elif bit == ports.DRIVE_HEALTHY and not on and self._train:
            self._coast(self._train, self._pulses())
            self._follows = False

    # ---- wheel ------------------------------------------------------------------------------

    def _pulses(self) -> int:
        """Pulses since the last start."""
        if not self._train:
            return self._issued
        return self._train.issued((self.now_us - self._start_us) * TICKS_PER_US)

    def _time_us(self, pulses: int) -> int:
        """When so many pulses of the running move are out."""
        assert self._train
        return self._start_us - (-self._train.ticks(pulses) // TICKS_PER_US)

    def _turn_until(self, to_us: int) -> None:
        """Let the wheel follow the pulses up to that time."""
        train = self._train
        if not train:
            return
        pulses = train.issued((to_us - self._start_us) * TICKS_PER_US)
        if self._stall_at and pulses >= self._stall_at:
            self._follow(self._stall_at)
            self._follows = False
            if self.account and not self._report_at:
                self.account.lagging = True
        self._follow(pulses)
        if self._report_at and pulses >= self._report_at:
            self._flags |= ports.STALLED
        if pulses == train.steps:
            self._issued = pulses
            self._train = None

    def _follow(self, pulses: int) -> None:
        """Turn the wheel with the pulses, from one edge to the next."""
        while self._follows and pulses > self._turned:
            stop = pulses
            if self._direction > 0:
                stop = min(stop, self._turned + max(1, ceil(self.wheel.to_next_edge())))
            steps = self._direction * (stop - self._turned)
            self._turned = stop
            self._turn(Fraction(steps), self._time_us(stop))

    def _turn(self, steps: Fraction, at_us: int) -> None:
        passed, indexed = self.wheel.turn(steps)
        for _ in range(passed):
            if self.chance.random() < self.chaos.part:
                self.beam.put(at_us + self._fall_us, self.chance.randint(*PART_US))
        for _ in range(indexed):
            if self._fitted and self.chance.random() >= self.chaos.index_lost:
                self._changes.append((at_us, ports.POCKET_INDEX))
        account = self.account
        if account and passed:
            self._check(account, passed, account.may_pass(), "passed")
            account.passed += passed
            account.passed_unhelped += passed
            self.most_unhelped = max(self.most_unhelped, account.passed_unhelped)

    def _stop(self) -> None:
        """No further pulse; a wheel at speed runs on."""
        self._turn_until(self.now_us)
        train, self._issued = self._train, self._pulses()
        if train:
            self._coast(train, self._issued)
            self._train = None

    def _coast(self, train: StepTrain, pulses: int) -> None:
        rate = train.rate_steps_s(pulses)
        if self._follows and rate > self._slow_steps_s:
            energy = Fraction(round(rate), self._cruise_steps_s) ** 2
            share = Fraction(self.chance.randint(0, 100), 100)
            steps = self._direction * COAST * share * energy * self.wheel.pitch
            self._turn(steps, self.now_us)

    # ---- firmware ---------------------------------------------------------------------------

    def _round(self) -> None:
        scene = Scene(
            self.now_us,
            self._levels,
            (self._flags | (ports.RUNNING if self._train else 0), self._pulses()),
            (self.beam.blocked, 0),
            self.beam.edges,
            self._changes,
            (self._say, b""),
        )
        self.beam.edges, self._changes, self._say = [], [], b""
        self._carry_out(self._engine.round(scene))
        if self._due_us <= self.now_us:
            self.broken.append(f"{self.now_us}: deadline {self._due_us} is not in the future")

    def _carry_out(self, reply: Reply) -> None:
        self._due_us = reply.deadline_us
        for note in reply.notes:
            self._take_note(note)
        for code, argument in reply.orders:
            self._obey(code, argument)

    def _obey(self, code: int, argument: Any) -> None:
        if code == lockstep.START:
            self._start(argument)
        elif code == lockstep.AMEND:
            self._amend(argument)
        elif code == lockstep.HALT:
            self._stop()
        elif code == lockstep.ENABLE:
            self._enabled = bool(argument)
        elif code == lockstep.TEST:
            heeds = self.chance.random() >= self.chaos.lies
            if self.beam.test(self.now_us, bool(argument), heeds) and self.account:
                self.account.tested()

    def _start(self, move: Any) -> None:
        if self._train or not self._enabled:
            self.broken.append(f"{self.now_us}: a move is started while one runs, or released")
        if not self._levels & ports.GUARD_CLOSED:
            self.broken.append(f"{self.now_us}: a move is started with the guard open")
        chance, chaos = self.chance, self.chaos
        self._train = train = self._reader.read(move)
        self._direction = move.direction
        self._start_us = self.now_us
        self._turned = self._issued = self._flags = 0
        self._follows = True
        self._stall_at = self._report_at = 0
        if chance.random() < chaos.stalls:
            self._stall_at = chance.randint(1, train.steps)
            if chance.random() >= chaos.blind:
                self._report_at = self._stall_at + chance.randint(0, 50)
        elif chance.random() < chaos.false_stalls:
            self._report_at = chance.randint(1, train.steps)
        if move.direction > 0 and self.account:
            self._check_reach(self.account, train.steps)

    def _amend(self, cruise_steps: int) -> None:
        assert self._train
        if len(self._train.head) + cruise_steps < self._pulses() + IN_FLIGHT_STEPS:
            self.broken.append(f"{self.now_us}: amended where the drive can't obey")
        self._train = self._train.with_cruise(cruise_steps)

    def _check_reach(self, account: Account, steps: int) -> None:
        account.moves_since_test += 1
        if account.lagging:
            return  # index edges that stay away may yet cut it short
        # A run with the position unknown is flown: it begins too long, and is cut in time. Whether
        # it was is seen when the wheel goes over its edges.
        flown = 0 if self._engine.firmware.sprocket.known else self.wheel.pitch
        new = self.wheel.within_reach(steps - flown)
        self._check(account, new, account.may_pass(), "in reach")
        self._check(account, new, account.quantity - account.parts, "in reach for what is not seen")

    def _check(self, account: Account, pockets: int, allowed: int, what: str) -> None:
        spare = account.moves_since_test if self._misled else 0
        if pockets > max(0, allowed) + spare:
            self.broken.append(
                f"{self.now_us}: {pockets} pockets {what}, {allowed} allowed: {account}"
            )

    # ---- host -------------------------------------------------------------------------------

    def _take_note(self, note: tuple[int, int, int, int]) -> None:
        _, kind, a, b = note
        if kind == events.REQUEST_OPEN:
            self.account = Account(b)
        elif kind == events.REQUEST_CLOSED:
            self.account = None
            self.closed += 1
        elif kind == events.REQUEST_STATE and a == WAITING and self.account:
            self.account.passed_unhelped = 0
        elif kind == events.UNIT_STATE:
            self._unit = a
        at_rest = self._unit in ONWARDS or self._unit == EXECUTE
        if at_rest and kind in (events.UNIT_STATE, events.REQUEST_CLOSED):
            self._speak_us = self.now_us + self.chance.randint(1, 2_000_000)

    def _speak(self) -> None:
        """The host goes on: towards Execute, or with the next order."""
        if self._unit in ONWARDS:
            self._say += f"UNIT:COMM {ONWARDS[self._unit]}\n".encode()
            self._speak_us = self.now_us + 500_000
        elif not self.account:
            quantity = self.chance.randint(1, self.chaos.most)
            self._say += f"REQ:OPEN {self.closed + 1},{quantity}\n".encode()
