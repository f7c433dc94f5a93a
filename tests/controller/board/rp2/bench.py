"""The step engine's drive on the bench's chip, and what its pulses should be."""

from array import array
from collections.abc import Iterator
from itertools import pairwise

from hypothesis import strategies as st

from controller.board.ports import RUNNING
from controller.board.rp2.programs import StepParts
from controller.board.rp2.steps import PioDrive
from controller.motion.words import Move, pack
from tests.controller.board.rp2.chip import CYCLES_US, Chip, Pin

CYCLES_TICK = 25  # 125 MHz, 5 MHz
PULSE_CYCLES = 250  # 2 us
ROUND_US = 500  # between two rounds of the main loop


class Bench:
    """A drive, energised, and everything around it."""

    def __init__(self, call_us: float = 1.0, with_stall: bool = True) -> None:
        self.chip = chip = Chip(call_us)
        self.step, self.direction, self.enable = Pin(chip), Pin(chip), Pin(chip)
        self.guard = Pin(chip, 1)
        self.stall = Pin(chip)
        stall = self.stall if with_stall else None
        signals = (self.step, self.direction, self.enable, self.guard, stall, 1)
        self.drive = PioDrive(StepParts(chip.rp2, 125_000_000, *signals), chip)
        self.drive.enable(True)
        self._before = self._sent_before = 0  # pulses and words of earlier moves

    def start(self, move: Move) -> None:
        self._before = len(self.chip.rises())
        self._sent_before = len(self.chip.sent)
        self.drive.start(move)

    def rises(self) -> list[int]:
        """Cycles of the pulses since the last start."""
        return self.chip.rises()[self._before :]

    def sent(self) -> int:
        """Words that have reached the queue since the last start."""
        return len(self.chip.sent) - self._sent_before

    def round(self, us: float = ROUND_US) -> int:
        """One round of a main loop, later; return the drive's flags."""
        self.chip.pass_us(us)
        self.drive.poll()
        return self.drive.status()[0]

    def finish(self) -> None:
        """Go round until the move has ended."""
        rounds = 0
        while self.round() & RUNNING:
            rounds += 1
            assert rounds < 4_000, "the move does not end"

    def check(self) -> None:
        """What must hold at any time: the rules of the data sheet, whole pulses, a true count."""
        assert not self.chip.broken
        for (rise, up), (fall, _) in pairwise(self.chip.edges):
            assert not up or fall - rise >= PULSE_CYCLES
        count = self.drive.status()[1]
        assert count == len(self.rises())


def gaps(rises: list[int]) -> list[int]:
    """Ticks from each pulse to the next."""
    assert all((later - rise) % CYCLES_TICK == 0 for rise, later in pairwise(rises))
    return [(later - rise) // CYCLES_TICK for rise, later in pairwise(rises)]


def expected(move: Move) -> list[int]:
    """The intervals of a move's steps in ticks, in order."""
    return [ticks for steps, ticks in move.pairs() for _ in range(steps)]


def check_pulses(bench: Bench, move: Move) -> None:
    """The pulses since the start are those of `move`, each in its place."""
    rises = bench.rises()
    assert len(rises) == move.steps
    assert gaps(rises) == expected(move)[1:]
    turned_at = max([cycle for cycle, _ in bench.direction.changes], default=-10_000)
    assert rises[0] - turned_at >= 5 * CYCLES_US  # DIR stands when STEP comes
    assert bench.direction.value() == (move.direction > 0)


def span(steps: int, ticks: int, spare: int = 0) -> Iterator[tuple[int, int]]:
    """Words of a ramp down to `ticks`, of one to four steps each, with `steps` in all."""
    while steps:
        taken = min(steps, 1 + steps % 4)
        yield taken, ticks + spare + 3 * steps
        steps -= taken


def ramp(steps: int, ticks: int, down: bool = False) -> array:
    words = [pack(*pair) for pair in span(steps, ticks)]
    return array("I", words[::-1] if down else words)


@st.composite
def moves(draw: st.DrawFn, most_cruise: int = 300) -> Move:
    """Moves of every make: with and without ramps, cruise of any length, either way."""
    ticks = draw(st.integers(60, 700), label="cruise ticks")
    head = ramp(draw(st.integers(0, 60), label="head"), ticks)
    tail = ramp(draw(st.integers(0, 60), label="tail"), ticks, down=True)
    cruise = draw(st.integers(0 if head or tail else 1, most_cruise), label="cruise")
    return Move(draw(st.sampled_from([1, -1])), head, cruise, ticks, tail)


def handed_over(bench: Bench, move: Move) -> int:
    """Steps of the cruise in the words that have reached the queue: six to a word."""
    return min(max(0, bench.sent() - len(move.head)) * 6, move.cruise_steps)
