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
"""

from controller.board.ports import CUT, RUNNING, STALLED
from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner, creep, step_ticks, stop_point
from controller.motion.words import TICK_HZ, Move

TICKS_PER_US = TICK_HZ // 1000000
PPM = 1000000

# A flown search must have room to be cut: this many pitches between the last moment evidence
# may come and the point where braking has to begin.
FLYING_SPARE_PITCHES = 3
# A blind stretch stays short of whole pitches by this part of one: parts let go with some scatter, so
# a whole pitch from just before one release could reach the next.
SHY_DIVISOR = 8
# The sprocket lags by more than this part of a pocket: slip, not tolerance of the index sensor.
SLIP_DIVISOR = 8
# The lag is taken over this many steps of the plan around the expected step.
SLIP_SPAN_STEPS = 32
# At rest there is no haste that could excuse a late edge: one that is missing by this part says that
# the wheel may stand before its last release edge, not behind it.
ARRIVED_DIVISOR = 32
# A wheel that is cut at speed coasts less than a pocket, and has come to rest by then: a rotor and
# a printed wheel hold some 10 mJ at cruise, and friction takes that in a fraction of a turn.
COAST_US = 300000
# An index edge overdue by this part of a pocket is missing.
OVERDUE_DIVISOR = 4

# How a run ended, and how one goes on.
MOVING, ARRIVED, STALL, OVERDUE, CUT_OFF = range(5)


class Sprocket:
    """The wheel and its drive: runs, searches and nudges, one at a time."""

    _move: Move  # the move under way, or the last one: a part may prove the position after its end

    def __init__(self, settings, drive):
        self._drive = drive
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
        turn_num = self.ratio.num * settings.sprocket_pockets
        turn_mdeg = self.ratio.den * 360000
        self._lash = (settings.sprocket_lash_mdeg * turn_num + turn_mdeg // 2) // turn_mdeg
        self._fitted = settings.sprocket_index != 0
        self._index = self._fitted  # the index sensor is there and believed
        # steps from an index edge to the release edge ahead of it
        lead = (settings.sprocket_release_mdeg * turn_num + turn_mdeg // 2) // turn_mdeg
        self._index_lead = lead or self.pitch // 2
        self.known = False
        self.position = 0  # sprocket position at rest; during a move, where the move began
        self.frontier = 0
        self.corrected = 0  # steps by which the last piece of evidence moved the position
        self._forward = True  # which flank of the lash is engaged
        self.moving = False
        self.creeping = False  # the move under way, or the last one, is a creep
        self._started_us = 0
        self._lost = 0  # steps of the move spent on lash before the sprocket follows
        self._last = 0  # last pocket this move may open
        self._opened = 0  # pitches of an unknown move already opened
        self._slack = 0  # position unknown: steps gone back that may be gone forward again
        self._searching = False
        self._coasting = False
        self._next_index = 0  # pocket whose index edge comes next
        self._base = 0  # frontier when the move began
        self._lag = 0  # steps the sprocket was seen to lag the command in this move
        self.slipped = False

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
        distance = self.ratio.target(self.frontier + pockets) - self.position
        self._begin(distance, False, now_us)
        self._last = self.frontier + pockets
        self._next_index = self._index_after(self.position)

    def nudge(self, steps, now_us):
        """Creep by `steps` (negative: backward), as the freeing ladder and the bench do.

        Forward with the position unknown this may open pockets: one a pitch begun.
        """
        self._begin(steps, True, now_us)
        if steps <= 0:
            self._last = self.frontier
        elif self.known:
            self._last = self.frontier + self.pockets_ahead(steps)
            self._next_index = self._index_after(self.position)
        else:
            self._last = self.frontier + self.pockets_ahead(steps)

    @property
    def pending(self):
        """Pockets the move under way has still to pass."""
        return self._last - self.frontier if self.moving else 0

    def pockets_ahead(self, steps):
        """Return how many new pockets a creep forward by `steps` may let go."""
        if not self.known:
            return max(0, (steps - self._slack + self.pitch - 1) // self.pitch)
        reached = self.position + steps
        count = 0
        while self.ratio.release(self.frontier + count + 1) <= reached:
            count += 1
        return count

    def _search(self, pockets, now_us):
        self._searching = True
        self._slack = 0
        distance = pockets * self.pitch + self.pitch // 2
        ramps = 2 * self._planner.ramp_steps
        if distance > ramps + FLYING_SPARE_PITCHES * self.pitch:
            self._begin(distance, False, now_us)
            self._last = self.frontier + pockets
        else:
            self._begin(self.pitch - self.pitch // SHY_DIVISOR, True, now_us)
            self._last = self.frontier + 1

    def _begin(self, distance, creeping, now_us):
        forward = distance >= 0
        self._lost = 0 if forward == self._forward else self._lash
        self._forward = forward
        steps = abs(distance) + self._lost
        direction = 1 if forward else -1
        self.creeping = creeping
        if creeping:
            self._move = creep(steps, direction, self._creep_steps_s)
        else:
            self._move = self._planner.move(steps, direction)
        self._started_us = now_us
        self._opened = 0
        self._base = self.frontier
        self._lag = 0
        self.slipped = False
        self.unfound = False
        self.moving = True
        self._drive.start(self._move)

    # ---- following a move -----------------------------------------------------------------------

    def poll(self, now_us, opened):
        """Follow the move; append newly opened pockets to `opened`; return how it goes on.

        MOVING also stands for "at rest, nothing to report" when no move is under way.
        """
        if not self.moving:
            self._coast(now_us, opened)
            return MOVING
        flags, issued = self._drive.status()
        if self._move.direction > 0:
            if self.known:
                self._open_known(issued, opened)
            else:
                self._open_unknown(issued, opened)
                if self._searching:
                    self._search_on(issued)
        if flags & (STALLED | CUT):
            self.halt()
            self._coast(now_us, opened)
            return CUT_OFF if flags & CUT else STALL
        if not flags & RUNNING:
            if self._overdue(issued, ARRIVED_DIVISOR):
                self.slipped = True
                self.known = False
            self._arrive(issued)
            return ARRIVED
        if self._overdue(issued, OVERDUE_DIVISOR):
            self.halt()
            self._coast(now_us, opened)
            return OVERDUE
        return MOVING

    def _coast(self, now_us, opened):
        if self._coasting:
            self._coasting = False
            self.frontier += 1
            opened.append((self.frontier, now_us, now_us + COAST_US))

    def deadline_us(self):
        """Return when the move next has something to say, or None at rest."""
        if not self.moving:
            return None
        move = self._move
        step = move.steps
        if move.direction > 0 and self.frontier < self._last:
            if self.known:
                step = min(step, self._offset(self.frontier + 1))
            else:
                step = min(step, max(1, self._begun()))
        return self._started_us + step_ticks(move, max(1, step)) // TICKS_PER_US + 1

    def _offset(self, pocket):
        """Steps of the move under way at which `pocket` lets go."""
        return self.ratio.release(pocket) - self.position + self._lost + self._lag

    def _time_us(self, step):
        step = min(max(step, 1), self._move.steps)
        return self._started_us + step_ticks(self._move, step) // TICKS_PER_US

    def _open_known(self, issued, opened):
        while self.frontier < self._last:
            offset = self._offset(self.frontier + 1)
            if issued < offset:
                return
            self.frontier += 1
            at_us = self._time_us(offset)
            opened.append((self.frontier, at_us, at_us))

    def _open_unknown(self, issued, opened):
        while self.frontier < self._last and issued >= self._begun():
            first_us = self._time_us(self._begun())
            self._opened += 1
            last_us = self._time_us(self._begun() + self._lost)
            self.frontier += 1
            opened.append((self.frontier, first_us, last_us))

    def _begun(self):
        """Steps of the move under way, position unknown, that open its next pocket."""
        return self._slack + self._opened * self.pitch

    # ---- evidence of position -------------------------------------------------------------------

    def on_index(self, time_us):
        """Take an edge of the pocket index sensor."""
        if not self.moving or self._move.direction < 0 or not self._index:
            return
        if not self.known:
            self._found(self._step_at(time_us) + self._index_lead)
            return
        pocket = self._next_index
        expected = self._offset(pocket) - self._index_lead
        lag = self._lag_steps(time_us, expected)
        if lag < -(self.pitch // OVERDUE_DIVISOR):
            return  # an edge that is not due: a dirty disc; the one that is due comes yet
        self._next_index = pocket + 1
        if lag > self.pitch // SLIP_DIVISOR:
            self._lag += lag
            self.slipped = True

    def on_part(self, start_us, fall_us):
        """Take a part seen at the beam; it was let go one fall earlier."""
        released_us = start_us - fall_us
        if self.known or self._index or not self._searching:
            return
        if released_us > self._started_us:
            self._found(self._step_at(released_us))

    def _step_at(self, time_us):
        """Return how many steps of the move lie at or before `time_us` (bisection)."""
        ticks = (time_us - self._started_us) * TICKS_PER_US
        low, high = 0, self._move.steps
        while low < high:
            middle = (low + high + 1) // 2
            if step_ticks(self._move, middle) <= ticks:
                low = middle
            else:
                high = middle - 1
        return low

    def _lag_steps(self, time_us, expected):
        move = self._move
        near = min(max(expected, 1), move.steps)
        far = min(near + SLIP_SPAN_STEPS, move.steps)
        if far == near:
            near = max(1, far - SLIP_SPAN_STEPS)
        span = step_ticks(move, far) - step_ticks(move, near)
        late = (time_us - self._started_us) * TICKS_PER_US - step_ticks(move, near)
        return late * (far - near) // span if span else 0

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
        if not self.moving:
            self.position += self._move.steps - self._lost
            self._searching = False
            return
        self._next_index = self._base + count + 2
        self._cut_to(self._rest_offset(self._last))

    def _search_on(self, issued):
        """Break a search off where it may not go on without evidence."""
        move = self._move
        if self._index and issued > self.pitch + self.pitch // OVERDUE_DIVISOR + self._lost:
            if not self.unfound:
                self.unfound = True
                self.shorten(0)
            return
        limit = (self._last - self._base) * self.pitch - self.pitch // SHY_DIVISOR
        if move.steps > limit and stop_point(move, issued + self.pitch) > limit:
            self._cut_to(max(limit, stop_point(move, issued)))

    def _cut_to(self, steps):
        """Shorten the move to `steps` in all if it is longer and still can be."""
        move = self._move
        if move.steps <= steps:
            return
        issued = self._drive.status()[1]
        if stop_point(move, issued) > steps:
            return
        cruise = move.cruise_steps - (move.steps - steps)
        self._move = move.amended(cruise)
        self._drive.amend(cruise)

    def _index_after(self, position):
        """Return the pocket whose index edge comes next when going forward from `position`."""
        pocket = self.frontier
        while self.ratio.release(pocket) - self._index_lead <= position:
            pocket += 1
        return pocket

    def _overdue(self, issued, divisor):
        """True if the next index edge should have been seen this part of a pocket ago."""
        if not self._index or not self.known or self._move.direction < 0:
            return False
        due = self._offset(self._next_index) - self._index_lead
        return issued > due + self.pitch // divisor

    # ---- ending a move --------------------------------------------------------------------------

    def shorten(self, pockets):
        """End the run after `pockets` more new pockets, or as soon after that as it can."""
        if not self.moving or self._move.direction < 0:
            return
        move = self._move
        issued = self._drive.status()[1]
        limit = stop_point(move, issued)
        if not self.known:
            self._last = min(self._last, self.frontier + pockets)
            shy = self.pitch // SHY_DIVISOR
            self._cut_to(max(limit, (self._opened + pockets) * self.pitch - shy))
            return
        last = min(self.frontier + pockets, self._last)
        while last < self._last and self._rest_offset(last) < limit:
            last += 1
        if last < self._last:
            self._last = last
            self._cut_to(self._rest_offset(last))

    def stop_creep(self):
        """End a creep as soon as pulses already under way are out."""
        if self.moving and self.creeping:
            self._cut_to(stop_point(self._move, self._drive.status()[1]))

    def _rest_offset(self, pocket):
        return self.ratio.target(pocket) - self.position + self._lost

    def to_dwell(self, now_us):
        """Creep to the dwell position next to where the sprocket rests, if it is not there.

        Return True when a move was begun. No release edge lies in between.
        """
        distance = self.ratio.target(self.frontier) - self.position
        if not self.known or distance == 0:
            return False
        self.nudge(distance, now_us)
        return True

    def halt(self):
        """Stop pulses at once. At speed inertia carries on, so the position is lost.

        The wheel may coast over the next release edge; `poll` opens that pocket.
        """
        if self.moving:
            self._drive.halt()
            self.moving = False
            self._coasting = not self.creeping and self.frontier < self._last
        self.lose()

    def lose(self):
        """Forget the position (motor released, stall, cut)."""
        self.known = False
        self._searching = False
        self._slack = 0

    def _arrive(self, issued):
        self.moving = False
        travelled = max(0, issued - self._lost)
        self.position += self._move.direction * travelled
        if not self.known:
            back = -self._move.direction * travelled
            self._slack = max(0, min(self._slack + back, self.pitch // 2))
        if self.known:
            self._searching = False
        if self._lag:
            self._take_up_lag()

    def _take_up_lag(self):
        """The sprocket lags the command: step position and frontier back to where it really is.

        A pocket counted as passed that in truth was not will be passed by the next run; the
        tally has it as silent until then.
        """
        self.position -= self._lag
        self.corrected = -self._lag
        while self.frontier > self._base and self.ratio.release(self.frontier) > self.position:
            self.frontier -= 1
