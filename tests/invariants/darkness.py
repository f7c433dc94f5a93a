"""A beam that is darkened by anything, and the few dark spells that are parts beyond doubt.

Theory of operation
-------------------
Dark spells are put down some time ahead; spells that touch become one.  On top of them lies the
test output, which the beam heeds or not.  A spell counts as a part if it is of middling length and
nothing else happened near it, on the beam or at the test output: whoever counts parts must count
that one.
"""

PART_US = (7_000, 10_000)  # any of the shipped parts may take so long to pass the beam
ALONE_US = 40_000  # further apart than anything that might be taken for one pulse
AHEAD_US = 60_000  # spells are put down so early at least, so that it is known who is alone
RESPONSE_US = 30


class Darkness:
    """What the beam reads. `edges` grow until somebody takes them."""

    def __init__(self) -> None:
        self.blocked = 0
        self.edges: list[tuple[int, int]] = []
        self._spells: list[tuple[int, int]] = []  # to come or under way, by start
        self._began_us = -1  # the spell under way, or the last one
        self._last_end_us = -ALONE_US
        self._emitter_dark = False
        self._answers = False
        self._switched_us = -ALONE_US

    def put(self, start_us: int, lasts_us: int) -> None:
        """Darken the beam for a while."""
        end_us = start_us + lasts_us
        apart = []
        for spell in self._spells:
            if spell[1] < start_us or spell[0] > end_us:
                apart.append(spell)
            else:
                start_us, end_us = min(start_us, spell[0]), max(end_us, spell[1])
        self._spells = sorted([*apart, (start_us, end_us)])

    def pass_time(self, to_us: int) -> int:
        """Go on to that time; return how many parts beyond doubt have passed."""
        parts = 0
        while self._spells and self._spells[0][0] <= to_us:
            start_us, end_us = self._spells[0]
            if self._began_us != start_us:
                self._began_us = start_us
                self._show(start_us, True)
            if end_us > to_us:
                break
            self._spells.pop(0)
            self._show(end_us, False)
            parts += self._is_part(start_us, end_us)
            self._last_end_us = end_us
        return parts

    def test(self, now_us: int, on: bool, heeds: bool) -> bool:
        """Switch the test output; whether that ends a test that was answered as it should be."""
        passed = self._emitter_dark and self._answers and not on
        if on:
            self._answers = heeds
        self._emitter_dark = on
        self._switched_us = now_us
        dark = bool(self._spells) and self._spells[0][0] <= now_us
        self._show(now_us + RESPONSE_US, dark)
        return passed

    def _is_part(self, start_us: int, end_us: int) -> bool:
        alone = start_us - self._last_end_us > ALONE_US
        if self._spells and self._spells[0][0] < end_us + ALONE_US:
            alone = False
        tested = self._emitter_dark or self._switched_us > start_us - ALONE_US
        return alone and not tested and PART_US[0] <= end_us - start_us <= PART_US[1]

    def _show(self, at_us: int, dark: bool) -> None:
        blocked = 1 if dark or (self._emitter_dark and self._answers) else 0
        if blocked != self.blocked:
            self.blocked = blocked
            self.edges.append((at_us, blocked))
