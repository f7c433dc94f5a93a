"""Events: what the firmware has done, as small integers, in a bounded ring.

Every room reports through `Events.note`.  The ring keeps the newest entries for a host that
reads them out over a link; the board's trace port gets each one as it happens, for logs and
pictures.  Nothing in the firmware ever decides anything from an event.

An event is (sequence, time_us, kind, a, b); kinds and their operands stand below.
"""

UNIT_STATE = 1  # a new state, b previous state (PackTags numbers)
UNIT_MODE = 2  # a new mode, b previous mode
REQUEST_STATE = 3  # a state of the request chart, b ticket
RUN_START = 4  # a first pocket, b pockets
RUN_END = 5  # a frontier pocket, b steps issued
PULSE = 6  # a verdict on it, b width in us; the time is the pulse's start
POCKET = 7  # a pocket, b verdict on it
CAUSE = 8  # a cause
FREEING = 9  # a 1 reverse, 2 shake, 3 forward, 4 rest; b rung of the ladder, from 1
BEAM_TEST = 10  # a 1 passed, 0 failed
BOUNDS = 11  # a lower, b upper, when a request closes
POSITION = 12  # a 1 known, 0 lost; b steps corrected
REQUEST_OPEN = 13  # a ticket, b quantity
REQUEST_CLOSED = 14  # a ticket, b outcome
MAGAZINE = 15  # a level after parts were said to be loaded
SLIP = 16  # a steps the sprocket lags the command
BOOT = 17  # the firmware has started
# To the trace port only: one a pocket would fill the ring with what the bounds sum up.
RELEASE = 18  # a pocket, b us of uncertainty; the time is the earliest it can have let go
CREEP_RELEASE = 19  # the same, passed at the creep rate
WIRES = 20  # a phase of the hard-wired hand-shake, b ticket of its last request
STORE = 21  # a condition of the store
RESTART = 22  # a why the board has started, as in SYSTem:RESTart?; not after a power-up
DRIFT = 23  # a cause, b +1 later or wider, -1 earlier or narrower

NAMES = (
    "",
    "unit-state",
    "unit-mode",
    "request-state",
    "run-start",
    "run-end",
    "pulse",
    "pocket",
    "cause",
    "freeing",
    "beam-test",
    "bounds",
    "position",
    "request-open",
    "request-closed",
    "magazine",
    "slip",
    "boot",
    "release",
    "creep-release",
    "wires",
    "store",
    "restart",
    "drift",
)

RING_EVENTS = 64  # about one request's worth; at five words each it costs the board 1.3 KB


class Events:
    """A ring of the newest events, with a trace port that sees them all."""

    def __init__(self, trace):
        self._trace = trace
        self._ring = [(0, 0, 0, 0, 0)] * RING_EVENTS
        self._first = 0  # sequence number of the oldest entry still unread
        self._next = 0  # sequence number the next event will get

    def note(self, time_us, kind, a=0, b=0):
        """Record one event; the oldest unread one is lost when the ring is full."""
        self._ring[self._next % RING_EVENTS] = (self._next, time_us, kind, a, b)
        self._next += 1
        if self._next - self._first > RING_EVENTS:
            self._first = self._next - RING_EVENTS
        self._trace.note(time_us, kind, a, b)

    def count(self):
        """Return how many events wait to be read out."""
        return self._next - self._first

    def take(self):
        """Return and remove the oldest unread event, or None.

        A gap in the sequence numbers tells the reader that events were lost.
        """
        if self._first == self._next:
            return None
        event = self._ring[self._first % RING_EVENTS]
        self._first += 1
        return event
