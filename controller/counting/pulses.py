"""Pulses: beam edges put together into one pulse for each part.

Theory of operation
-------------------
The beam goes dark when a part enters it and clear when the part has left.  Between the two the
light may come back for a moment, through the hole of a nut or because an edge chatters: a clear
gap no longer than the merge gap belongs to the same pulse.  So a pulse is over, and can be
judged, only when the merge gap has passed after its last edge; `deadline_us` says when that is.

    beam    ___#####__####_______________   dark #, clear _
    pulse      |<- span ->|<- merge ->|     start and end; closed here

The longest stretch for which the beam was dark tells a part from a disturbance: a part has at
least one wall that takes its time to pass, and spikes, however many fall close together, have
none (clear gaps no longer than chatter do not end a stretch).  The span tells one part from two.
Nothing is thrown away: too short and too long pulses are handed on with their verdict.

Edges may be missing, because every board's edge buffer can overflow (the board reports that on
its own).  A level that repeats changes nothing, so that a lost "clear" makes one pulse too long
to be good instead of two that look sound.  Time stamps that run backwards are held.
"""

from controller.counting.tally import GOOD, LONG, SHORT

# Pulses not yet taken; the firmware takes them at every poll, so this many mean it has hung.
WAITING_MAX = 64


class PulseReader:
    """Turns edges into pulses, by `controller.counting.windows.Windows` (us)."""

    def __init__(self, windows):
        self._windows = windows
        self._closed = []
        self.lost = 0  # pulses dropped because nobody took them
        self.open_since_us = None  # start of the pulse under way: dark, or inside its merge gap
        self.blocked_since_us = None  # since when the beam is dark without a break
        self._end_us = 0  # when the pulse under way was last seen clear
        self._stretch_us = 0  # dark time of its last stretch, as far as that is over
        self._dark_us = 0  # dark time of its longest stretch
        self._last_us = None  # time stamp of the last edge

    def feed(self, time_us, blocked):
        """Take the next edge. Edges come in order; `blocked` is the level after it."""
        if self._last_us is not None and time_us < self._last_us:
            time_us = self._last_us
        self._last_us = time_us
        if blocked:
            self._darken(time_us)
        else:
            self._clear(time_us)

    def poll(self, now_us):
        """Close the pulse under way if its merge gap is over. Feed all edges up to now first."""
        deadline_us = self.deadline_us()
        if deadline_us is not None and now_us >= deadline_us:
            self._close()

    def deadline_us(self):
        """Return when `poll` would close the pulse under way, or None while there is none."""
        if self.open_since_us is None or self.blocked_since_us is not None:
            return None
        return self._end_us + self._windows.merge_us + 1

    def take(self):
        """Return the closed pulses, oldest first: (start_us, end_us, dark_us, verdict)."""
        taken = self._closed
        self._closed = []
        return taken

    def _darken(self, time_us):
        if self.blocked_since_us is not None:
            return
        self.poll(time_us)
        # Chatter without end would keep one pulse open for ever; as a part it would be stuck.
        since_us = self.open_since_us
        if since_us is not None and time_us - since_us > self._windows.stuck_us:
            self._close()
        if self.open_since_us is None:
            self.open_since_us = time_us
            self._dark_us = self._stretch_us = 0
        elif time_us - self._end_us > self._windows.bounce_us:
            self._stretch_us = 0
        self.blocked_since_us = time_us

    def _clear(self, time_us):
        if self.blocked_since_us is None:
            return
        self._stretch_us += time_us - self.blocked_since_us
        self._dark_us = max(self._dark_us, self._stretch_us)
        self.blocked_since_us = None
        self._end_us = time_us

    def _close(self):
        windows = self._windows
        start_us = self.open_since_us
        assert start_us is not None
        verdict = GOOD
        if self._dark_us < windows.shortest_us:
            verdict = SHORT
        elif self._end_us - start_us > windows.longest_us:
            verdict = LONG
        self._closed.append((start_us, self._end_us, self._dark_us, verdict))
        self.open_since_us = None
        if len(self._closed) > WAITING_MAX:
            self._closed.pop(0)
            self.lost += 1
