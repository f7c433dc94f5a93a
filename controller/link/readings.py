"""Readings: everything a link may ask without changing anything.

Every method answers from what the firmware holds at this instant, as a number, a tuple of numbers
or a name, so that line and bus tell the same.  Nothing here asks who is in command: whoever only
reads needs no leave.
"""

from controller.counting.phase import NO_ALARM
from controller.counting.selftest import PASSED
from controller.cycle import causes, unit
from controller.cycle.orders import TICKET_MAX
from controller.cycle.requestchart import FREEING, WAITING
from controller.cycle.verdict import DOUBTFUL
from controller.link.refusal import DATA_STALE, ILLEGAL_VALUE, Refused
from controller.settings import the_keys

MAKER = "Tallywheel"
VERSION = "0.1.0"

# Device-defined bits of STATus:OPERation and STATus:QUEStionable (SCPI-1999 leaves 8 to 12 free).
OPER_IN_SERVICE = 1 << 8
OPER_REQUEST_OPEN = 1 << 9
OPER_MOVING = 1 << 10
OPER_WAITING = 1 << 11
OPER_FREEING = 1 << 12
QUES_PHASE = 1 << 6  # by that name in SCPI-1999 as well
QUES_POSITION = 1 << 8
QUES_DOUBTFUL = 1 << 9
QUES_STRAY = 1 << 10
QUES_BEAM = 1 << 11
QUES_WORN = 1 << 12


class Readings:
    """What the firmware tells every link alike."""

    def __init__(self, firmware):
        self._fw = firmware
        self.settings = firmware.settings
        self.unit = firmware.service.unit
        self.pace = firmware.sprocket.pace
        self.serial = firmware.ports.board.serial

    # ---- unit -----------------------------------------------------------------------------------

    @property
    def identity(self):
        """(maker, model, serial number, firmware version)."""
        return (MAKER, self.settings.name, self.serial, VERSION)

    def cause(self):
        """(code, text, remedy) of what stopped the unit; code 0 if nothing did."""
        cause = self._fw.service.cause
        return (cause.code, cause.text, cause.remedy)

    def busy(self):
        """True while an overlapped operation goes on (IEEE 488.2, *OPC and *WAI)."""
        fw = self._fw
        return fw.request.is_open or fw.service.acting or fw.maintenance.busy

    # ---- requests -------------------------------------------------------------------------------

    def is_open(self, ticket):
        """True until the request of `ticket` has closed."""
        return self._fw.request.is_open and self._fw.request.ticket == ticket

    def next_ticket(self):
        """The ticket after the newest one; after the last number, the first again."""
        newest = self._fw.orders.find(0)
        return newest.ticket % TICKET_MAX + 1 if newest else 1

    def progress(self):
        """(ticket, quantity, state, lower, upper, pockets, retries) of the open or last request."""
        fw = self._fw
        request = fw.request
        lower, upper = fw.bounds()
        return (
            request.ticket,
            request.quantity,
            request.state,
            lower,
            upper,
            fw.tally.pockets,
            request.retries,
        )

    def result(self, ticket):
        """The result of `ticket` (0: the newest) as `orders.Result.as_tuple` gives it."""
        result = self._fw.orders.find(ticket)
        if result is None:
            why = f"no result for ticket {ticket}" if ticket else "no request has closed yet"
            raise Refused(DATA_STALE, why)
        return result.as_tuple()

    def remainder(self, ticket):
        """Parts of `ticket` (0: the newest) that are surely missing: 0 or more."""
        _, quantity, _, _, upper, _, _, _, _ = self.result(ticket)
        return max(0, quantity - upper)

    def results(self):
        """Tickets whose results are kept, newest first."""
        return self._fw.orders.tickets()

    # ---- wires, store ---------------------------------------------------------------------------

    def wires(self):
        """(phase of the hard-wired hand-shake, ticket of its last request)."""
        handshake = self._fw.talk.handshake
        return (handshake.phase, handshake.ticket)

    def wires_fault(self):
        """(number, text) of what was wrong with the last give, as in `handshake`."""
        return self._fw.talk.handshake.fault

    def store_condition(self):
        """What has become of the store: a condition of `controller.record.book`."""
        return self._fw.book.condition

    # ---- magazine, sprocket, inputs -------------------------------------------------------------

    def magazine(self):
        """(level, capacity) in parts; the level is what was said to be loaded less what fell."""
        return (self._fw.counters.magazine, self.settings.magazine_capacity)

    def sprocket(self):
        """(pieces, rated pieces, pockets passed, misses, jams, retries)."""
        counters = self._fw.counters
        return (
            counters.pieces,
            self.settings.sprocket_rated_pieces,
            counters.pockets,
            counters.misses,
            counters.jams,
            counters.retries,
        )

    def position(self):
        """(known 0 or 1, pockets passed, steps)."""
        sprocket = self._fw.sprocket
        return (1 if sprocket.known else 0, sprocket.frontier, sprocket.position)

    def beam(self):
        """(blocked 0 or 1, result of the last test: 1 passed, 0 failed, -1 none)."""
        verdict = self._fw.test.verdict
        result = -1 if verdict is None else 1 if verdict == PASSED else 0
        return (self._fw.ports.beam.read()[0], result)

    def inputs(self):
        """Level bits as in `controller.board.ports`."""
        return self._fw.ports.inputs.levels()

    # ---- board ----------------------------------------------------------------------------------

    def rounds(self):
        """(us of the board's longest round, rounds that took too long)."""
        return self._fw.ports.board.rounds()

    def started(self):
        """(code, text) of the board's last start, as in `controller.board.ports`."""
        return self._fw.ports.board.started()

    # ---- settings, events, single measurements --------------------------------------------------

    def setting(self, name):
        """The value of one setting by its firmware key."""
        if name not in the_keys().NAMES:
            raise Refused(ILLEGAL_VALUE, f"no setting {name}, SETTing:CATalog? has all")
        return getattr(self.settings, name)

    def setting_names(self):
        """All firmware keys, in the order of the settings table."""
        return the_keys().NAMES

    def events_count(self):
        """How many events wait to be read."""
        return self._fw.events.count()

    def next_event(self):
        """The oldest unread event as (sequence, time_ms, kind, a, b), or None."""
        event = self._fw.events.take()
        if event is None:
            return None
        return (event[0], event[1] // 1000, event[2], event[3], event[4])

    def parts_count(self):
        """How many measured parts wait to be read."""
        return self._fw.parts.count()

    def next_part(self):
        """The oldest unread part as (sequence, pocket, delay_us, width_us, rate_steps_s); or 0s."""
        return self._fw.parts.take()

    def index_edges_count(self):
        """How many edges of the pocket index sensor wait to be read."""
        return self._fw.index_edges.count()

    def next_index_edge(self):
        """The oldest unread edge as (sequence, motor steps, level after it); or 0s."""
        return self._fw.index_edges.take()

    # ---- drift ----------------------------------------------------------------------------------

    def drift(self):
        """(code, text, remedy, direction) of the alarm that was raised first; code 0: none.

        Direction +1: later or wider than was learned, -1: earlier or narrower.
        """
        code, _, _, text, remedy = causes.cause(self._fw.drift_cause())
        return (code, text, remedy, self._fw.phase.direction)

    def release_phase(self):
        """The chart of the release phase, as `counting.phase.Phase.of_phase` tells it."""
        return self._fw.phase.of_phase()

    def pulse_width(self):
        """The chart of the pulse width, likewise."""
        return self._fw.phase.of_width()

    # ---- status ---------------------------------------------------------------------------------

    def operation(self):
        """Condition bits for STATus:OPERation."""
        fw = self._fw
        bits = OPER_IN_SERVICE if self.unit.state == unit.EXECUTE else 0
        if fw.sprocket.moving:
            bits |= OPER_MOVING
        if fw.request.is_open:
            bits |= OPER_REQUEST_OPEN
            state = fw.request.state
            if state == WAITING:
                bits |= OPER_WAITING
            elif state == FREEING:
                bits |= OPER_FREEING
        return bits

    def questionable(self):
        """Condition bits for STATus:QUEStionable."""
        fw = self._fw
        last = fw.orders.find(0)
        bits = 0 if fw.sprocket.known else QUES_POSITION
        if last is not None and last.outcome == DOUBTFUL:
            bits |= QUES_DOUBTFUL
        if fw.stray_seen:
            bits |= QUES_STRAY
        if fw.test.verdict not in (None, PASSED):
            bits |= QUES_BEAM
        if fw.counters.pieces >= self.settings.sprocket_rated_pieces:
            bits |= QUES_WORN
        if fw.phase.alarm != NO_ALARM:
            bits |= QUES_PHASE
        return bits
