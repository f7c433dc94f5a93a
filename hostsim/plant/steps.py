"""Step trains: the motor's pulses over time, decoded from a move's words.

Theory of operation
-------------------
A move is a head of words, a cruise of equal intervals and a tail of words. A word holds a number
of steps less one in its low 12 bits and an interval in ticks of a 5 MHz clock, less the generator's
14 ticks of overhead, in its high 20 bits; each interval precedes its step. Heads and tails repeat
from move to move, so their decoded tick lists are kept; the cruise is never written out, which
makes a run over a hundred pockets as cheap as one over two.
"""

from array import array
from bisect import bisect_right
from typing import Protocol

import numpy as np

TICKS_PER_US = 5
TICKS_PER_S = 5_000_000
COUNT_BITS = 12
OVERHEAD_TICKS = 14
RAMPS_KEPT = 512  # a session uses a handful; tests with many settings must not grow for ever


class MoveWords(Protocol):
    """What the plant reads of a move (`controller.motion.words.Move`)."""

    direction: int
    head: "array[int]"
    cruise_steps: int
    cruise_ticks: int
    tail: "array[int]"


def decode(words: "array[int]") -> list[int]:
    """Ticks from the start of `words` to each of their steps."""
    raw = np.array(words, dtype=np.int64)
    counts = (raw & ((1 << COUNT_BITS) - 1)) + 1
    intervals = (raw >> COUNT_BITS) + OVERHEAD_TICKS
    ticks: list[int] = np.repeat(intervals, counts).cumsum().tolist()
    return ticks


class StepTrain:
    """When each step of one move rises. Step numbers are 1-based; ticks count from the start."""

    __slots__ = ("_flat", "_slow", "cruise_steps", "cruise_ticks", "head", "key", "steps", "tail")

    def __init__(
        self,
        head: list[int],
        cruise_steps: int,
        cruise_ticks: int,
        tail: list[int],
        key: tuple[bytes, int, bytes],
    ) -> None:
        self.head = head
        self.cruise_steps = cruise_steps
        self.cruise_ticks = cruise_ticks
        self.tail = tail
        self.key = key  # equal for trains that differ only in the length of their cruise
        self.steps = len(head) + cruise_steps + len(tail)
        self._flat = head[-1] if head else 0  # ticks at which the cruise begins
        self._slow = self._flat + cruise_steps * cruise_ticks  # and ends

    def with_cruise(self, cruise_steps: int) -> "StepTrain":
        """The same train with another number of cruise steps."""
        return StepTrain(self.head, cruise_steps, self.cruise_ticks, self.tail, self.key)

    def ticks(self, step: int) -> int:
        """Ticks to step number `step`; 0 for step 0."""
        if step <= 0:
            return 0
        head = self.head
        into_cruise = step - len(head)
        if into_cruise <= 0:
            return head[step - 1]
        if into_cruise <= self.cruise_steps:
            return self._flat + into_cruise * self.cruise_ticks
        return self._slow + self.tail[into_cruise - self.cruise_steps - 1]

    def issued(self, ticks: int) -> int:
        """Steps that have risen at `ticks`."""
        if ticks < self._flat:
            return bisect_right(self.head, ticks)
        if ticks < self._slow:
            return len(self.head) + (ticks - self._flat) // self.cruise_ticks
        risen = bisect_right(self.tail, ticks - self._slow)
        return len(self.head) + self.cruise_steps + risen

    def rate_steps_s(self, step: int) -> float:
        """Step rate at step number `step` (from the interval before it)."""
        if step <= 0:
            return 0.0
        return TICKS_PER_S / (self.ticks(step) - self.ticks(step - 1))


class TrainReader:
    """Makes step trains of moves; decodes each list of words once."""

    def __init__(self) -> None:
        self._ramps: dict[bytes, list[int]] = {}

    def read(self, move: MoveWords) -> StepTrain:
        """Decode `move`. Its arrays may change afterwards; the train does not."""
        head_key, tail_key = move.head.tobytes(), move.tail.tobytes()
        return StepTrain(
            self._ramp(head_key, move.head),
            move.cruise_steps,
            move.cruise_ticks,
            self._ramp(tail_key, move.tail),
            (head_key, move.cruise_ticks, tail_key),
        )

    def _ramp(self, key: bytes, words: "array[int]") -> list[int]:
        ticks = self._ramps.get(key)
        if ticks is None:
            if len(self._ramps) >= RAMPS_KEPT:
                self._ramps.clear()
            ticks = self._ramps[key] = decode(words)
        return ticks
