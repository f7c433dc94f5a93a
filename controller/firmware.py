"""The firmware: wires the rooms together and goes round once per poll.

Theory of operation
-------------------
Data goes one way round: the link asks, the cycle decides, the sprocket moves, the world answers
through the beam, the counting judges, the cycle decides again, the link tells.  `poll(now_us)` is
that one round.  It never waits; it returns the time by which it wants to be called again, and may
be called earlier at any time.  Edges and changes are stamped by the board when they happen, so a
late poll changes when something is noticed, not what is counted.

The order within a round matters: pockets are opened before pulses are judged, so that a part
finds its pocket; a pocket is given up only when no pulse that began in its window is
still under way.

A host that looks again and again has the firmware polled for every look.  While all is still (no
request, no move, no state that ends by itself, nothing in the beam) and the inputs are as they
were, there is nothing to go on with, and a round is only the talking.
"""

from controller.board.ports import EXCEPTION, HUNG, POCKET_INDEX, POCKET_INDEX_LEFT, POWER_UP
from controller.counting import phase as phases
from controller.counting import tally as counting
from controller.counting.phase import Phase
from controller.counting.pulses import PulseReader
from controller.counting.selftest import BeamTest
from controller.counting.tally import Tally
from controller.counting.windows import Windows
from controller.cycle import causes
from controller.cycle.maintenance import Maintenance
from controller.cycle.orders import Orders, Result
from controller.cycle.request import Request
from controller.cycle.service import Service
from controller.cycle.verdict import DOUBTFUL, EXACT, SHORT
from controller.link.authority import Authority
from controller.link.talk import Talk
from controller.motion.sprocket import MOVING, Sprocket
from controller.record import book
from controller.record import events as ev
from controller.record.book import Book
from controller.record.counters import Counters
from controller.record.samples import INDEX_EDGES_KEPT, PARTS_KEPT, Samples

# At rest the inputs and the line are looked at this often; in motion, so is the beam's ring.
IDLE_US = 100000
# A pulse under way is followed this closely; it decides when a run is over, not what it was.
LOOK_US = 2000
# The next round after one in which a host said something, so that its wish is acted upon.
SOON_US = 1

# Why parts fall otherwise than they used to, for each alarm.
_DRIFT_CAUSES = {
    phases.NO_ALARM: causes.NO_CAUSE,
    phases.SLIP: causes.PHASE_SLIP,
    phases.WEAR: causes.PHASE_WEAR,
    phases.DIRT: causes.BEAM_DRIFT,
}
_STORE_CAUSES = {book.LOST: causes.RECORD_LOST, book.FAILED: causes.RECORD_FAILED}


class Firmware:
    """One dispensing module. `ports` as in `controller.board.ports`, `settings` checked.

    `words`: the moves of these settings, planned ahead (`Planner.saved`); without them it plans.
    """

    def __init__(self, ports, settings, words=b""):
        self.ports = ports
        self.settings = settings
        self.now_us = ports.clock.now_us()
        self.events = ev.Events(ports.trace)
        self.parts = Samples(PARTS_KEPT, 4, "i")  # pocket, delay_us, width_us, rate_steps_s
        self.index_edges = Samples(INDEX_EDGES_KEPT, 2, "q")  # motor steps, level
        self.counters = Counters()
        self.orders = Orders()
        self.windows = Windows(settings)
        self.sprocket = Sprocket(settings, ports.drive, words)
        self.phase = Phase(settings, self.windows, self.sprocket.ratio)
        self.book = Book(
            ports.store, settings, self.windows, self.counters, self.orders, self.phase
        )
        self.reader = PulseReader(self.windows)
        self.tally = Tally(self.windows)
        self.test = BeamTest(settings, self.windows, ports.beam)
        self.service = Service(settings, ports.drive, self.sprocket, self.events)
        self.request = Request(
            settings,
            self.windows,
            self.sprocket,
            self.tally,
            self.reader,
            self.test,
            self.counters,
            self.events,
            self.service.halt_unit,
        )
        self.maintenance = Maintenance(
            self.sprocket, self.test, self.windows, self.counters, self.service.halt_unit
        )
        self.service.attach(self.request, self.maintenance)
        self.stray_seen = False
        self._lost_edges = 0
        self._levels = 0
        self._flags = 0
        self._still_until_us = self.now_us
        self._opened = []
        self.authority = Authority(settings.command_hold_ms, self.request)
        self.talk = Talk(self)
        ports.drive.enable(False)
        ports.beam.test(False)
        self.events.note(self.now_us, ev.BOOT)
        self._store_condition = book.SOUND
        self._remember()

    def poll(self, now_us):
        """Go round once; return the time by which to be called again."""
        self.now_us = now_us
        ports = self.ports
        levels = ports.inputs.levels()
        flags = ports.drive.status()[0]
        changes = ports.inputs.drain()
        edges = ports.beam.drain()
        news = edges or changes or levels != self._levels or flags != self._flags
        still = not news and now_us < self._still_until_us
        if not still:
            self._levels = levels
            self._flags = flags
            self._go_on(changes, edges)
        held_up = not still and self.talk.held_up
        if self.talk.poll(now_us, levels, still):
            self._still_until_us = now_us
            return now_us + SOON_US
        if not still:
            rests = self._is_still() and not held_up
            self._still_until_us = now_us + IDLE_US if rests else now_us
            if rests:
                self.talk.rest()
        return self._deadline_us()

    # ---- one round ------------------------------------------------------------------------------

    def _go_on(self, changes, edges):
        """Go on with everything but the talking."""
        now_us = self.now_us
        levels = self._levels
        self.service.watch(now_us, levels, self._flags)
        for at_us, code in changes:
            if code in (POCKET_INDEX, POCKET_INDEX_LEFT):
                self._take_index(at_us, code == POCKET_INDEX)
        motion = self._follow_sprocket()
        self._count(edges)
        self.book.follow(self.request, self.tally, now_us)
        was_open = self.request.is_open
        masked = self.test.masking
        self.request.step(now_us, motion, levels)
        self.maintenance.step(now_us, motion)
        if masked and not self.test.masking:  # what the test has hidden may still be in the beam
            self.reader.feed(now_us, self.ports.beam.read()[0])
        self.service.step(now_us)
        if was_open and not self.request.is_open:
            self._file_result()
        self._watch_store()

    def _is_still(self):
        """Tell whether nothing will happen by itself, and nothing is looked at closely."""
        return not (
            self.request.is_open
            or self.service.acting
            or self.maintenance.busy
            or self.sprocket.moving
            or self.reader.open_since_us is not None
        )

    def _follow_sprocket(self):
        sprocket = self.sprocket
        opened = self._opened
        was_known = sprocket.known
        motion = sprocket.poll(self.now_us, opened)
        if motion != MOVING:
            self.events.note(
                self.now_us, ev.RUN_END, sprocket.frontier, self.ports.drive.status()[1]
            )
            if was_known and not sprocket.known:
                self.events.note(self.now_us, ev.POSITION, 0)
            if sprocket.slipped:
                self.events.note(self.now_us, ev.SLIP, -sprocket.corrected)
        if opened:
            self.counters.pockets += len(opened)
            if self.request.is_open:
                kind = ev.CREEP_RELEASE if sprocket.creeping else ev.RELEASE
                for pocket, first_us, last_us, edge_us, rate in opened:
                    self.tally.passed(pocket, first_us, last_us, sprocket.creeping, edge_us, rate)
                    self.ports.trace.note(first_us, kind, pocket, last_us - first_us)
            else:
                self.maintenance.passed(max([opening[2] for opening in opened]))
                self.tally.misses.unfed()
            opened.clear()
        return motion

    def _take_index(self, at_us, came):
        """Note an edge of the pocket index sensor; the sprocket goes by the rising ones."""
        self.index_edges.add(self.sprocket.motor_steps(at_us), 1 if came else 0)
        if came:
            self.sprocket.on_index(at_us)

    def _count(self, edges):
        reader = self.reader
        test = self.test
        for at_us, blocked in edges:
            if not test.covers(at_us):
                reader.feed(at_us, blocked)
        reader.poll(self.now_us)
        for pulse in reader.take():
            self._take_pulse(pulse)
        lost = self.ports.beam.read()[1]
        losing = lost != self._lost_edges
        self._lost_edges = lost
        if not self.request.is_open:
            return
        if losing:
            self.tally.lost_edges()
            self.request.note_cause(causes.EDGES_LOST)
        self.tally.expire(self._seen_until_us())
        for pocket, verdict in self.tally.take_verdicts():
            self.events.note(self.now_us, ev.POCKET, pocket, verdict)

    def _seen_until_us(self):
        """Return until when all pulses are known: a pulse under way may have begun in a window."""
        since_us = self.reader.open_since_us
        if since_us is None or self.now_us - since_us > self.windows.stuck_us:
            return self.now_us
        return since_us

    def _take_pulse(self, pulse):
        start_us, end_us, _, verdict = pulse
        if end_us - start_us > self.windows.stuck_us:
            self.tally.blinded()  # a beam that was stuck, and whatever fell meanwhile
        elif self.request.is_open:
            verdict = self.tally.pulse(start_us, verdict)
            if verdict == counting.GOOD:
                self.sprocket.on_part(start_us, self.windows.fall_us)
                self._measure(start_us, end_us)
            elif verdict in (counting.EARLY, counting.LATE):
                self.sprocket.on_astray()
        elif self.maintenance.owns(start_us):
            if verdict == counting.GOOD:
                self.sprocket.on_part(start_us, self.windows.fall_us)
        elif verdict != counting.SHORT:
            self._stray(2 if verdict == counting.LONG else 1)
            verdict = counting.STRAY
        if verdict not in (counting.SHORT, counting.LONG):
            self.counters.part()
        self.events.note(start_us, ev.PULSE, verdict, end_us - start_us)

    def _measure(self, start_us, end_us):
        """Keep how late and how wide the part just counted was, if its release is known."""
        pocket, edge_us, rate_steps_s = self.tally.filled
        if rate_steps_s:
            delay_us, width_us = start_us - edge_us, end_us - start_us
            self.parts.add(pocket, delay_us, width_us, rate_steps_s)
            phase = self.phase
            if phase.take(delay_us, width_us, rate_steps_s, self.sprocket.finds):
                self.events.note(self.now_us, ev.DRIFT, self.drift_cause(), phase.direction)

    def _stray(self, most):
        """Up to `most` parts fell after their request was closed: its bag must be checked."""
        self.stray_seen = True
        self.counters.strays += 1
        last = self.orders.find(0)
        if last is not None:
            last.upper += most
            if last.outcome in (EXACT, SHORT):
                last.outcome = DOUBTFUL
                last.cause = causes.STRAY_PART
            self.book.amend(last)

    def _file_result(self):
        request = self.request
        tally = self.tally
        self.stray_seen = False
        self.events.note(self.now_us, ev.BOUNDS, tally.lower, tally.upper)
        result = Result(
            request.ticket,
            request.quantity,
            request.outcome,
            tally.lower,
            tally.upper,
            tally.pockets,
            request.retries,
            (request.closed_us - request.opened_us) // 1000,
            request.cause,
        )
        self.orders.add(result)
        self.book.close(result)

    def _remember(self):
        """Take up what the store tells of the time before the power came."""
        board = self.ports.board
        why = board.started()[0]
        cut = self.book.restore(board.hung_us if why == HUNG else 0)
        if cut is not None:
            self.events.note(self.now_us, ev.REQUEST_CLOSED, cut.ticket, cut.outcome)
            self.service.halt_unit(causes.POWER_CUT, self.now_us)
        self._watch_store()
        if why != POWER_UP:
            self.events.note(self.now_us, ev.RESTART, why)
        if why in (EXCEPTION, HUNG):
            self.service.halt_unit(causes.INTERNAL_FAULT, self.now_us)

    def _watch_store(self):
        """Say what has become of the store; without one the module works, and forgets."""
        condition = self.book.condition
        if condition == self._store_condition:
            return
        self._store_condition = condition
        self.events.note(self.now_us, ev.STORE, condition)
        if condition in _STORE_CAUSES:
            self.service.halt_unit(_STORE_CAUSES[condition], self.now_us)

    def _deadline_us(self):
        now_us = self.now_us
        due = now_us + IDLE_US
        candidates = [self.talk.deadline_us()]
        if now_us < self._still_until_us:  # a host that looks on and on must not put that off
            due = self._still_until_us
        else:
            candidates += [
                self.sprocket.deadline_us(),
                self.request.deadline_us(),
                self.maintenance.deadline_us(now_us),
                self.service.deadline_us(),
                self.reader.deadline_us(),
            ]
            if self.reader.open_since_us is not None and not self.request.at_rest:
                candidates.append(now_us + LOOK_US)
        for candidate in candidates:
            if candidate is None or candidate >= due:
                continue
            # One that is over has been seen to as far as it can be; it must not become a spin.
            due = candidate if candidate > now_us else now_us + LOOK_US
        return due

    # ---- what the desk passes on ----------------------------------------------------------------

    def cancel(self):
        """Wind the open request up; it closes when all that fell is counted."""
        self.request.finish(causes.CANCELLED, SHORT)

    def magazine_holds(self, parts):
        """Somebody has put parts into the magazine, or counted what is in it."""
        self.counters.magazine = parts
        self.events.note(self.now_us, ev.MAGAZINE, self.counters.magazine)
        self.book.keep()

    def sprocket_changed(self):
        """A new sprocket is in: its counters start anew, its position is unknown."""
        self.sprocket.lose()
        self.counters.sprocket_changed()
        self.phase.learn_phase()
        self.book.keep_learned()
        self.book.keep()

    def drift_cause(self):
        """Return why parts fall otherwise than they used to; NO_CAUSE if they do not."""
        return _DRIFT_CAUSES[self.phase.alarm]

    def note_mode(self, mode, before):
        """The unit mode has changed."""
        self.events.note(self.now_us, ev.UNIT_MODE, mode, before)

    def bounds(self):
        """Return (lower, upper): parts of the open or last request that are out, right now."""
        in_progress = self.request.is_open and self.reader.open_since_us is not None
        return self.tally.lower, self.tally.upper_now(in_progress)
