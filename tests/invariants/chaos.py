"""A board on which nothing can be believed, with a wheel that really turns.

Theory of operation
-------------------
The firmware is handed the lock-step ports, and behind them is this: a wheel that follows the pulses
in virtual time until it stalls, a beam that says what chance wants, a beam test that may be
answered with a lie, index edges that come, stay away or come from nowhere, a stall input with a
mind of its own, a guard and a bag that come and go, and polls that are late.  A host keeps the unit
in service and orders parts.

What is certain, and all that the board keeps account of:

    passed      release edges the wheel has really gone over for the first time (exact fractions)
    parts       pulses that every rule of the trade takes for one part: clean, of middling
                length, with nothing near them
    tested      when the beam test was last answered as it should be

From these follows how many pockets may still be sent, without a look at what the firmware thinks:
a pocket that was passed before a good test and left no pulse was empty; every other pocket and
every part counts as out.
"""

from dataclasses import dataclass, field
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

TICKS_PER_US = 5
IN_FLIGHT_STEPS = 64  # what the contract of the Drive port promises on an amend
PART_US = (7_000, 10_000)  # any of the shipped parts may take so long to pass the beam
ALONE_US = 40_000  # further apart than anything that might be taken for one pulse
SCATTER = Fraction(4, 100)  # of a pocket, either way: release angles of real parts
COAST = Fraction(1, 4)  # of a pocket: what friction leaves of it when the wheel is cut at cruise
ALL_READY = ports.GUARD_CLOSED | ports.MAGAZINE_OK | ports.RECEIVER_READY | ports.DRIVE_HEALTHY
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


@dataclass
class Account:
    """What is certain about the open request."""

    quantity: int
    passed: int = 0
    passed_at_test: int = 0
    parts: int = 0
    parts_at_test: int = 0
    moves_since_test: int = 0
    passed_unhelped: int = 0  # since it was opened, or last waited for help

    def tested(self) -> None:
        """The beam has just proved that it sees."""
        self.passed_at_test = self.passed
        self.parts_at_test = self.parts
        self.moves_since_test = 0

    def may_pass(self) -> int:
        """How many more pockets may be passed."""
        out = self.parts_at_test + self.passed - self.passed_at_test
        return self.quantity - max(out, 0)


@dataclass
class Wheel:
    """Rotor and sprocket, in exact steps. `pitch` steps are a pocket."""

    pitch: Fraction
    lash: Fraction
    chance: Random
    rotor: Fraction = Fraction(0)
    place: Fraction = Fraction(0)
    furthest: int = 0  # last release edge it has gone over
    edges: dict[int, Fraction] = field(default_factory=dict)

    def edge(self, pocket: int) -> Fraction:
        """Where that pocket lets go."""
        if pocket not in self.edges:
            off = SCATTER * self.chance.randint(-100, 100) / 100
            self.edges[pocket] = (pocket - Fraction(1, 2) + off) * self.pitch
        return self.edges[pocket]

    def turn(self, steps: Fraction) -> int:
        """Turn the rotor; return how many new release edges the sprocket goes over."""
        self.rotor += steps
        self.place = min(max(self.place, self.rotor), self.rotor + self.lash)
        return self._go_over(self.place)

    def within_reach(self, steps: Fraction) -> int:
        """How many new release edges a turn forward by `steps` may go over."""
        reach = max(self.place, self.rotor + steps)
        count = 0
        while self.edge(self.furthest + count + 1) <= reach:
            count += 1
        return count

    def _go_over(self, place: Fraction) -> int:
        before = self.furthest
        while self.edge(self.furthest + 1) <= place:
            self.furthest += 1
        return self.furthest - before


class ChaosBoard:
    """The board, its world and its host. `run` goes on until time is up; `broken` says the rest."""

    def __init__(self, config: ModuleConfig, chaos: Chaos, seed: int) -> None:
        self.chance = Random(seed)
        self.chaos = chaos
        self.now_us = 0
        self.broken: list[str] = []
        self.account: Account | None = None
        self.requests = 0
        self.rounds = 0
        self.most_unhelped = 0  # pockets passed without help, in any request
        settings = config.settings
        ratio = Fraction(settings.motor_full_steps * settings.motor_microsteps)
        for driver, driven in settings.gear_stages:
            ratio *= Fraction(driven, driver)
        pitch = ratio / settings.sprocket_pockets
        lash = settings.sprocket_lash_mdeg * ratio / 360_000
        self.wheel = Wheel(pitch, lash * self.chance.randint(50, 100) / 100, self.chance)
        start = pitch * self.chance.choice((0, self.chance.randint(-499, 499))) / 1000
        self.wheel.rotor = self.wheel.place = start
        self.wheel.turn(Fraction(0))
        half_pitch_mdeg = Fraction(180_000, settings.sprocket_pockets)
        release_mdeg = Fraction(settings.sprocket_release_mdeg or half_pitch_mdeg)
        self._index_ahead = release_mdeg / half_pitch_mdeg * pitch / 2  # of the release edge
        self._fitted = bool(settings.sprocket_index)
        self._indexed = 0  # last pocket whose index edge has gone by
        while self._next_index() <= start:
            self._indexed += 1
        self._cruise_steps_s = settings.limit_velocity_steps_s
        self._slow_steps_s = settings.limit_start_stop_steps_s
        self._fall_us = round((2 * settings.beam_drop_um / 9.81) ** 0.5 * 1000)
        # Where evidence of the wheel's place comes from nowhere, its place is anybody's guess. A
        # run then spans as many pitches as it should, but may begin and end at the wrong angle.
        unsure = chaos.index_lost > 0 or not self._fitted  # parts at the beam tell the place
        self._misled = chaos.index_ghosts > 0 or (unsure and chaos.ghosts + chaos.trash > 0)

        self._reader = TrainReader()
        self._train: StepTrain | None = None  # of the running move
        self._direction = 1
        self._start_us = 0
        self._issued = 0  # of the last move
        self._turned = 0  # pulses of this move that the wheel has followed
        self._follows = False
        self._stall_at = self._report_at = 0  # pulses; 0: not in this move
        self._flags = 0
        self._enabled = False

        self._levels = ALL_READY
        self._shades: list[tuple[int, int]] = []  # dark spells to come or under way, by start
        self._spell = (0, 0)  # the present or last dark spell
        self._last_edge_us = -ALONE_US
        self._emitter_dark = self._answers = False
        self._blocked = 0
        self._touched_us = 0  # when the test output was last switched
        self._edges: list[tuple[int, int]] = []
        self._changes: list[tuple[int, int]] = []
        self._say = b""
        self._unit = 2
        self._say_at_us = 1
        self._events: list[tuple[int, str]] = []
        for kind in ("trash", "blips", "ghosts", "index_ghosts", "guard", "bag", "driver"):
            self._schedule(kind)

        self._engine = InProcess()
        self._carry_out(self._engine.boot(0, settings, SimStore()))

    # ---- time -------------------------------------------------------------------------------

    def run(self, until_us: int, requests: int) -> None:
        """Go on for so long, or until so many requests have closed."""
        while self.now_us < until_us and self.requests <= requests and not self.broken:
            self._advance(self._next_us(until_us))
            self._round()

    def _next_us(self, until_us: int) -> int:
        """When the firmware goes round next."""
        late_us = self.chance.randint(0, self.chaos.late_us)
        next_us = min(self._due_us, until_us, self._events[0][0] if self._events else until_us)
        if self._say_at_us:
            next_us = min(next_us, self._say_at_us)
        if self._train:
            next_us = min(next_us, self._end_us())
        return max(next_us, self.now_us) + late_us

    def _end_us(self) -> int:
        assert self._train
        return self._start_us - (-self._train.ticks(self._train.steps) // TICKS_PER_US)

    def _advance(self, to_us: int) -> None:
        self._turn_until(to_us)
        self._shine_until(to_us)
        self.now_us = to_us
        while self._events and self._events[0][0] <= to_us:
            self._happen(self._events.pop(0)[1])
        if self._say_at_us and to_us >= self._say_at_us:
            self._say_at_us = 0
            self._speak()

    def _schedule(self, kind: str, after_us: int = 0) -> None:
        rate = getattr(self.chaos, kind)
        if rate:
            at_us = self.now_us + after_us + round(1e6 * self.chance.expovariate(rate))
            self._events.append((at_us, kind))
            self._events.sort()

    def _happen(self, kind: str) -> None:
        chance = self.chance
        bits = {
            "guard": ports.GUARD_CLOSED,
            "bag": ports.RECEIVER_READY,
            "driver": ports.DRIVE_HEALTHY,
        }
        if kind.endswith(" back"):
            self._set_level(bits[kind.removesuffix(" back")], True)
            return
        self._schedule(kind)
        ahead_us = self.now_us + 60_000 + chance.randint(0, 20_000)
        if kind == "trash":
            self._shade(ahead_us, round(10 ** chance.uniform(1, 6)))
        elif kind == "blips":
            self._shade(ahead_us, chance.randint(10, 500))
        elif kind == "ghosts":
            self._shade(ahead_us, chance.randint(*PART_US))
        elif kind == "index_ghosts":
            self._changes.append((self.now_us, ports.POCKET_INDEX))
        else:
            self._set_level(bits[kind], False)
            back_us = self.now_us + round(10 ** chance.uniform(2, 6.5))
            self._events.append((back_us, kind + " back"))
            self._events.sort()

    def _set_level(self, bit: int, on: bool) -> None:
        self._levels = self._levels | bit if on else self._levels & ~bit
        self._changes.append((self.now_us, ports.LEVELS_CHANGED))
        if bit == ports.GUARD_CLOSED and not on:
            self._flags |= ports.CUT
            self._stop(self.now_us)
        elif bit == ports.DRIVE_HEALTHY and not on and self._train:
            self._let_coast(self._train.issued((self.now_us - self._start_us) * TICKS_PER_US))
            self._follows = False

    # ---- wheel ------------------------------------------------------------------------------

    def _turn_until(self, to_us: int) -> None:
        """Let the wheel follow the pulses up to that time."""
        if not self._train:
            return
        issued = self._train.issued((to_us - self._start_us) * TICKS_PER_US)
        if self._stall_at and issued >= self._stall_at:
            self._follow(self._stall_at)
            self._follows = False
        self._follow(issued)
        if self._report_at and issued >= self._report_at:
            self._flags |= ports.STALLED
        if issued == self._train.steps:
            self._issued = issued
            self._train = None

    def _follow(self, issued: int) -> None:
        """Turn the wheel with the pulses, from one place of interest to the next."""
        assert self._train
        while self._follows and issued > self._turned:
            stop = issued
            if self._direction > 0:
                ahead = min(self._next_index(), self.wheel.edge(self.wheel.furthest + 1))
                stop = min(stop, self._turned + max(1, ceil(ahead - self.wheel.rotor)))
            at_us = self._start_us - (-self._train.ticks(stop) // TICKS_PER_US)
            steps = self._direction * (stop - self._turned)
            self._turned = stop
            self._turn(Fraction(steps), at_us)

    def _turn(self, steps: Fraction, at_us: int) -> None:
        passed = self.wheel.turn(steps)
        for _ in range(passed):
            if self.chance.random() < self.chaos.part:
                self._shade(at_us + self._fall_us, self.chance.randint(*PART_US))
        if self.account and passed:
            self._check(passed, self.account.may_pass(), "passed")
            self.account.passed += passed
            self.account.passed_unhelped += passed
            self.most_unhelped = max(self.most_unhelped, self.account.passed_unhelped)
        while self._next_index() <= self.wheel.place:
            self._indexed += 1
            if self._fitted and self.chance.random() >= self.chaos.index_lost:
                self._changes.append((at_us, ports.POCKET_INDEX))

    def _next_index(self) -> Fraction:
        """Where the next index edge lies."""
        return self.wheel.pitch * (self._indexed + Fraction(1, 2)) - self._index_ahead

    def _stop(self, at_us: int) -> None:
        """No further pulse; a wheel at speed runs on."""
        if not self._train:
            return
        self._turn_until(at_us)
        if self._train:
            self._issued = self._train.issued((at_us - self._start_us) * TICKS_PER_US)
            self._let_coast(self._issued)
            self._train = None

    def _let_coast(self, issued: int) -> None:
        assert self._train
        rate = self._train.rate_steps_s(issued)
        if self._follows and rate > self._slow_steps_s:
            energy = Fraction(round(rate), self._cruise_steps_s) ** 2
            share = Fraction(self.chance.randint(0, 100), 100)
            steps = self._direction * COAST * share * energy * self.wheel.pitch
            self._turn(Fraction(steps), self.now_us)

    # ---- beam -------------------------------------------------------------------------------

    def _shade(self, start_us: int, lasts_us: int) -> None:
        """Darken the beam for a while; spells that touch become one."""
        end_us = start_us + lasts_us
        keep = []
        for spell in self._shades:
            if spell[1] < start_us or spell[0] > end_us:
                keep.append(spell)
            else:
                start_us, end_us = min(start_us, spell[0]), max(end_us, spell[1])
        self._shades = sorted([*keep, (start_us, end_us)])

    def _shine_until(self, to_us: int) -> None:
        while self._shades and self._shades[0][0] <= to_us:
            start_us, end_us = self._shades[0]
            if self._spell[0] != start_us:
                self._show(start_us, True)
                self._spell = (start_us, end_us)
            if end_us > to_us:
                return
            self._shades.pop(0)
            self._show(end_us, False)
            self._judge(start_us, end_us)
            self._last_edge_us = end_us

    def _judge(self, start_us: int, end_us: int) -> None:
        """Count the spell that has just ended if it is a part beyond doubt."""
        alone = start_us - self._last_edge_us > ALONE_US
        if self._shades and self._shades[0][0] < end_us + ALONE_US:
            alone = False
        tested = self._emitter_dark or self._touched_us > start_us - ALONE_US
        middling = PART_US[0] <= end_us - start_us <= PART_US[1]
        if self.account and alone and middling and not tested:
            self.account.parts += 1

    def _show(self, at_us: int, dark: bool) -> None:
        blocked = 1 if dark or (self._emitter_dark and self._answers) else 0
        if blocked != self._blocked:
            self._blocked = blocked
            self._edges.append((at_us, blocked))

    def _is_dark(self) -> bool:
        return bool(self._shades) and self._shades[0][0] <= self.now_us

    # ---- firmware ---------------------------------------------------------------------------

    def _round(self) -> None:
        flags = self._flags | (ports.RUNNING if self._train else 0)
        scene = Scene(
            self.now_us,
            self._levels,
            (flags, self._pulses()),
            (self._blocked, 0),
            self._edges,
            self._changes,
            (self._say, b""),
        )
        self._edges, self._changes, self._say = [], [], b""
        self.rounds += 1
        self._carry_out(self._engine.round(scene))
        if self._due_us <= self.now_us:
            self.broken.append(f"{self.now_us}: deadline {self._due_us} is not in the future")

    def _pulses(self) -> int:
        """Pulses since the last start."""
        if not self._train:
            return self._issued
        return self._train.issued((self.now_us - self._start_us) * TICKS_PER_US)

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
            assert self._train
            if len(self._train.head) + argument < self._pulses() + IN_FLIGHT_STEPS:
                self.broken.append(f"{self.now_us}: amended where the drive can't obey")
            self._train = self._train.with_cruise(argument)
        elif code == lockstep.HALT:
            self._stop(self.now_us)
        elif code == lockstep.ENABLE:
            self._enabled = bool(argument)
        elif code == lockstep.TEST:
            self._touched_us = self.now_us
            if argument:
                self._answers = self.chance.random() >= self.chaos.lies
            elif self.account and self._answers and self._emitter_dark:
                self.account.tested()
            self._emitter_dark = bool(argument)
            self._show(self.now_us + 30, self._is_dark())

    def _start(self, move: Any) -> None:
        if self._train or not self._enabled:
            self.broken.append(f"{self.now_us}: a move is started while one runs, or released")
        if not self._levels & ports.GUARD_CLOSED:
            self.broken.append(f"{self.now_us}: a move is started with the guard open")
        chance, chaos = self.chance, self.chaos
        self._train = self._reader.read(move)
        self._direction = move.direction
        self._start_us = self.now_us
        self._turned = self._issued = 0
        self._flags = 0
        self._follows = True
        self._stall_at = self._report_at = 0
        if chance.random() < chaos.stalls:
            self._stall_at = chance.randint(1, self._train.steps)
            if chance.random() >= chaos.blind:
                self._report_at = self._stall_at + chance.randint(0, 50)
        elif chance.random() < chaos.false_stalls:
            self._report_at = chance.randint(1, self._train.steps)
        if move.direction > 0 and self.account:
            self._check_reach(self.account, self._train.steps)

    def _check_reach(self, account: Account, steps: int) -> None:
        account.moves_since_test += 1
        # A run with the position unknown is flown: it begins too long, and is cut in time. Whether
        # it was is seen when the wheel goes over its edges.
        flown = 0 if self._engine.firmware.sprocket.known else self.wheel.pitch
        new = self.wheel.within_reach(steps - flown)
        self._check(new, account.may_pass(), "in reach of a move")
        self._check(new, account.quantity - account.parts, "in reach, so many parts having been seen")

    def _check(self, pockets: int, allowed: int, what: str) -> None:
        account = self.account
        assert account
        spare = account.moves_since_test if self._misled else 0
        if pockets > max(0, allowed) + spare:
            self.broken.append(f"{self.now_us}: {pockets} pockets {what}, {allowed} allowed: {account}")

    def _take_note(self, note: tuple[int, int, int, int]) -> None:
        _, kind, a, b = note
        if kind == events.REQUEST_OPEN:
            self.account = Account(b)
        elif kind == events.REQUEST_CLOSED:
            self.account = None
            self.requests += 1
        elif kind == events.REQUEST_STATE and a == WAITING and self.account:
            self.account.passed_unhelped = 0
        elif kind == events.UNIT_STATE:
            self._unit = a
        if kind in (events.UNIT_STATE, events.REQUEST_CLOSED) and (
            self._unit in ONWARDS or self._unit == EXECUTE
        ):
            self._say_at_us = self.now_us + self.chance.randint(1, 2_000_000)

    def _speak(self) -> None:
        """The host goes on: towards Execute, or with the next order."""
        if self._unit in ONWARDS:
            self._say += f"UNIT:COMM {ONWARDS[self._unit]}\n".encode()
            self._say_at_us = self.now_us + 500_000
        elif not self.account:
            quantity = self.chance.randint(1, self.chaos.most)
            self._say += f"REQ:OPEN {self.requests + 1},{quantity}\n".encode()
