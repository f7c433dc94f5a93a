"""The hard-wired hand-shake: one wire in, three out, for a robot that has no bus.

Theory of operation
-------------------
The robot has an output, give; the module answers on ready, done and fault.  In four phases:

| | give | ready | done or fault |
| --- | --- | --- | --- |
| a give would be obeyed now | low | **high** | low |
| the robot raises give: `wires_quantity` parts are ordered | **high** | low | low |
| the request has closed: done if it is exact, else fault | high | low | **high** |
| the robot lowers give; from the top again, once a request would be taken | **low** | low | low |

Every give is answered, by done or by fault, and delivers at most once.  It is obeyed only while
ready is high; a give that came without it, or was up already at power-up, delivers nothing and
gets a fault, until it is lowered.  If the robot lowers give before it is answered, the request
goes on (parts are falling), but the robot is no longer there to hear of it: whatever comes of
the request, fault goes up and stays until give has been raised and lowered once more, which
delivers nothing.  So the next delivery can't fall on one that nobody has looked at.

Give counts once it has stayed the same for `wires_debounce_ms`; before its first such stretch
after power-up nothing is answered.  It is a link like the others (`authority`): ready is high only
while the wires may command.  Its tickets are the newest of the module plus one.

PHASES, TRANSITIONS and OUTPUTS are the whole of it.  A row is (what holds, phases it is asked in,
next phase); in each phase the rows are asked in their order and the first that holds is gone by.
What was wrong with the last give is in `fault` until the next one is obeyed: (0, "none"), a cause
of `controller.cycle.causes`, or a negative number of SCPI-1999 with its detail.
"""

from controller.board.ports import GIVE, OUT_DONE, OUT_FAULT, OUT_READY
from controller.cycle import causes
from controller.cycle.verdict import EXACT
from controller.link.refusal import Refused
from controller.record import events as ev

START = 0  # power-up: give has not yet stayed the same for long enough
IDLE = 1  # a give would not be obeyed
READY = 2
BUSY = 3  # the request is open
LEFT = 4  # the request is open, but give has gone
UNMET = 5  # it has closed, and nobody has looked
DONE = 6
FAULT = 7

PHASES = ("start", "idle", "ready", "busy", "left", "unmet", "done", "fault")

TRANSITIONS = (
    ("up", (START, IDLE, UNMET), FAULT),
    ("down", (START, DONE, FAULT), IDLE),
    ("able", (IDLE,), READY),
    ("unable", (READY,), IDLE),
    ("granted", (READY,), BUSY),  # give is up, and the request has been opened
    ("up", (READY,), FAULT),
    ("down", (BUSY,), LEFT),  # before `exact`: a done that nobody waits for would be over at once
    ("exact", (BUSY,), DONE),
    ("inexact", (BUSY,), FAULT),
    ("closed", (LEFT,), UNMET),
)

OUTPUTS = (0, 0, OUT_READY, 0, 0, OUT_FAULT, OUT_DONE, OUT_FAULT)  # of each phase

# SCPI-1999 volume 2, 21.8.10
TRIGGER_ERROR = -210
TRIGGER_IGNORED = -211
NO_FAULT = (0, "none")
_WRONG = {  # what was wrong, by the phase that ended in a fault
    START: (TRIGGER_IGNORED, "give was up at power-up"),
    IDLE: (TRIGGER_IGNORED, "give came while ready was low"),
    LEFT: (TRIGGER_ERROR, "give was lowered before it was answered"),
}


class Handshake:
    """The module's end of the four wires, in front of `desk`, the wires' own."""

    def __init__(self, settings, desk, outputs, events):
        """`outputs` as in `controller.board.ports`; with no `wires_quantity` it stays all low."""
        self.phase = START
        self.ticket = 0  # of the request last opened
        self.fault = NO_FAULT
        self._quantity = settings.wires_quantity
        self._give = Debounced(settings.wires_debounce_ms * 1000)
        self._desk = desk
        self._outputs = outputs
        self._events = events
        self._now_us = 0
        give = self._give
        ask = {
            "up": lambda: give.level is True,
            "down": lambda: give.level is False,
            "able": desk.able,
            "unable": lambda: not desk.able(),
            "granted": lambda: give.level is True and self._open(),
            "exact": lambda: self._closed() and self._outcome() == EXACT,
            "inexact": self._closed,
            "closed": self._closed,
        }
        self._ways: list = [[] for _ in PHASES]
        for name, phases, target in TRANSITIONS:
            for phase in phases:
                self._ways[phase].append((ask[name], target))
        outputs.set(0)

    def poll(self, now_us, levels):
        """Look at the level bits and go on; True if a request has been opened in this round."""
        if not self._quantity:
            return False
        self._now_us = now_us
        self._give.look(levels & GIVE != 0, now_us)
        ticket = self.ticket
        while self._step():  # ends: no circle of rows holds all at once
            pass
        return self.ticket != ticket

    def deadline_us(self):
        """Return when give will have stayed the same for long enough or ready may rise, or None."""
        give_us = self._give.deadline_us()
        free_us = self._desk.free_us() if self.phase == IDLE else None
        if give_us is None or free_us is None:
            return free_us if give_us is None else give_us
        return min(give_us, free_us)

    def _step(self):
        for holds, target in self._ways[self.phase]:
            if holds():
                self._enter(target)
                return True
        return False

    def _enter(self, phase):
        before = self.phase
        self.phase = phase
        if phase in (FAULT, UNMET):
            self.fault = _WRONG.get(before, self.fault)
        if OUTPUTS[phase] != OUTPUTS[before]:
            self._outputs.set(OUTPUTS[phase])
        self._events.note(self._now_us, ev.WIRES, phase, self.ticket)

    def _open(self):
        ticket = self._desk.next_ticket()
        try:
            self._desk.open_request(ticket, self._quantity)
        except Refused as refused:
            self.fault = (refused.number, refused.detail)
            return False
        self.ticket = ticket
        self.fault = NO_FAULT
        return True

    def _closed(self):
        return not self._desk.is_open(self.ticket)

    def _outcome(self):
        result = self._desk.result(self.ticket)
        outcome, cause = result[2], result[8]
        if outcome != EXACT:
            self.fault = (cause, causes.cause(cause)[3])
        return outcome


class Debounced:
    """A level that counts once it has stayed the same for `wait_us`; until then `level` is old."""

    def __init__(self, wait_us):
        self.level = None  # True or False; None: never yet the same for long enough
        self._wait_us = wait_us
        self._raw = None
        self._since_us = 0

    def look(self, raw, now_us):
        """Take what the wire reads now."""
        if raw != self._raw:
            self._raw = raw
            self._since_us = now_us
        elif now_us - self._since_us >= self._wait_us:
            self.level = raw

    def deadline_us(self):
        """Return when the level will count if it stays as it is, or None if it does already."""
        return None if self._raw == self.level else self._since_us + self._wait_us
