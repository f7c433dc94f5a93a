"""The sprocket and its drive: how the wheel is moved, and how it finds out where it stands.

Theory of operation
-------------------
Where the wheel stands and which pockets may have let go is kept in `place`, which of them the move
under way passes in `passage`; read those first.  The lash of the gear train is added to a move when
the direction changes and never to the position.

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
from controller.motion.passage import OVERDUE_DIVISOR, Passage
from controller.motion.place import Place
from controller.motion.profile import creep
from controller.motion.track import Track

# A flown search must have room to be cut: this many pitches between the last moment evidence
# may come and the point where braking has to begin.
FLYING_SPARE_PITCHES = 3
# At rest there is no haste that could excuse a late edge: one missing by this part says that the
# wheel may stand before its last release edge, not behind it.
ARRIVED_DIVISOR = 32
# A wheel that is cut at speed coasts less than half a pocket, and has come to rest by then: a rotor
# and a printed wheel hold a few mJ at cruise, and friction takes that in a fraction of a turn.
COAST_US = 300000
# A drive that is still at it so long after its last step was due has hung, and is stopped like one
# that stalls. (One that is only fed late makes its steps late, by milliseconds.)
HUNG_US = 1000000

# Parts in a row that fall outside the windows of their pockets: one may have clung, or be a second
# one; two of them say that the wheel does not stand where it is thought to.
ASTRAY_MAX = 2

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
        self._passage = Passage(self._place, self._track)
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
        self._astray = 0  # parts in a row that fell outside their windows
        self._halted = []  # pockets passed up to a halt that `poll` has not yet reported
        self._coasting = False  # halted at speed, and the pocket it may coast over not yet opened

    @property
    def moving(self):
        """True while a move is under way."""
        return self._track.moving

    @property
    def pending(self):
        """Pockets the move under way has still to pass."""
        return self._passage.last - self.frontier if self.moving else 0

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
        lost = 0 if forward == self._forward else self._lash
        self._forward = forward
        self._passage.begin(lost, last, 0 if creeping else self.pace.spread)
        self._searching = False
        self.creeping = creeping
        self.slipped = False
        self.unfound = False
        steps = abs(distance) + lost
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
            self._passage.open(issued, opened)
        hung = now_us > self._track.time_us(self._track.move.steps) + HUNG_US
        if flags & (STALLED | CUT) or (hung and flags & RUNNING):
            return self._break_off(CUT_OFF if flags & CUT else STALL, now_us, opened)
        if not flags & RUNNING:
            if self._overdue(issued, ARRIVED_DIVISOR):
                self.slipped = True
                self._place.known = False
            self._track.moving = False
            self._passage.end(issued)
            self._doubt_place()
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
        if self._track.forward and self.frontier < self._passage.last:
            step = min(step, self._passage.next_release())
        return self._track.time_us(step) + 1

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
        elif self._passage.take_edge(time_us):
            self.slipped = True

    def on_part(self, start_us, fall_us):
        """Take a part seen at the beam: without an index sensor it tells where the wheel was."""
        self._astray = 0
        if self._searching and not self.known and not self._index:
            self.finds += 1
            self._found(self._track.step_at(start_us - fall_us))

    def on_astray(self):
        """Take a part that fell outside the windows of the pockets."""
        self._astray += 1
        if not self.moving:
            self._doubt_place()

    def _doubt_place(self):
        """Without an index sensor only such parts tell of slip: have the next run search."""
        if self._astray >= ASTRAY_MAX and not self._index:
            self._astray = 0
            self.lose()

    def _found(self, release_step):
        """A release edge lies at `release_step` of the move: end the search at the right dwell."""
        passage, track = self._passage, self._track
        self._searching = False
        passage.find(release_step)
        if not self.moving or track.cut_to(passage.to_rest(passage.last)):
            return
        if passage.to_release(passage.last + 1) <= track.move.steps:
            passage.last += 1  # of the half pitch that a flown search goes too far

    def _search_on(self, issued):
        """Break a search off where it may not go on without evidence."""
        passage = self._passage
        silent = issued - passage.lost - self.pitch
        if self._index and silent > self.pitch // OVERDUE_DIVISOR:
            if not self.unfound:
                self.unfound = True
                self.shorten(0)
            return
        limit = self._place.blind_steps(passage.last - passage.base)
        if self._track.move.steps > limit and self._track.earliest_end(self.pitch) > limit:
            self._track.cut_soon(limit)

    def _overdue(self, issued, divisor):
        """True if the next index edge should have been seen this part of a pocket ago."""
        if not self._index or not self.known or not self._track.forward:
            return False
        return issued > self._passage.next_edge() + self.pitch // divisor

    # ---- ending a move --------------------------------------------------------------------------

    def shorten(self, pockets):
        """End the run after `pockets` more new pockets, or as soon after that as it can."""
        if not self.moving or not self._track.forward:
            return
        passage = self._passage
        if not self.known:
            blind = self._place.blind_steps(passage.opened + pockets)
            end = self._track.cut_soon(blind if pockets else 0)
            passage.last = min(passage.base + self.pockets_ahead(end), passage.last)
            return
        limit = self._track.earliest_end()
        last = self.frontier + pockets
        while last < passage.last:
            rest = passage.to_rest(last)
            if rest >= limit and self._track.cut_to(rest):
                passage.last = last
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
                self._passage.open(self._track.issued(), self._halted)
            self._coasting = not self.creeping and self.frontier < self._passage.last
        self.lose()

    def lose(self):
        """Forget the position (motor released, stall, cut)."""
        self._place.lose()
        self._searching = False

    def _break_off(self, why, now_us, opened):
        self.halt()
        self._report_halt(now_us, opened)
        return why
