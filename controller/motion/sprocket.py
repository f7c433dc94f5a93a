"""The sprocket and its drive: how the wheel is moved, and how it finds out where it stands.

Theory of operation
-------------------
Where the wheel stands and which pockets may have let go is kept in `place`; read that first.  The
lash of the gear train is added to a move when the direction changes and never to the position.

Going beyond the frontier reports each pocket through `poll` as

    (pocket, first_us, last_us, edge_us, rate_steps_s)

so that the tally can raise its upper bound before the part can reach the beam.  It lies between
the first two times; its nominal edge is passed at the third at that step rate (0, 0: unknown).

The position is lost by a stall, by a cut, by halting at speed and by releasing the motor.  A run
is then a search, which opens a pocket at the start of each pitch it travels.  Two kinds of
evidence end it: an edge of the pocket index sensor, or a part seen at the beam, whose release lies
one fall earlier.  A long search is flown: it runs at full speed half a pitch further than it may,
and is cut to the right dwell position as soon as the evidence is in.  A short one creeps, one pitch
at a time.

With the position known, the index sensor also tells when the wheel lags the motor: an edge that
comes late is slip, and the next run makes up for it; one that does not come is a wheel that does
not turn.
"""

from controller.board.ports import CUT, RUNNING, STALLED
from controller.motion.pace import Pace
from controller.motion.place import Place
from controller.motion.profile import creep
from controller.motion.track import Track

# A flown search must have room to be cut: this many pitches between the last moment evidence
# may come and the point where braking has to begin.
FLYING_SPARE_PITCHES = 3
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
# A drive that is still at it so long after its last step was due has hung, and is stopped like one
# that stalls. (One that is only fed late makes its steps late, by milliseconds.)
HUNG_US = 1000000

# How a move goes on, and how it ends.
MOVING, ARRIVED, STALL, OVERDUE, CUT_OFF = range(5)


class Sprocket:
    """The wheel and its drive: runs, searches and nudges, one at a time."""

    def __init__(self, settings, drive, words=b""):
        """`words`: moves planned elsewhere, as `Planner.saved` returns them."""
        self._drive = drive
        self._track = Track(drive)
        self.motor_steps = self._track.motor_steps  # where the motor was at a time
        self._place = Place(settings)
        self.pace = Pace(settings, self._place.ratio, words)
        self._creep_steps_s = settings.limit_creep_steps_s
        self.ratio = self._place.ratio
        self.pitch = self._place.pitch
        self._lash = self.ratio.of_mdeg(settings.sprocket_lash_mdeg)
        self._fitted = settings.sprocket_index != 0
        self._index = self._fitted  # the index sensor is there and believed
        self.creeping = False  # the move under way, or the last one, is a creep
        self.slipped = False  # the wheel was seen to lag in this move
        self.finds = 0  # times that a part has told where the wheel stands
        self.unfound = False  # the index sensor stayed silent over a stretch it must mark
        self._forward = True  # which flank of the lash is engaged
        self._searching = False  # until evidence is in, also after the end of the move
        self._halted = []  # pockets passed up to a halt that `poll` has not yet reported
        self._coasting = False  # halted at speed, and the pocket it may coast over not yet opened
        # Of the move under way:
        self._lost = 0  # steps spent on lash before the sprocket follows
        self._base = 0  # frontier when it began; the position stays as it was until it has ended
        self._last = 0  # last pocket it may open
        self._opened = 0  # pockets it has opened with the position unknown
        self._next_index = 0  # pocket whose index edge comes next
        self._lag = 0  # steps the sprocket lags the motor
        self._spread = 0  # as in `Pace`

    @property
    def moving(self):
        """True while a move is under way."""
        return self._track.moving

    @property
    def pending(self):
        """Pockets the move under way has still to pass."""
        return self._last - self.frontier if self.moving else 0

    @property
    def known(self):
        """True while the position is known."""
        return self._place.known

    @property
    def position(self):
        """Where the wheel stands, in steps; during a move, where it began."""
        return self._place.position

    @property
    def frontier(self):
        """The furthest pocket whose release may have happened."""
        return self._place.frontier

    @property
    def corrected(self):
        """Steps by which the last piece of evidence moved the position."""
        return self._place.corrected

    @property
    def room_back(self):
        """Steps the wheel may still go back, as in `Place`."""
        return self._place.room_back

    def pockets_ahead(self, steps):
        """Return how many new pockets a move by `steps` may let go, as in `Place`."""
        return self._place.pockets_ahead(steps)

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
        self.pace.take_up()
        if not self.known:
            self._search(pockets, now_us)
            return
        last = self.frontier + pockets
        self._begin(self._place.to_rest(last), False, last, now_us)

    def nudge(self, steps, now_us):
        """Creep by `steps` (negative: backward), as the freeing ladder and the bench do.

        Forward with the position unknown this may open pockets: one a pitch begun.
        """
        self._begin(steps, True, self.frontier + self.pockets_ahead(steps), now_us)

    def to_dwell(self, now_us):
        """Creep to the dwell position next to where the sprocket rests, if it is not there.

        Return True when a move was begun. No release edge lies in between.
        """
        distance = self._place.to_rest(self.frontier)
        if not self.known or distance == 0:
            return False
        self.nudge(distance, now_us)
        return True

    def _search(self, pockets, now_us):
        place = self._place
        place.slack = 0
        distance = pockets * self.pitch + self.pitch // 2
        flown = distance > 2 * self.pace.planner.ramp_steps + FLYING_SPARE_PITCHES * self.pitch
        if not flown:
            pockets = 1
            distance = place.blind_steps(pockets)
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
        self._next_index = self._place.next_index()
        self._searching = False
        self.creeping = creeping
        self._spread = 0 if creeping else self.pace.spread
        self.slipped = False
        self.unfound = False
        steps = abs(distance) + self._lost
        direction = 1 if forward else -1
        if creeping:
            move = creep(steps, direction, self._creep_steps_s)
        else:
            move = self.pace.planner.move(steps, direction)
        self._track.begin(move, now_us)

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
        hung = now_us > self._track.time_us(self._track.move.steps) + HUNG_US
        if flags & (STALLED | CUT) or (hung and flags & RUNNING):
            return self._break_off(CUT_OFF if flags & CUT else STALL, now_us, opened)
        if not flags & RUNNING:
            if self._overdue(issued, ARRIVED_DIVISOR):
                self.slipped = True
                self._place.known = False
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
            step = min(step, self._next_release())
        return self._track.time_us(step) + 1

    def _open(self, issued, opened):
        """Open the pockets that the steps issued so far may have brought over the edge."""
        track, place = self._track, self._place
        while place.frontier < self._last:
            offset = self._next_release()
            if issued < offset:
                return
            first_us = track.time_us(offset)
            last_us = track.time_us(offset + 2 * self._spread)
            edge_us, rate = track.passing(offset + self._spread) if place.known else (0, 0)
            if not place.known:
                self._opened += 1
                last_us = track.time_us(place.slack + self._opened * self.pitch + self._lost)
            place.frontier += 1
            opened.append((place.frontier, first_us, last_us, edge_us, rate))

    def _next_release(self):
        """Return the steps of the move under way from which the next pocket may let go."""
        if self.known:
            return self._offset(self.frontier + 1) - self._spread
        return self._place.blind_steps(self._opened)

    def _offset(self, pocket):
        """Return the steps of the move under way at which `pocket` lets go, position known."""
        return self._place.to_release(pocket) + self._lost + self._lag

    def _report_halt(self, now_us, opened):
        opened.extend(self._halted)
        self._halted.clear()
        if self._coasting:
            self._coasting = False
            self._place.frontier += 1
            opened.append((self.frontier, now_us, now_us + COAST_US, 0, 0))

    # ---- evidence of position -------------------------------------------------------------------

    def on_index(self, time_us):
        """Take an edge of the pocket index sensor."""
        if not self.moving or not self._track.forward or not self._index:
            return
        if not self.known:
            self._found(self._track.step_at(time_us) + self._place.index_lead)
            return
        expected = self._next_edge()
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
            self.finds += 1
            self._found(self._track.step_at(start_us - fall_us))

    def _found(self, release_step):
        """A release edge lies at `release_step` of the move: number it and know the position."""
        place = self._place
        first, count = place.first_edge(release_step - self._lost)
        self._searching = False
        if self.moving:
            place.find(self._base + 1, first)
            self._next_index = self._base + count + 2
            in_time = self._track.cut_to(self._rest_offset(self._last))
            if not in_time and self._offset(self._last + 1) <= self._track.move.steps:
                self._last += 1  # of the half pitch that a flown search goes too far
        else:
            place.find(self._base + 1, first - (self._track.move.steps - self._lost))
            place.step_back(self._base)

    def _search_on(self, issued):
        """Break a search off where it may not go on without evidence."""
        silent = issued - self._lost - self.pitch
        if self._index and silent > self.pitch // OVERDUE_DIVISOR:
            if not self.unfound:
                self.unfound = True
                self.shorten(0)
            return
        limit = self._place.blind_steps(self._last - self._base)
        if self._track.move.steps > limit and self._track.earliest_end(self.pitch) > limit:
            self._track.cut_soon(limit)

    def _overdue(self, issued, divisor):
        """True if the next index edge should have been seen this part of a pocket ago."""
        if not self._index or not self.known or not self._track.forward:
            return False
        return issued > self._next_edge() + self.pitch // divisor

    def _next_edge(self):
        """Return the steps of the move under way at which the next index edge should come."""
        return self._offset(self._next_index) - self._place.index_lead

    # ---- ending a move --------------------------------------------------------------------------

    def shorten(self, pockets):
        """End the run after `pockets` more new pockets, or as soon after that as it can."""
        if not self.moving or not self._track.forward:
            return
        limit = self._track.earliest_end()
        last = min(self.frontier + pockets, self._last)
        if not self.known:
            blind = self._place.blind_steps(self._opened + pockets)
            end = self._track.cut_soon(blind if pockets else 0)
            self._last = min(self._base + self.pockets_ahead(end), self._last)
            return
        while last < self._last:
            rest = self._rest_offset(last)
            if rest >= limit and self._track.cut_to(rest):
                self._last = last
            last += 1

    def stop(self):
        """Come to rest soon: a creep where it is, a run at the next dwell position it can reach."""
        if self.creeping:
            self.stop_creep()
        else:
            self.shorten(0)

    def stop_creep(self):
        """End a creep as soon as pulses already under way are out."""
        if self.moving and self.creeping:
            self._track.cut_soon(0)

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
        self._place.lose()
        self._searching = False

    def _break_off(self, why, now_us, opened):
        self.halt()
        self._report_halt(now_us, opened)
        return why

    def _rest_offset(self, pocket):
        """Return the steps of the move under way that end at the dwell behind `pocket`."""
        return self._place.to_rest(pocket) + self._lost

    def _arrive(self, issued):
        self._track.moving = False
        travelled = max(0, issued - self._lost)
        if not self._track.forward:
            travelled = -travelled
        place = self._place
        place.travel(travelled)
        if place.known:
            if self._lag:
                place.lag(self._lag)
            place.step_back(self._base)
