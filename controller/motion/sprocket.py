"""The sprocket: where it stands, what it may have let go, and how it is moved.

Theory of operation
-------------------
Everything is measured in motor steps of the *sprocket's* position: the lash of the gear train
is added to a move when the direction changes and never to the position.  Pocket k lets its part
go at `ratio.release(k)`, midway between the dwell positions k-1 and k.

`frontier` is the furthest pocket whose release may have happened.  Going back and forth below
it opens no new pocket; going beyond it reports each one through `poll` as

    (pocket, first_us, last_us)    the release lies between these two times

so that the tally can raise its upper bound before the part can reach the beam.

The position is *known* or it is not.  It is lost by a stall, by a cut, by halting at speed and
by releasing the motor.  While it is unknown every stretch of one pitch, forward, may let one
part go, and n pitches can let go n at most: a search therefore opens a pocket at the start of
each pitch it travels.  Two kinds of evidence end a search: an edge of the pocket index sensor, or a
part seen at the beam, whose release lies one fall earlier.  A long search is flown: it runs at
full speed half a pitch further than it may, and is cut to the right dwell position as soon as
the evidence is in.  A short one creeps, one pitch at a time.

With the position known, the index sensor also tells when the wheel lags the motor: an edge that
comes late is slip, and the next run makes up for it; one that does not come is a wheel that does
not turn.
"""

from controller.board.ports import CUT, RUNNING, STALLED
from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner, creep
from controller.motion.track import Track

PPM = 1000000

# A flown search must have room to be cut: this many pitches between the last moment evidence
# may come and the point where braking has to begin.
FLYING_SPARE_PITCHES = 3
# A blind stretch stays short of whole pitches by this part of one: parts let go with some scatter,
# so a whole pitch from just before one release could reach the next.
SHY_DIVISOR = 8
# The sprocket lags by more than this part of a pocket: slip, not tolerance of the index sensor.
SLIP_DIVISOR = 8
# An index edge overdue by this part of a pocket is missing.
OVERDUE_DIVISOR = 4
# At rest there is no haste that could excuse a late edge: one missing by this part says that the
# wheel may stand before its last release edge, not behind it.
ARRIVED_DIVISOR = 32
# A wheel that is cut at speed coasts less than half a pocket, and has come to rest by then: a rotor
# and a printed wheel hold a few mJ at cruise, and friction takes that in a fraction of a turn.
COAST_US = 300000

# How a move goes on, and how it ends.
MOVING, ARRIVED, STALL, OVERDUE, CUT_OFF = range(5)


class Sprocket:
    """The wheel and its drive: runs, searches and nudges, one at a time."""

    def __init__(self, settings, drive):
        self._drive = drive
        self._track = Track(drive)
        self.ratio = PocketRatio(
            settings.motor_full_steps,
            settings.motor_microsteps,
            settings.gear_stages,
            settings.sprocket_pockets,
        )
        self._planner = Planner(
            settings.limit_velocity_steps_s,
            settings.limit_acceleration_steps_s2,
            settings.limit_jerk_steps_s3,
        )
        self._creep_steps_s = settings.limit_creep_steps_s
        self.pitch = self.ratio.of_ppm(PPM)
        self._half = self.ratio.of_ppm(PPM // 2)
        self._shy = self.pitch // SHY_DIVISOR
        self._lash = self.ratio.of_mdeg(settings.sprocket_lash_mdeg)
        self._fitted = settings.sprocket_index != 0
        self._index = self._fitted  # the index sensor is there and believed
        # Steps from an index edge to the release edge ahead of it.
        self._index_lead = self.ratio.of_mdeg(settings.sprocket_release_mdeg) or self.pitch // 2
        self.known = False
        self.position = 0  # at rest; during a move, where the move began
        self.frontier = 0
        self.corrected = 0  # steps by which the last piece of evidence moved the position
        self.creeping = False  # the move under way, or the last one, is a creep
        self.slipped = False  # the wheel was seen to lag in this move
        self.unfound = False  # the index sensor stayed silent over a stretch it must mark
        self._forward = True  # which flank of the lash is engaged
        self._slack = 0  # position unknown: steps gone back that may be gone forward again
        self._searching = False  # until evidence is in, also after the end of the move
        self._halted = []  # pockets passed up to a halt that `poll` has not yet reported
        self._coasting = False  # halted at speed, and the pocket it may coast over not yet opened
        # Of the move under way:
        self._lost = 0  # steps spent on lash before the sprocket follows
        self._base = 0  # frontier when it began
        self._last = 0  # last pocket it may open
        self._opened = 0  # pockets it has opened with the position unknown
        self._next_index = 0  # pocket whose index edge comes next
        self._lag = 0  # steps the sprocket lags the motor

    @property
    def moving(self):
        """True while a move is under way."""
        return self._track.moving

    @property
    def pending(self):
        """Pockets the move under way has still to pass."""
        return self._last - self.frontier if self.moving else 0

    @property
    def room_back(self):
        """Steps the wheel may still go back: half a pitch behind the furthest it has been.

        Further back an empty pocket comes under the magazine again; filled, it would let go a
        second part over an edge that counts as passed.
        """
        behind = self.ratio.target(self.frontier) - self.position if self.known else self._slack
        return max(0, self._half - behind)

    @property
    def index_failed(self):
        """True while the index sensor is fitted but not believed."""
        return self._fitted and not self._index

    def believe_index(self, believed):
        """Use the index sensor or do without it, as a module that has none does."""
        self._index = self._fitted and believed

    # ---- beginning a move -----------------------------------------------------------------------

    def run(self, pockets, now_us):
        """Start a run that lets `pockets` more pockets go and ends at the dwell behind them."""
        if not self.known:
            self._search(pockets, now_us)
            return
        last = self.frontier + pockets
        self._begin(self.ratio.target(last) - self.position, False, last, now_us)

    def nudge(self, steps, now_us):
        """Creep by `steps` (negative: backward), as the freeing ladder and the bench do.

        Forward with the position unknown this may open pockets: one a pitch begun.
        """
        self._begin(steps, True, self.frontier + self.pockets_ahead(steps), now_us)

    def to_dwell(self, now_us):
        """Creep to the dwell position next to where the sprocket rests, if it is not there.

        Return True when a move was begun. No release edge lies in between.
        """
        distance = self.ratio.target(self.frontier) - self.position
        if not self.known or distance == 0:
            return False
        self.nudge(distance, now_us)
        return True

    def pockets_ahead(self, steps):
        """Return how many new pockets a move by `steps` from here may let go; 0 backward."""
        if not self.known:
            count = 0
            while self._due(count) < steps:
                count += 1
            return count
        reached = self.position + steps
        count = 0
        while self.ratio.release(self.frontier + count + 1) <= reached:
            count += 1
        return count

    def _search(self, pockets, now_us):
        self._slack = 0
        distance = pockets * self.pitch + self.pitch // 2
        flown = distance > 2 * self._planner.ramp_steps + FLYING_SPARE_PITCHES * self.pitch
        if not flown:
            pockets = 1
            distance = self.pitch - self._shy
        self._begin(distance, not flown, self.frontier + pockets, now_us)
        self._searching = True

    def _begin(self, distance, creeping, last, now_us):
        """Start a move over `distance` that may open pockets up to `last`."""
        forward = distance >= 0
        self._lost = 0 if forward == self._forward else self._lash
        self._forward = forward
        self._base = self.frontier
        self._last = last
        self._opened = 0
        self._lag = 0
        self._next_index = self._index_after(self.position)
        self._searching = False
        self.creeping = creeping
        self.slipped = False
        self.unfound = False
        steps = abs(distance) + self._lost
        direction = 1 if forward else -1
        if creeping:
            move = creep(steps, direction, self._creep_steps_s)
        else:
            move = self._planner.move(steps, direction)
        self._track.begin(move, now_us)

    def _index_after(self, position):
        """Return the pocket whose index edge comes next when going forward from `position`."""
        pocket = self.frontier
        while self.ratio.release(pocket) - self._index_lead <= position:
            pocket += 1
        return pocket

    # ---- following a move -----------------------------------------------------------------------

    def poll(self, now_us, opened):
        """Follow the move; append newly opened pockets to `opened`; return how it goes on.

        MOVING also stands for "at rest, nothing to report" when no move is under way.
        """
        if not self.moving:
            self._report_halt(now_us, opened)
            return MOVING
        flags, issued = self._drive.status()
        if self._track.forward:
            self._open(issued, opened)
        if flags & (STALLED | CUT):
            return self._break_off(CUT_OFF if flags & CUT else STALL, now_us, opened)
        if not flags & RUNNING:
            if self._overdue(issued, ARRIVED_DIVISOR):
                self.slipped = True
                self.known = False
            self._arrive(issued)
            return ARRIVED
        if self._overdue(issued, OVERDUE_DIVISOR):
            return self._break_off(OVERDUE, now_us, opened)
        if self._searching and not self.known:
            self._search_on(issued)
        return MOVING

    def deadline_us(self):
        """Return when the move next has something to say, or None at rest."""
        if not self.moving:
            return None
        step = self._track.move.steps
        if self._track.forward and self.frontier < self._last:
            known = self.known
            step = min(step, self._offset(self.frontier + 1) if known else self._due(self._opened))
        return self._track.time_us(step) + 1

    def _open(self, issued, opened):
        """Open the pockets that the steps issued so far may have brought over the edge."""
        track = self._track
        while self.frontier < self._last:
            if self.known:
                offset = self._offset(self.frontier + 1)
                first_us = last_us = track.time_us(offset)
            else:
                offset = self._due(self._opened)
                first_us = track.time_us(offset)
                last_us = track.time_us(self._slack + (self._opened + 1) * self.pitch + self._lost)
            if issued < offset:
                return
            if not self.known:
                self._opened += 1
            self.frontier += 1
            opened.append((self.frontier, first_us, last_us))

    def _offset(self, pocket):
        """Steps of the move under way at which `pocket` lets go, position known."""
        return self.ratio.release(pocket) - self.position + self._lost + self._lag

    def _due(self, opened):
        """Steps of a move from which one more than `opened` may let go, position unknown."""
        return self._slack + (opened * self.pitch - self._shy if opened else 0)

    def _report_halt(self, now_us, opened):
        opened.extend(self._halted)
        self._halted.clear()
        if self._coasting:
            self._coasting = False
            self.frontier += 1
            opened.append((self.frontier, now_us, now_us + COAST_US))

    # ---- evidence of position -------------------------------------------------------------------

    def on_index(self, time_us):
        """Take an edge of the pocket index sensor."""
        if not self.moving or not self._track.forward or not self._index:
            return
        if not self.known:
            self._found(self._track.step_at(time_us) + self._index_lead)
            return
        expected = self._offset(self._next_index) - self._index_lead
        lag = self._track.lag_steps(time_us, expected)
        if lag < -(self.pitch // OVERDUE_DIVISOR):
            return  # an edge that is not due: a dirty disc; the one that is due comes yet
        self._next_index += 1
        if lag > self.pitch // SLIP_DIVISOR:
            self._lag += lag
            self.slipped = True

    def on_part(self, start_us, fall_us):
        """Take a part seen at the beam: without an index sensor it tells where the wheel was."""
        if self._searching and not self.known and not self._index:
            self._found(self._track.step_at(start_us - fall_us))

    def _found(self, release_step):
        """A release edge lies at `release_step` of the move: number it and know the position."""
        first = release_step - self._lost
        count = 0
        while first > self.pitch:  # bounded by the pitches of the move
            first -= self.pitch
            count += 1
        while first <= 0:
            first += self.pitch
        began = self.ratio.release(self._base + 1) - first
        self.corrected = began - self.position
        self.position = began
        self.known = True
        self._searching = False
        if self.moving:
            self._next_index = self._base + count + 2
            self._track.cut_to(self._rest_offset(self._last))
        else:
            self.position += self._track.move.steps - self._lost
            self._step_back(self.position)

    def _search_on(self, issued):
        """Break a search off where it may not go on without evidence."""
        silent = issued - self._lost - self.pitch
        if self._index and silent > self.pitch // OVERDUE_DIVISOR:
            if not self.unfound:
                self.unfound = True
                self.shorten(0)
            return
        limit = self._due(self._last - self._base)
        if self._track.move.steps > limit and self._track.earliest_end(self.pitch) > limit:
            self._track.cut_to(max(limit, self._track.earliest_end()))

    def _overdue(self, issued, divisor):
        """True if the next index edge should have been seen this part of a pocket ago."""
        if not self._index or not self.known or not self._track.forward:
            return False
        due = self._offset(self._next_index) - self._index_lead
        return issued > due + self.pitch // divisor

    # ---- ending a move --------------------------------------------------------------------------

    def shorten(self, pockets):
        """End the run after `pockets` more new pockets, or as soon after that as it can."""
        if not self.moving or not self._track.forward:
            return
        limit = self._track.earliest_end()
        last = min(self.frontier + pockets, self._last)
        if not self.known:
            end = max(limit, self._due(self._opened + pockets)) if pockets else limit
            self._last = min(self._base + self.pockets_ahead(end), self._last)
            self._track.cut_to(end)
            return
        while last < self._last and self._rest_offset(last) < limit:
            last += 1
        if last < self._last:
            self._last = last
            self._track.cut_to(self._rest_offset(last))

    def stop(self):
        """Come to rest soon: a creep where it is, a run at the next dwell position it can reach."""
        if self.creeping:
            self.stop_creep()
        else:
            self.shorten(0)

    def stop_creep(self):
        """End a creep as soon as pulses already under way are out."""
        if self.moving and self.creeping:
            self._track.cut_to(self._track.earliest_end())

    def halt(self):
        """Stop pulses at once. At speed inertia carries on, so the position is lost.

        The wheel may coast over the next release edge; `poll` opens that pocket, and what has been
        passed since it was last called.
        """
        if self.moving:
            self._track.halt()
            if self._track.forward:
                self._open(self._track.issued(), self._halted)
            self._coasting = not self.creeping and self.frontier < self._last
        self.lose()

    def lose(self):
        """Forget the position (motor released, stall, cut)."""
        self.known = False
        self._searching = False
        self._slack = 0

    def _break_off(self, why, now_us, opened):
        self.halt()
        self._report_halt(now_us, opened)
        return why

    def _rest_offset(self, pocket):
        """Steps of the move under way that end at the dwell behind `pocket`."""
        return self.ratio.target(pocket) - self.position + self._lost

    def _arrive(self, issued):
        self._track.moving = False
        travelled = max(0, issued - self._lost)
        if not self._track.forward:
            travelled = -travelled
        self.position += travelled
        if not self.known:
            self._slack = max(0, min(self._slack - travelled, self._half))
            return
        if self._lag:
            self.position -= self._lag
            self.corrected = -self._lag
        self._step_back(self.position)

    def _step_back(self, position):
        """Take the frontier back to what a wheel at `position` has surely passed in this move.

        A lagging wheel, or a search that ended short of the release it had opened, has pockets
        behind the frontier that have not let go.  The next run passes them; until then the tally
        has them as silent.
        """
        passed = position - self._shy
        while self.frontier > self._base and self.ratio.release(self.frontier) > passed:
            self.frontier -= 1
