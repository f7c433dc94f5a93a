"""A request: count, verify, retry, until its outcome is known.

Theory of operation
-------------------
The request chart (`requestchart`) says which step may follow which; this file says what is done
in each, and `verdict` what the evidence means.  `step` is called on every poll and dispatches on
the chart's state by a table.

One run covers all pockets still owed.  At rest again, the request waits until the last part must
have fallen (settling), proves silent pockets empty by a test of the beam (verifying), and only
then decides.

Nothing here begins a move unless the unit is in Execute, or completing what was begun there.  When
the unit leaves Execute the service calls `pause` (Hold, Suspend) or `finish` (Stop, Abort); the run
is then cut to the nearest dwell position it can still reach, everything that fell is counted, and
only then does the request wait or close.  So whatever happens, a request ends with bounds.
"""

from controller.board.ports import RECEIVER_READY
from controller.counting import selftest
from controller.cycle import causes, verdict
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
from controller.cycle.verdict import EXACT, INTERRUPTED, SHORT, Evidence
from controller.motion.sprocket import ARRIVED, CUT_OFF, MOVING, OVERDUE, STALL
from controller.record import events as ev


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
        self._acts = {
            verdict.CLOSE: self._close_at_dwell,
            verdict.BREAK_OFF: self._break_off,
            verdict.FREE: self._free,
            verdict.SHAKE: self._shake,
            verdict.ASK: self._ask,
            verdict.AGAIN: self._run_again,
        }
        self.ticket = 0
        self.quantity = 0
        self.retries = 0
        self.cause = causes.NO_CAUSE
        self.outcome = SHORT
        self.opened_us = 0
        self.closed_us = 0
        self._evidence = Evidence()
        self._beam_proven = False  # since the chart entered its present state
        self._patience_us = 0  # when waiting for help ends
        self._levels = 0
        self._now_us = 0

    # ---- what the firmware asks of it -----------------------------------------------------------

    @property
    def state(self):
        """The number of the chart's state."""
        return self._chart.state

    @property
    def is_open(self):
        """True from the acknowledgement of a request until its outcome is known."""
        return self._chart.is_open()

    @property
    def at_rest(self):
        """True when no motion of this request is under way or about to begin."""
        return self._chart.state in (NONE, WAITING, CLOSED)

    def open(self, ticket, quantity, now_us):
        """Begin a request; the caller has checked that none is open."""
        self.ticket = ticket
        self.quantity = quantity
        self.retries = 0
        self.cause = causes.NO_CAUSE
        self.opened_us = now_us
        self._now_us = now_us
        self._evidence = Evidence()
        self._ladder.reset()
        self._tally.open(quantity)
        self._events.note(now_us, ev.REQUEST_OPEN, ticket, quantity)
        self._chart.fire("open")

    def pause(self, cause):
        """The unit leaves Execute for a while: come to rest and wait for `resume`."""
        if self.is_open:
            self._evidence.paused = True
            self.note_cause(cause)
            self._sprocket.shorten(0)

    def resume(self):
        """The unit is back in Execute."""
        self._evidence.paused = False
        if self._chart.state == WAITING:
            self.cause = causes.NO_CAUSE
            self._evidence.start_over()
            self._ladder.reset()
            self._tally.silent_run = 0
            self._tally.misses.drop()
            self._chart.fire("helped")

    def finish(self, cause, outcome):
        """Close as soon as everything that fell is counted; SHORT or INTERRUPTED."""
        if self.is_open:
            self._evidence.ending = outcome
            self.note_cause(cause)
            self._sprocket.shorten(0)

    def note_cause(self, cause):
        """Have the result tell `cause`, unless it has an earlier one to tell."""
        if self.cause == causes.NO_CAUSE:
            self.cause = cause

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

    # ---- stepping -------------------------------------------------------------------------------

    def step(self, now_us, motion, levels):
        """Go on with the request; `motion` is what the sprocket's poll has answered."""
        self._now_us = now_us
        self._levels = levels
        state = NONE
        while self.is_open and state != self._chart.state:  # ends: each step waits or moves on
            state = self._chart.state
            self._steps[state](motion)
            motion = MOVING
        self._counters.misses += self._tally.misses.take()

    def _changed(self, new, old):
        self._beam_proven = False
        self._events.note(self._now_us, ev.REQUEST_STATE, new, self.ticket)

    def _step_testing(self, motion):
        if self._evidence.broken_off or not self._supplied():
            self._test.cancel()
            if not self._test.running or self._beam_passes():
                self._break_off(self.cause)
            return
        if not self._beam_proven:
            if not self._beam_passes():
                return
            self._beam_proven = True
        if self._part_in_beam():
            return
        if self._test.proves and self._tally.settled(self._now_us):
            self._tally.prove_empty()
        if self._tally.owed == 0:  # late parts came while it waited
            self._close()
            return
        self._chart.fire("beam_ok_known" if self._sprocket.known else "beam_ok_lost")
        self._run()

    def _step_running(self, motion):
        if self._chart.state == REGISTERING and self._sprocket.known:
            self._events.note(self._now_us, ev.POSITION, 1, self._sprocket.corrected)
            self._chart.fire("registered")
        if motion == MOVING and self._sprocket.moving:
            self._watch_run()
            return
        if motion in (STALL, OVERDUE):
            self._evidence.jam = causes.JAMMED if motion == STALL else causes.SLIPPED
            self._counters.jams += 1
        elif motion == CUT_OFF:
            self.finish(causes.GUARD_OPEN, INTERRUPTED)
        elif motion == ARRIVED and self._sprocket.unfound:
            self._judge_index()
        self._chart.fire("run_ended")

    def _step_settling(self, motion):
        if self._blocked_too_long():
            self._blinded()
        elif self._reader.open_since_us is not None:
            return
        if self._tally.settled(self._now_us):
            self._chart.fire("settled")

    def _step_verifying(self, motion):
        if self._sprocket.moving:
            return
        if not self._beam_proven and (self._tally.silent or self._evidence.stuck):
            if not self._beam_passes():
                return
            self._beam_proven = True
            self._evidence.stuck = False
        if self._part_in_beam():
            return
        if self._beam_proven and self._test.proves:
            self._tally.prove_empty()
        if self._tally.lower > self._evidence.seen:
            self._ladder.progress()
            self._evidence.seen = self._tally.lower
        what, cause = verdict.decide(
            self._tally,
            self._evidence,
            self._settings,
            self._supplied(),
        )
        self._acts[what](cause)

    def _step_freeing(self, motion):
        if self._sprocket.moving:
            return
        evidence = self._evidence
        stalled = motion in (STALL, OVERDUE, CUT_OFF)
        stop = not self._supplied() or evidence.broken_off
        if not (stop or self._ladder.poll(self._now_us, stalled)):
            return
        if not self._tally.settled(self._now_us):
            return  # a forward move may have let a part go: it is counted first
        if stop:
            self._break_off(self.cause)
            return
        self._tally.silent_run = 0  # pockets that passed before the rung say nothing about it
        evidence.jam = causes.NO_CAUSE
        self._chart.fire("freed")

    def _step_waiting(self, motion):
        over = self._now_us >= self._patience_us
        if over or self._evidence.ending is not None or self._tally.owed == 0:
            self._close()

    # ---- watching -------------------------------------------------------------------------------

    def _watch_run(self):
        """Cut the run short for anything that makes its remaining pockets pointless or wrong."""
        tally = self._tally
        sprocket = self._sprocket
        if tally.silent_run >= self._settings.recovery_silent or not self._supplied():
            sprocket.shorten(0)
        elif self._blocked_too_long():
            self._blinded()
            sprocket.shorten(0)
        elif sprocket.pending > tally.owed:
            sprocket.shorten(tally.owed)
        if tally.lower >= self.quantity:  # a search that has brought the last part
            sprocket.stop_creep()

    def _judge_index(self):
        """A search went by without an index edge: does the wheel not turn, or the sensor not see?

        If parts have come the wheel turns; the request goes on without the sensor.
        """
        if self._tally.lower > self._evidence.seen:
            self._sprocket.believe_index(False)
        else:
            self._evidence.jam = causes.SLIPPED

    def _supplied(self):
        """True while there is something to drop parts into; otherwise the unit is told."""
        if self._levels & RECEIVER_READY:
            return True
        if not self._evidence.broken_off:
            self._halt_unit(causes.RECEIVER_NOT_READY, self._now_us)
        return False

    def _blocked_too_long(self):
        since_us = self._reader.blocked_since_us
        return since_us is not None and self._now_us > since_us + self._stuck_us

    def _part_in_beam(self):
        """True while a part, one that fell during a test perhaps, is still to be counted."""
        return self._reader.open_since_us is not None and not self._blocked_too_long()

    def _blinded(self):
        self._evidence.stuck = True
        self._tally.blinded()

    def _beam_passes(self):
        """Go on with the beam's test; True once it has passed. If it fails, ask for help."""
        if not self._test.running:
            self._test.start(self._now_us)
        answer = self._test.poll(self._now_us)
        if answer is None:
            return False
        passed = answer == selftest.PASSED
        self._events.note(self._now_us, ev.BEAM_TEST, 1 if passed else 0)
        if not passed:
            self._tally.blinded()
            self._ask(causes.BEAM_DEAD if answer == selftest.DEAD else causes.CHUTE_BLOCKED)
        return passed

    # ---- acting on a verdict --------------------------------------------------------------------

    def _run(self):
        self._evidence.runs += 1
        self._evidence.searches += 0 if self._sprocket.known else 1
        owed = self._tally.owed
        self._events.note(self._now_us, ev.RUN_START, self._sprocket.frontier + 1, owed)
        self._sprocket.run(owed, self._now_us)

    def _run_again(self, cause):
        self.retries += 1
        self._counters.retries += 1
        self._chart.fire("more" if self._sprocket.known else "lost")
        self._run()

    def _free(self, cause, hanging=False):
        if not self._ladder.begin(hanging, self._tally.owed):
            self._ask(cause)
            return
        self._events.note(self._now_us, ev.FREEING, self._ladder.move, self._ladder.rung)
        self._chart.fire("jammed")

    def _shake(self, cause):
        self._free(cause, True)

    def _ask(self, cause):
        """A person is needed: tell the unit, then wait."""
        self.note_cause(cause)
        if not self._evidence.broken_off:
            self._halt_unit(cause, self._now_us)
        self._break_off(cause)

    def _break_off(self, cause):
        """Wait for the unit to come back to Execute, or close if nobody is to be waited for."""
        patience_ms = self._settings.recovery_patience_ms
        if self._evidence.ending is not None or patience_ms == 0 or self._tally.owed == 0:
            self._close()
            return
        self._patience_us = self._now_us + patience_ms * 1000
        self._chart.fire("help")

    def _close_at_dwell(self, cause):
        """A search may have ended beside the dwell position: creep there first."""
        if self._evidence.broken_off or not self._sprocket.to_dwell(self._now_us):
            self._close()

    def _close(self):
        self.outcome, cause = verdict.judge(self._tally, self._evidence.ending)
        self.note_cause(cause)
        if self.outcome == EXACT:
            self.cause = causes.NO_CAUSE
        self.closed_us = self._now_us
        self._chart.fire("close")
        self._events.note(self._now_us, ev.REQUEST_CLOSED, self.ticket, self.outcome)
        if self._sprocket.index_failed and not self._evidence.broken_off:
            self._halt_unit(causes.SLIPPED, self._now_us)
