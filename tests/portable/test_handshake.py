"""The hard-wired hand-shake alone, on both interpreters; in a whole firmware: `test_wires`.

The four phases of a level hand-shake (request up, answer up, request down, answer down) are common
practice between a robot's outputs and a machine's.
"""

from controller.board.ports import (
    DRIVE_HEALTHY,
    GIVE,
    GUARD_CLOSED,
    MAGAZINE_OK,
    OUT_DONE,
    OUT_FAULT,
    OUT_READY,
    RECEIVER_READY,
)
from controller.cycle import causes
from controller.cycle.verdict import DOUBTFUL, EXACT, INTERRUPTED, SHORT
from controller.link.handshake import BUSY, LEFT, PHASES, START, TRANSITIONS, UNMET, Handshake
from controller.link.refusal import Refused
from tests.portable.module import settings

QUANTITY = 4
DEBOUNCE_US = 20_000
ALL_WELL = GUARD_CLOSED | MAGAZINE_OK | RECEIVER_READY | DRIVE_HEALTHY


class Desk:
    """A module that opens what it is asked to, and closes it when the test says so."""

    def __init__(self):
        self.in_service = True
        self.freed_us = None  # when another link will have been silent for long enough
        self.refusal = None
        self.opened = []  # (ticket, quantity)
        self.closed = {}  # ticket -> (outcome, cause)

    def able(self):
        return self.in_service and len(self.closed) == len(self.opened)

    def free_us(self):
        return self.freed_us

    def next_ticket(self):
        return len(self.opened) + 1

    def open_request(self, ticket, quantity):
        if self.refusal:
            raise self.refusal
        self.opened.append((ticket, quantity))

    def is_open(self, ticket):
        return ticket not in self.closed

    def result(self, ticket):
        outcome, cause = self.closed[ticket]
        return (ticket, QUANTITY, outcome, 0, 0, 0, 0, 0, cause)

    def close(self, outcome=EXACT, cause=causes.NO_CAUSE):
        self.closed[len(self.opened)] = (outcome, cause)


class Log:
    """Takes the place of the outputs and of the events."""

    def __init__(self):
        self.bits = 0
        self.seen = []
        self.noted = []

    def set(self, bits):
        self.bits = bits
        self.seen.append(bits)

    def note(self, time_us, kind, a, b):
        self.noted.append((a, b))


class Wires:
    """A hand-shake with a wire whose level the test sets, and time it lets pass."""

    def __init__(self, give=False, **changes):
        self.desk = Desk()
        self.log = Log()
        values = {"wires_quantity": QUANTITY, "wires_debounce_ms": DEBOUNCE_US // 1000}
        values.update(changes)
        self.handshake = Handshake(settings(**values), self.desk, self.log, self.log)
        self.now_us = 0
        self.level = give
        self.look()

    def look(self):
        return self.handshake.poll(self.now_us, ALL_WELL | (GIVE if self.level else 0))

    def wait(self, time_us):
        """Let time pass; look when the hand-shake wants to, and at the end."""
        end_us = self.now_us + time_us
        due_us = self.handshake.deadline_us()
        while due_us is not None and due_us <= end_us:
            self.now_us = due_us
            self.look()
            due_us = self.handshake.deadline_us()
        self.now_us = end_us
        self.look()

    def give(self, up):
        """Set the wire and see it counted."""
        self.level = up
        self.look()
        self.wait(DEBOUNCE_US)

    @property
    def bits(self):
        return self.log.bits


def ready(**changes):
    """Return wires with ready up."""
    wires = Wires(**changes)
    wires.wait(DEBOUNCE_US)
    assert wires.bits == OUT_READY
    return wires


def test_four_phases():
    wires = ready()
    for number in (1, 2, 3):
        wires.give(True)
        assert wires.desk.opened[-1] == (number, QUANTITY)
        assert wires.bits == 0
        wires.desk.close()
        wires.look()
        assert wires.bits == OUT_DONE
        wires.wait(10 * DEBOUNCE_US)
        assert wires.bits == OUT_DONE
        wires.give(False)
        assert wires.bits == OUT_READY
    assert len(wires.desk.opened) == 3
    assert wires.log.seen == [0, OUT_READY] + 3 * [0, OUT_DONE, 0, OUT_READY]
    assert wires.handshake.fault == (0, "none")


def test_what_is_not_exact_is_a_fault_that_tells_its_cause():
    for outcome, cause in (
        (SHORT, causes.MAGAZINE_EMPTY),
        (DOUBTFUL, causes.EDGES_LOST),
        (INTERRUPTED, causes.GUARD_OPEN),
    ):
        wires = ready()
        wires.give(True)
        wires.desk.close(outcome, cause)
        wires.look()
        assert wires.bits == OUT_FAULT
        assert wires.handshake.fault == (cause, causes.cause(cause)[3])
        wires.give(False)
        assert wires.bits == OUT_READY
        wires.give(True)
        assert wires.handshake.fault == (0, "none")


def test_ready_follows_what_the_module_can_take():
    wires = ready()
    for able in (False, True, False):
        wires.desk.in_service = able
        wires.look()
        assert wires.bits == (OUT_READY if able else 0)


def test_a_give_without_ready_is_answered_by_a_fault_and_delivers_nothing():
    wires = ready()
    wires.desk.in_service = False
    wires.give(True)
    assert wires.bits == OUT_FAULT
    assert wires.handshake.fault[0] == -211  # SCPI-1999 volume 2, 21.8.10: Trigger ignored
    wires.desk.in_service = True
    wires.wait(10 * DEBOUNCE_US)
    assert wires.bits == OUT_FAULT
    wires.give(False)
    assert wires.bits == OUT_READY
    assert wires.desk.opened == []


def test_ready_that_comes_with_give_up_is_no_ready():
    wires = Wires()
    wires.desk.in_service = False
    wires.wait(DEBOUNCE_US)
    wires.level = True
    wires.look()
    wires.now_us += DEBOUNCE_US
    wires.desk.in_service = True  # both in the same round
    wires.look()
    assert wires.bits == OUT_FAULT
    assert OUT_READY not in wires.log.seen
    assert wires.desk.opened == []


def test_give_up_at_power_up_starts_nothing_until_it_has_been_down():
    wires = Wires(give=True)
    wires.wait(DEBOUNCE_US)
    assert wires.bits == OUT_FAULT
    assert wires.handshake.fault[0] == -211
    assert wires.desk.opened == []
    wires.give(False)
    assert wires.bits == OUT_READY
    wires.give(True)
    assert len(wires.desk.opened) == 1


def test_a_refused_request_is_a_fault_that_tells_the_refusal():
    wires = ready()
    wires.desk.refusal = Refused(-222, "quantity 4, allowed 1..3")
    wires.give(True)
    assert wires.bits == OUT_FAULT
    assert wires.handshake.fault == (-222, "quantity 4, allowed 1..3")
    wires.desk.refusal = None
    wires.wait(10 * DEBOUNCE_US)
    assert wires.desk.opened == []


def test_a_give_lowered_before_its_answer_ends_in_a_fault_until_it_is_looked_at():
    for outcome in (EXACT, SHORT):
        wires = ready()
        wires.give(True)
        wires.give(False)
        assert wires.handshake.phase == LEFT
        wires.desk.close(outcome)
        wires.wait(100 * DEBOUNCE_US)
        assert (wires.handshake.phase, wires.bits) == (UNMET, OUT_FAULT)
        assert wires.handshake.fault[0] == -210  # Trigger error
        wires.give(True)
        assert wires.bits == OUT_FAULT
        wires.give(False)
        assert wires.bits == OUT_READY
        assert len(wires.desk.opened) == 1


def test_a_give_lowered_and_raised_again_is_still_answered_by_a_fault():
    wires = ready()
    wires.give(True)
    wires.give(False)
    wires.give(True)
    wires.desk.close()
    wires.look()
    assert wires.bits == OUT_FAULT
    wires.give(False)
    assert wires.bits == OUT_READY
    assert len(wires.desk.opened) == 1


def test_done_is_not_shown_to_a_give_that_ends_in_the_same_round():
    wires = ready()
    wires.give(True)
    wires.level = False
    wires.look()
    wires.desk.close()
    wires.now_us += DEBOUNCE_US
    wires.look()
    assert OUT_DONE not in wires.log.seen
    assert wires.bits == OUT_FAULT


def test_a_level_counts_only_when_it_has_stayed():
    wires = ready()
    for _ in range(5):
        wires.level = True
        wires.look()
        wires.wait(DEBOUNCE_US - 1)
        assert wires.desk.opened == []
        wires.level = False
        wires.look()
        wires.wait(1)
    wires.give(True)
    assert len(wires.desk.opened) == 1
    for _ in range(5):
        wires.level = False
        wires.look()
        wires.wait(DEBOUNCE_US - 1)
        assert wires.handshake.phase == BUSY
        wires.level = True
        wires.look()
        wires.wait(1)


def test_a_wire_that_never_rests_after_power_up_is_never_answered():
    wires = Wires()
    for _ in range(20):
        wires.level = not wires.level
        wires.look()
        wires.wait(DEBOUNCE_US - 1)
    assert wires.handshake.phase == START
    assert wires.log.seen == [0]


def test_it_wants_to_be_woken_only_while_a_level_is_on_trial():
    wires = Wires()
    assert wires.handshake.deadline_us() == DEBOUNCE_US
    wires.wait(DEBOUNCE_US)
    assert wires.handshake.deadline_us() is None
    wires.level = True
    wires.look()
    assert wires.handshake.deadline_us() == 2 * DEBOUNCE_US
    wires.wait(DEBOUNCE_US)
    assert wires.handshake.deadline_us() is None


def test_it_wants_to_be_woken_when_the_command_gets_free():
    wires = ready()
    wires.desk.freed_us = 7 * DEBOUNCE_US
    assert wires.handshake.deadline_us() is None  # with ready up it has the command
    wires.desk.in_service = False
    wires.look()
    assert wires.handshake.deadline_us() == 7 * DEBOUNCE_US
    wires.level = True
    wires.look()
    assert wires.handshake.deadline_us() == 2 * DEBOUNCE_US  # give counts sooner
    wires.desk.freed_us = None
    assert wires.handshake.deadline_us() == 2 * DEBOUNCE_US


def test_poll_tells_when_a_request_was_opened():
    wires = ready()
    wires.level = True
    assert wires.look() is False
    wires.now_us += DEBOUNCE_US
    assert wires.look() is True
    assert wires.look() is False


def test_without_a_quantity_nothing_is_looked_at():
    wires = Wires(wires_quantity=0)
    wires.wait(DEBOUNCE_US)
    wires.give(True)
    assert wires.log.seen == [0]
    assert wires.handshake.deadline_us() is None
    assert wires.desk.opened == []


def test_every_phase_can_be_come_to_and_left():
    reached = {target for _, _, target in TRANSITIONS}
    left = set()
    for _, phases, _ in TRANSITIONS:
        left.update(phases)
    assert reached == set(range(len(PHASES))) - {START}
    assert left == set(range(len(PHASES)))
