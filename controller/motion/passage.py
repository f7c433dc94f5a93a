"""The passage: which pockets the move under way brings over the edge, and by which of its steps.

Theory of operation
-------------------
A move counts its own steps, the place those of the wheel.  Between the two lie the lash, which a
move that turns round spends before the wheel follows (`lost`), and the steps by which the wheel was
seen to come after the motor since (`lag`).  Whoever asks "at which step of this move" asks here:
where a pocket lets go, where the next edge of the index sensor should come, where the wheel would
rest behind a pocket.

A move forward opens pockets up to `last`, each no later than the first step by which it may let go:
with the position known, from `spread` steps before its release edge on (`pace`); without it, at the
begin of each pitch.  The place itself stays as it was at rest until the move has ended.
"""

# The sprocket lags by more than this part of a pocket: slip, not tolerance of the index sensor.
SLIP_DIVISOR = 8
# An index edge overdue by this part of a pocket is missing.
OVERDUE_DIVISOR = 4


class Passage:
    """The pockets of the move under way, or of the last one."""

    def __init__(self, place, track):
        self._place = place
        self._track = track
        self.lost = 0  # steps spent on lash before the sprocket follows
        self.base = 0  # frontier when it began
        self.last = 0  # last pocket it may open
        self.opened = 0  # pockets it has opened with the position unknown
        self._lag = 0  # steps the sprocket lags the motor
        self._spread = 0  # as in `pace`
        self._next_index = 0  # pocket whose index edge comes next

    def begin(self, lost, last, spread):
        """A move begins that spends `lost` steps on lash and may open pockets up to `last`."""
        self.lost = lost
        self.base = self._place.frontier
        self.last = last
        self.opened = 0
        self._lag = 0
        self._spread = spread
        self._next_index = self._place.next_index()

    def end(self, issued):
        """The move has come to rest after `issued` steps."""
        travelled = max(0, issued - self.lost)
        place = self._place
        place.travel(travelled if self._track.forward else -travelled)
        if place.known:
            if self._lag:
                place.lag(self._lag)
            place.step_back(self.base)

    # ---- by which step --------------------------------------------------------------------------

    def to_rest(self, pocket):
        """Return the steps of the move that end at the dwell behind `pocket`, position known."""
        return self._place.to_rest(pocket) + self.lost

    def to_release(self, pocket):
        """Return the step of the move by which `pocket` lets go, position known."""
        return self._place.to_release(pocket) + self.lost + self._lag

    def next_release(self):
        """Return the first step of the move by which the next pocket may let go."""
        place = self._place
        if place.known:
            return self.to_release(place.frontier + 1) - self._spread
        return place.blind_steps(self.opened)

    def next_edge(self):
        """Return the step of the move by which the next index edge should come."""
        return self.to_release(self._next_index) - self._place.index_lead

    # ---- what is passed -------------------------------------------------------------------------

    def open(self, issued, opened):
        """Append to `opened` the pockets that the steps issued so far may have brought over."""
        track, place = self._track, self._place
        while place.frontier < self.last:
            step = self.next_release()
            if issued < step:
                return
            first_us = track.time_us(step)
            last_us = track.time_us(step + 2 * self._spread)
            edge_us, rate = track.passing(step + self._spread) if place.known else (0, 0)
            if not place.known:
                self.opened += 1
                last_us = track.time_us(place.slack + self.opened * place.pitch + self.lost)
            place.frontier += 1
            opened.append((place.frontier, first_us, last_us, edge_us, rate))

    def find(self, step):
        """A release edge lies at `step` of the move: number it and know the position."""
        place = self._place
        first, count = place.first_edge(step - self.lost)
        if self._track.moving:
            place.find(self.base + 1, first)
            self._next_index = self.base + count + 2
        else:
            place.find(self.base + 1, first - (self._track.move.steps - self.lost))
            place.step_back(self.base)

    def take_edge(self, time_us):
        """Take an index edge, position known; return True if it came so late that it tells slip."""
        pitch = self._place.pitch
        lag = self._track.lag_steps(time_us, self.next_edge())
        if lag < -(pitch // OVERDUE_DIVISOR):
            return False  # an edge that is not due: a dirty disc; the one that is due comes yet
        self._next_index += 1
        if lag <= pitch // SLIP_DIVISOR:
            return False
        self._lag += lag
        return True
