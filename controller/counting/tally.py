"""The tally: what is known of a request, as a lower and an upper bound of parts out.

Theory of operation
-------------------
Pockets bound the parts from above, the beam bounds them from below.

A pocket whose release may have happened is *open*: it may have let one part go, so it counts
in the upper bound at once.  A good pulse inside a pocket's window [release + early, release +
late] *fills* the oldest open pocket it fits: the part now counts in the lower bound too.  When
the window is over without a pulse the pocket is *silent*: nothing was seen, yet the beam might
have missed it.  Only after the beam has passed its self-test are silent pockets *proven* empty
and taken out of the upper bound.  So a dead beam can never make the firmware send more parts:
what is still owed is the quantity less the *upper* bound.

A good pulse that fits no open pocket but finds a silent or empty one is a part that clung and
fell late: it is that pocket's part.  Every other pulse is evidence that disagrees: a second
pulse for a filled pocket, one that is too long, one without any pocket.  It may be a part, so it
raises the upper bound only, and the two bounds stay apart: the bag has to be checked.  One that is
too long may hold the parts of several pockets that cling together and come off together, so that
those which are silent by then are no longer provable.  A pulse too short for a part is noise; but
where it falls into the window of a pocket that stays silent, that one is no longer provable.  While
the beam can't see, even a pocket that was proven empty may let go what clings to it: it is taken
back into the upper bound.

The numbers are the truth about the bag only as far as the faults considered go; see the
simulated module's list of fault classes for what can be told apart and what cannot.
"""

from controller.counting.misses import Misses

# Pulse verdicts (the first three come from the pulse's width, the others from its place).
GOOD, SHORT, LONG, EARLY, STRAY, LATE = range(6)
# Pocket verdicts, as events tell them. (2 is free: pockets are proven empty all at once.)
FILLED, SILENT, DOUBTFUL = 0, 1, 3

# Pockets open at one time: the late limit (below half a second) at the highest pocket rate
# settings allow; a board that meets more has lost touch and the oldest becomes doubtful.
OPEN_POCKETS_MAX = 64
# Silent pockets are given this much longer before they may be proven empty: a part that clings
# comes off within a few tenths of a second at rest (common practice), and one whose pocket has been
# made up for by then would be one too many.
LINGER_US = 500000
# Filled windows remembered, to tell a second part of one pocket from a stray.
RECENT_MAX = 8

# Columns of an open pocket.
_POCKET, _FROM, _UNTIL, _HINT, _EDGE, _RATE = range(6)


class Tally:
    """Bounds of one request; see the head of this file for the rules."""

    def __init__(self, windows):
        self._windows = windows
        self.misses = Misses()
        self.open(0)

    def open(self, quantity):
        """Begin a request of `quantity` parts with an empty bag."""
        self.quantity = quantity
        self.misses.open()
        self.lower = 0
        self.upper = 0
        self.pockets = 0  # releases opened
        self.extra = 0  # pulses that may be parts and belong to no pocket
        self.silent = 0  # pockets without a pulse, not yet proven empty
        self.empty = 0  # pockets proven empty, whose part may still cling
        self.silent_run = 0  # pockets without a pulse since the last part seen
        self._until_us = 0  # when the window of the last pocket passed is over
        self._open = []
        self._recent = []
        self.verdicts = []  # (pocket, verdict) not yet reported
        self.filled = (0, 0, 0)  # the pocket filled last, when it was at its edge, the rate there

    @property
    def owed(self):
        """Parts that may still be sent: never negative, never more than surely missing."""
        return max(0, self.quantity - self.upper)

    def settled(self, now_us):
        """True when the last part must have fallen, whether all have been seen before or not."""
        return not self._open and now_us >= self.deadline_us()

    @property
    def exact(self):
        """True when both bounds are the same: it is known how many parts are out."""
        return self.lower == self.upper

    def upper_now(self, pulse_in_progress):
        """Return the upper bound, counting a pulse under way that no open pocket explains."""
        if pulse_in_progress and not self._open and not self.silent:
            return self.upper + 1
        return self.upper

    def passed(self, pocket, first_us, last_us, creeping, edge_us=0, rate_steps_s=0):
        """A release edge was passed between these times: the pocket may have let its part go.

        At the creep rate the part has longer to make up its mind, so the window is wider.  Edge and
        rate (0: unknown) are kept for `filled`.
        """
        windows = self._windows
        from_us = first_us + (windows.creep_early_us if creeping else windows.early_us)
        until_us = last_us + (windows.creep_late_us if creeping else windows.late_us)
        if len(self._open) >= OPEN_POCKETS_MAX:
            oldest = self._open.pop(0)
            self._report(oldest[_POCKET], DOUBTFUL)
        self._open.append([pocket, from_us, until_us, False, edge_us, rate_steps_s])
        self._until_us = max(self._until_us, until_us)
        self.pockets += 1
        self.upper += 1

    def pulse(self, start_us, verdict):
        """Take one pulse with its verdict by width; return its verdict by place as well.

        Pulses come in order of time, so a window that was over before this one is over for good.
        """
        self.expire(start_us)
        if verdict == SHORT:
            self._hint(start_us)
            return SHORT
        if verdict == LONG:  # one part or more
            if not self._fill(start_us, DOUBTFUL):
                self._doubt()
            self._doubt()
            self._overlaid(start_us)
            return LONG
        if self._fill(start_us, FILLED):
            return GOOD
        if self.silent:
            self.silent -= 1
            self.misses.clung()
            self._part()
            return LATE
        if self.empty:
            self.empty -= 1
            self.misses.clung()
            self.upper += 1
            self._part()
            return LATE
        self._doubt()
        return STRAY if self._recently(start_us) or not self._open else EARLY

    def blinded(self):
        """The beam could not see for a while: open and silent pockets can't be proven empty."""
        for pocket in self._open:
            pocket[_HINT] = True
        self._unprovable()

    def lost_edges(self):
        """The board lost edges: any pocket may hide a part that was not seen."""
        self.blinded()
        self._doubt()

    def expire(self, now_us):
        """Turn open pockets whose window is over into silent ones."""
        while self._open and now_us > self._open[0][_UNTIL]:
            pocket = self._open.pop(0)
            self.silent_run += 1
            if pocket[_HINT]:
                self._report(pocket[_POCKET], DOUBTFUL)
            else:
                self.silent += 1
                self.misses.silent()
                self._report(pocket[_POCKET], SILENT)

    def deadline_us(self):
        """Return when the last part must have fallen; it may lie in the past."""
        return self._until_us + 1 + (LINGER_US if self.silent else 0)

    def prove_empty(self):
        """The beam has just passed its self-test: silent pockets were empty. Return how many."""
        proven = self.silent
        self.upper -= proven
        self.empty += proven
        self.silent = 0
        self.misses.proven()
        return proven

    def _fill(self, start_us, verdict):
        """Give the pulse to the oldest open pocket it fits; return True if there is one."""
        for place in range(len(self._open)):
            pocket = self._open[place]
            if start_us < pocket[_FROM]:
                return False
            if start_us <= pocket[_UNTIL]:
                del self._open[place]
                self.filled = (pocket[_POCKET], pocket[_EDGE], pocket[_RATE])
                self._remember(pocket[_UNTIL])
                self._report(pocket[_POCKET], verdict)
                self.misses.part()
                self._part()
                return True
        return False

    def _hint(self, start_us):
        for pocket in self._open:
            if start_us >= pocket[_FROM]:
                pocket[_HINT] = True
                return

    def _overlaid(self, start_us):
        """Parts have fallen one upon the other: any that was due by then may be among them."""
        for pocket in self._open:
            if start_us >= pocket[_FROM]:
                pocket[_HINT] = True
        self._unprovable()

    def _unprovable(self):
        """Silent pockets may have let go unseen, and those proven empty what clung to them."""
        self.silent = 0
        self.upper += self.empty
        self.empty = 0
        self.misses.blinded()

    def _part(self):
        self.lower += 1
        self.silent_run = 0

    def _doubt(self):
        self.upper += 1
        self.extra += 1

    def _remember(self, until_us):
        self._recent.append(until_us)
        if len(self._recent) > RECENT_MAX:
            self._recent.pop(0)

    def _recently(self, start_us):
        return any(start_us <= until_us for until_us in self._recent)

    def _report(self, pocket, verdict):
        self.verdicts.append((pocket, verdict))

    def take_verdicts(self):
        """Return and forget the pocket verdicts since the last call (bounded by pockets passed)."""
        taken = self.verdicts
        self.verdicts = []
        return taken
