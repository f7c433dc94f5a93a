"""A request: count, verify, retry, until its outcome is known.

Theory of operation
-------------------
The request chart (`requestchart`) says which step may follow which; this file says what is done
in each.  `step` is called on every poll and dispatches on the chart's state by a table.

One run covers all pockets still owed.  At rest again, the request waits until the last part must
have fallen (settling), proves silent pockets empty by a test of the beam (verifying), and only
then decides, in this order: nothing more may be sent, so close; the run was broken off from
outside, so wait or close; a jam or hanging parts, so free; parts are missing, so run again.

Nothing here moves the motor unless the unit is in Execute.  When the unit leaves Execute the
firmware calls `pause` (Hold, Suspend) or `finish` (Stop, Abort, Complete, cancel); the run is then
cut to the nearest dwell position it can still reach, everything that fell is counted, and
only then does the request wait or close.  So whatever happens, a request ends with bounds.
"""

from controller.board.ports import MAGAZINE_OK, RECEIVER_READY
from controller.counting import selftest
from controller.cycle import causes
from controller.cycle.freeing import Ladder
from controller.cycle.requestchart import (
    CLOSED,
    COUNTING,
    FREEING,
    NONE,
    REGISTERING,
    SETTLING,
    TESTING,
    VERIFYING,
    WAITING,
    RequestChart,
)
from controller.motion.sprocket import ARRIVED, CUT_OFF, MOVING, OVERDUE, STALL
from controller.record import events as ev

# Outcomes.
EXACT, SHORT, DOUBTFUL, INTERRUPTED = range(4)

# Searches of one request that may end with the position still unknown before a person is asked.
# Each creeps a pitch; a wheel of few pockets is round by then, and an empty magazine shows sooner.
SEARCHES_MAX = 8


class Request:
    """The request that is open, or the last one. Owned and polled by the firmware."""

    def __init__(
        self, settings, windows, sprocket, tally, reader, test, counters, events, halt_unit
    ):
        """`halt_unit(cause, now_us)` takes the unit to the state that the cause leads to."""
        self._settings = settings
        self._stuck_us = windows.stuck_us
        self._sprocket = sprocket
        self._tally = tally
        self._reader = reader
        self._test = test
        self._counters = counters
        self._events = events
        self._halt_unit = halt_unit
        self._ladder = Ladder(settings, sprocket)
        self._chart = RequestChart(self._changed)
        self._steps = {
            TESTING: self._step_testing,
            REGISTERING: self._step_running,
            COUNTING: self._step_running,
            SETTLING: self._step_settling,
            VERIFYING: self._step_verifying,
            FREEING: self._step_freeing,
            WAITING: self._step_waiting,
        }
        self.ticket = 0
        self.quantity = 0
        self.runs = 0
        self.cause = causes.NO_CAUSE
        self.outcome = SHORT
        self.opened_us = 0
        self.closed_us = 0
        self.beam_failed = False
        self._levels = 0
        self._now_us = 0
        self._clear_per_request()

    def _clear_per_request(self):
        self._ending = None  # outcome wanted by finish(), SHORT or INTERRUPTED
        self._paused = False
        self._jam = causes.NO_CAUSE  # evidence against the drive, not yet acted upon
        self._stuck = False
        self._beam_proven = False  # in this verification
        self._hanging = False  # the ladder was climbed against hanging parts
        self._searches = 0
        self._seen = 0  # parts seen when the last decision was made
        self._patience_us = 0  # when waiting for help ends

    # ---- what the firmware asks of it -----------------------------------------------------------

    @property
    def state(self):
        return self._chart.state

    @property
    def is_open(self):
        return self._chart.is_open()

    @property
    def at_rest(self):
        """True when no motion of this request is under way or about to begin."""
        return self._chart.state in (NONE, WAITING, CLOSED)

    @property
    def retries(self):
        return max(0, self.runs - 1)

    def open(self, ticket, quantity, now_us):
        """Begin a request; the caller has checked that none is open."""
        self.ticket = ticket
        self.quantity = quantity
        self.runs = 0
        self.cause = causes.NO_CAUSE
        self.opened_us = now_us
        self._now_us = now_us
        self._clear_per_request()
        self._ladder.reset()
        self._tally.open(quantity)
        self._events.note(now_us, ev.REQUEST_OPEN, ticket, quantity)
        self._chart.fire("open")

    def pause(self, cause):
        """The unit leaves Execute for a while: come to rest and wait for `resume`."""
        if self.is_open:
            self._paused = True
            self._keep(cause)
            self._sprocket.shorten(0)

    def resume(self):
        """The unit is back in Execute."""
        self._paused = False
        if self._chart.state == WAITING:
            self.runs = 0
            self.cause = causes.NO_CAUSE
            self._jam = causes.NO_CAUSE
            self._stuck = False
            self._searches = 0
            self._ladder.reset()
            self._tally.silent_run = 0
            self._chart.fire("helped")

    def finish(self, cause, outcome):
        """Close as soon as everything that fell is counted; SHORT or INTERRUPTED."""
        if self.is_open:
            self._ending = outcome
            self._keep(cause)
            self._sprocket.shorten(0)

    def note_cause(self, cause):
        """Something that does not stop the request, but that its result should tell."""
        self._keep(cause)

    def _keep(self, cause):
        if self.cause == causes.NO_CAUSE:
            self.cause = cause

    # ---- stepping -------------------------------------------------------------------------------

    def step(self, now_us, motion, levels):
        """Go on with the request; `motion` is what the sprocket's poll has answered."""
        if not self.is_open:
            return
        self._now_us = now_us
        self._levels = levels
        state = NONE
        while self.is_open and state != self._chart.state:  # ends: each step waits or moves on
            state = self._chart.state
            self._steps[state](motion)
            motion = MOVING

    def deadline_us(self):
        """Return when the request next has something to do by itself, or None."""
        state = self._chart.state
        if state == WAITING:
            return self._patience_us
        if state in (TESTING, VERIFYING):
            return self._test.deadline_us(self._now_us)
        if state == FREEING:
            return self._ladder.deadline_us()
        if state == SETTLING:
            return self._tally.deadline_us()
        return None

    def _changed(self, new, old):
        self._events.note(self._now_us, ev.REQUEST_STATE, new, self.ticket)

    def _step_testing(self, motion):
        if self._broken_off() or not self._supplied():
            self._test.cancel()
            self._wait_or_close()
            return
        if not self._test.running:
            self._test.start(self._now_us)
        verdict = self._test.poll(self._now_us)
        if verdict is None:
            return
        if not self._judge_beam(verdict):
            self._wait_or_close()
            return
        if self._tally.settled(self._now_us):
            self._prove()
        if self._tally.owed == 0:  # late parts came while it waited
            self._close()
            return
        known = self._sprocket.known
        self._chart.fire("beam_ok_known" if known else "beam_ok_lost")
        self._run()

    def _step_running(self, motion):
        if self._chart.state == REGISTERING and self._sprocket.known:
            self._events.note(self._now_us, ev.POSITION, 1, self._sprocket.corrected)
            self._chart.fire("registered")
        if motion == MOVING and self._sprocket.moving:
            self._watch_run()
            return
        if motion in (STALL, OVERDUE):
            self._jam = causes.JAMMED if motion == STALL else causes.SLIPPED
            self._counters.jams += 1
        if motion == CUT_OFF:
            self._keep(causes.GUARD_OPEN)
            self._ending = INTERRUPTED
        if motion == ARRIVED and self._sprocket.unfound:
            self._judge_index()
        self._chart.fire("run_ended")

    def _judge_index(self):
        """A search went by without an index edge: does the wheel not turn, or the sensor not see?

        If parts have come the wheel turns; the request goes on without the sensor.
        """
        if self._tally.lower > self._seen:
            self._sprocket.believe_index(False)
        else:
            self._jam = causes.SLIPPED

    def _watch_run(self):
        """Cut the run short for anything that makes its remaining pockets pointless or wrong."""
        tally = self._tally
        sprocket = self._sprocket
        if tally.silent_run >= self._settings.recovery_silent or not self._supplied():
            sprocket.shorten(0)
        elif self._blocked_too_long():
            self._stuck = True
            tally.blinded()
            sprocket.shorten(0)
        elif sprocket.pending > tally.owed:
            sprocket.shorten(tally.owed)
        if tally.lower >= self.quantity:  # a search that has brought the last part
            sprocket.stop_creep()

    def _step_settling(self, motion):
        if self._blocked_too_long():
            self._stuck = True
            self._tally.blinded()
        elif self._reader.open_since_us is not None:
            return
        if self._tally.settled(self._now_us):
            self._beam_proven = False
            self._chart.fire("settled")

    def _step_verifying(self, motion):
        if self._sprocket.moving:
            return
        if not self._beam_proven and (self._tally.silent or self._stuck):
            if not self._test.running:
                self._test.start(self._now_us)
            verdict = self._test.poll(self._now_us)
            if verdict is None:
                return
            self._stuck = False
            if not self._judge_beam(verdict):
                self._wait_or_close()
                return
            self._beam_proven = True
        if self._reader.open_since_us is not None and not self._blocked_too_long():
            return  # a part that fell during the test is counted first
        if self._beam_proven:
            self._prove()
        self._decide()

    def _decide(self):
        tally = self._tally
        if tally.lower > self._seen:
            self._ladder.progress()
            self._seen = tally.lower
        if tally.owed == 0:
            if not self._go_to_dwell():
                self._close()
        elif self._broken_off() or not self._supplied():
            self._wait_or_close()
        elif self._jam != causes.NO_CAUSE:
            self._free(self._jam, False)
        elif tally.silent_run >= self._settings.recovery_silent:
            self._starve()
        elif self._searches >= SEARCHES_MAX:
            self._ask(causes.POSITION_UNKNOWN)
        elif self.runs >= self._settings.recovery_runs:
            self._ask(causes.RETRIES_USED)
        else:
            self._chart.fire("more" if self._sprocket.known else "lost")
            self._run()

    def _run(self):
        self.runs += 1
        if self.runs > 1:
            self._counters.retries += 1
        if not self._sprocket.known:
            self._searches += 1
        self._jam = causes.NO_CAUSE
        owed = self._tally.owed
        self._events.note(self._now_us, ev.RUN_START, self._sprocket.frontier + 1, owed)
        self._sprocket.run(owed, self._now_us)

    def _go_to_dwell(self):
        """Creep to the dwell position if a search ended beside it; True while that goes on."""
        return self._ending is None and self._sprocket.to_dwell(self._now_us)

    # ---- freeing --------------------------------------------------------------------------------

    def _starve(self):
        if self._settings.magazine_sensor and not self._levels & MAGAZINE_OK:
            self._ask(causes.MAGAZINE_EMPTY)
        else:
            self._free(causes.MAGAZINE_EMPTY, True)

    def _free(self, cause, hanging):
        if not self._ladder.begin(hanging, self._tally.owed):
            self._ask(cause)
            return
        self._hanging = hanging
        self._events.note(self._now_us, ev.FREEING, self._ladder.move, self._ladder.rung)
        self._chart.fire("jammed")

    def _step_freeing(self, motion):
        if self._sprocket.moving:
            return
        stalled = motion in (STALL, OVERDUE, CUT_OFF)
        if not (self._broken_off() or self._ladder.poll(self._now_us, stalled)):
            return
        if not self._tally.settled(self._now_us):
            return  # a forward move may have let a part go: it is counted first
        if self._broken_off():
            self._wait_or_close()
            return
        if self._hanging:  # one pocket is enough to see whether the rung has helped
            self._tally.silent_run = self._settings.recovery_silent - 1
        self._jam = causes.NO_CAUSE
        self._chart.fire("freed")

    # ---- waiting and closing --------------------------------------------------------------------

    def _broken_off(self):
        return self._paused or self._ending is not None

    def _supplied(self):
        """True while there is something to drop parts into; otherwise the unit is told."""
        if self._levels & RECEIVER_READY:
            return True
        if not self._broken_off():
            self._halt_unit(causes.RECEIVER_NOT_READY, self._now_us)
        return False

    def _blocked_too_long(self):
        since = self._reader.blocked_since_us
        return since is not None and self._now_us > since + self._stuck_us

    def _judge_beam(self, verdict):
        passed = verdict == selftest.PASSED
        self.beam_failed = not passed
        self._events.note(self._now_us, ev.BEAM_TEST, 1 if passed else 0)
        if passed:
            return True
        self._tally.blinded()
        if verdict == selftest.DEAD:
            self._ask_unit(causes.BEAM_DEAD)
        else:
            self._ask_unit(causes.CHUTE_BLOCKED)
        return False

    def _prove(self):
        empty = self._tally.prove_empty()
        self._counters.misses += empty

    def _ask(self, cause):
        """A person is needed: tell the unit, then wait."""
        self._ask_unit(cause)
        self._wait_or_close()

    def _ask_unit(self, cause):
        self._keep(cause)
        if not self._broken_off():
            self._halt_unit(cause, self._now_us)

    def _wait_or_close(self):
        patience_ms = self._settings.recovery_patience_ms
        if self._ending is not None or patience_ms == 0 or self._tally.owed == 0:
            self._close()
            return
        self._patience_us = self._now_us + patience_ms * 1000
        self._chart.fire("help")

    def _step_waiting(self, motion):
        if self._ending is not None or self._now_us >= self._patience_us:
            self._close()

    def _close(self):
        tally = self._tally
        if self._ending == INTERRUPTED:
            self.outcome = INTERRUPTED
        elif not tally.exact or tally.lower > self.quantity:
            self.outcome = DOUBTFUL
        else:
            self.outcome = EXACT if tally.lower == self.quantity else SHORT
        if self.outcome == DOUBTFUL:
            over = tally.lower > self.quantity
            self._keep(causes.OVER_RUN if over else causes.EVIDENCE)
        if self.outcome == EXACT:
            self.cause = causes.NO_CAUSE
        self.closed_us = self._now_us
        self._chart.fire("close")
        if self._sprocket.index_failed and not self._broken_off():
            self._halt_unit(causes.SLIPPED, self._now_us)
        self._events.note(self._now_us, ev.REQUEST_CLOSED, self.ticket, self.outcome)
