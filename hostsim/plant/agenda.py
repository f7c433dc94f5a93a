"""The agenda: virtual time and what is due in it.

Theory of operation
-------------------
A heap of (time_us, number, act, arg). The running number breaks ties in the order in which
events were put down, so two events of one microsecond always happen in the same order, however
the caller slices its calls of `run`. Nothing is ever taken off the heap: an event whose reason
has gone (a move that was cut short) finds that out when it is called and does nothing.
"""

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any


class Agenda:
    """Events in virtual integer microseconds."""

    def __init__(self) -> None:
        self.now_us = 0
        self.urgent = False  # set by what happens when `run` must hand control back
        self.woken = False  # whether the last `run` ended because of that
        self._heap: list[tuple[int, int, Callable[[Any], None], Any]] = []
        self._number = 0

    def at(self, time_us: int, act: Callable[[Any], None], arg: Any = None) -> None:
        """Have `act(arg)` called at `time_us`, which must not lie in the past."""
        self._number += 1
        heappush(self._heap, (time_us, self._number, act, arg))

    def run(self, until_us: int) -> int:
        """Let everything up to `until_us` happen, or up to the first urgent event.

        Something urgent that was done between two runs ends the second one at once. Returns the
        time reached, which is also the new `now_us`.
        """
        heap = self._heap
        while not self.urgent and heap and heap[0][0] <= until_us:
            self.now_us, _, act, arg = heappop(heap)
            act(arg)
        self.woken, self.urgent = self.urgent, False
        if not self.woken:
            self.now_us = max(self.now_us, until_us)
        return self.now_us
