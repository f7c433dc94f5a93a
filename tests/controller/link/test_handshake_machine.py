"""The hand-shake under any chatter of its wire and any fate of its requests, as a state machine.

What is checked is told from outside, from the wire's whole history and from what the outputs have
shown, not from phases: one give, one delivery; one delivery, one answer; nothing without a give.
A level counts here from when it has lasted for the debouncing time.
"""

from dataclasses import dataclass
from types import SimpleNamespace

from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.board.ports import GIVE, OUT_DONE, OUT_FAULT, OUT_READY
from controller.cycle.verdict import EXACT, INTERRUPTED
from controller.link.handshake import Handshake
from controller.link.refusal import Refused

DEBOUNCE_US = 20_000
IDLE_US = 100_000  # the firmware looks at least so often
QUANTITY = 3
CAUSE = 31

# What may follow what on the three wires.
LEGAL = {
    (0, OUT_READY),
    (0, OUT_DONE),
    (0, OUT_FAULT),
    (OUT_READY, 0),
    (OUT_READY, OUT_FAULT),
    (OUT_DONE, 0),
    (OUT_FAULT, 0),
}


@dataclass
class Delivery:
    """One request that the hand-shake has opened."""

    ticket: int
    opened_us: int
    closed_us: int | None = None
    seen_us: int = -1  # when the hand-shake has first looked after that
    outcome: int = EXACT
    answers: int = 0  # times done came up for it


class World:
    """The module behind the hand-shake, and the wires in front of it."""

    def __init__(self) -> None:
        self.now_us = 0
        self.in_service = True
        self.held_until_us = 0  # by another link, which is silent from now on
        self.refusing = False
        self.deliveries: list[Delivery] = []
        self.outputs = 0
        self.shown: list[tuple[int, int]] = []  # (time, outputs)

    @property
    def open(self) -> bool:
        return bool(self.deliveries) and self.deliveries[-1].closed_us is None

    # The desk.

    def able(self) -> bool:
        return self.in_service and self.free_us() is None and not self.open

    def free_us(self) -> int | None:
        return self.held_until_us if self.held_until_us > self.now_us else None

    def next_ticket(self) -> int:
        return 40 + len(self.deliveries)

    def open_request(self, ticket: int, quantity: int) -> None:
        assert self.able(), "a request must not be opened now"
        assert quantity == QUANTITY
        if self.refusing:
            raise Refused(-320, "the store is full")
        self.deliveries.append(Delivery(ticket, self.now_us))

    def is_open(self, ticket: int) -> bool:
        return self.open and self.deliveries[-1].ticket == ticket

    def result(self, ticket: int) -> tuple[int, ...]:
        last = self.deliveries[-1]
        assert last.ticket == ticket and last.closed_us is not None
        return (ticket, QUANTITY, last.outcome, 0, 0, 0, 0, 0, CAUSE if last.outcome else 0)

    # Outputs and events.

    def set(self, bits: int) -> None:
        if self.shown:
            assert (self.outputs, bits) in LEGAL
        self.outputs = bits
        self.shown.append((self.now_us, bits))
        if bits == OUT_DONE:
            last = self.deliveries[-1]
            assert last.closed_us is not None and last.outcome == EXACT
            last.answers += 1

    def note(self, time_us: int, kind: int, a: int, b: int) -> None:
        assert time_us == self.now_us


class HandshakeMachine(RuleBasedStateMachine):
    @initialize(up=st.booleans())
    def power_up(self, up: bool) -> None:
        self.world = World()
        self.history = [(0, up)]  # (since when, level) of the wire
        settings = SimpleNamespace(wires_quantity=QUANTITY, wires_debounce_ms=DEBOUNCE_US // 1000)
        self.handshake = Handshake(settings, self.world, self.world, self.world)
        self.look()

    def look(self) -> None:
        world = self.world
        before = len(world.deliveries)
        was_ready = world.outputs == OUT_READY
        opened = self.handshake.poll(world.now_us, GIVE if self.history[-1][1] else 0)
        if world.deliveries and not world.open and world.deliveries[-1].seen_us < 0:
            world.deliveries[-1].seen_us = world.now_us
        assert opened == (len(world.deliveries) > before)
        if opened:
            assert was_ready, "delivered without having been ready"
            assert len(world.deliveries) == before + 1

    # ---- what happens ---------------------------------------------------------------------------

    @rule(up=st.booleans())
    def wire(self, up: bool) -> None:
        if up != self.history[-1][1]:
            self.history.append((self.world.now_us, up))
        self.look()

    @rule(
        delay_us=st.one_of(
            st.integers(1, 2 * DEBOUNCE_US), st.just(DEBOUNCE_US), st.integers(1, 500_000)
        )
    )
    def time(self, delay_us: int) -> None:
        """The firmware comes round when the hand-shake wants, and by itself; at times late."""
        end_us = self.world.now_us + delay_us
        while True:
            due_us = self.handshake.deadline_us()
            next_us = min(self.world.now_us + IDLE_US, due_us or end_us)
            if next_us > end_us:
                break
            assert next_us > self.world.now_us or next_us == end_us
            self.world.now_us = next_us
            self.look()
            if next_us == end_us:
                break
        self.world.now_us = end_us
        self.look()

    @rule(edges=st.lists(st.integers(1, DEBOUNCE_US - 1), min_size=1, max_size=8))
    def chatter(self, edges: list[int]) -> None:
        """The contact bounces; each level is shorter than what counts."""
        for delay_us in edges:
            self.wire(not self.history[-1][1])
            self.time(delay_us)

    @rule(
        hindrance=st.sampled_from((None, None, "unit", "link", "store")),
        silence_us=st.integers(1, 2 * IDLE_US),
    )
    def module(self, hindrance: str | None, silence_us: int) -> None:
        """What stands in the way of a request from now on, or until a link has lost command."""
        self.world.in_service = hindrance != "unit"
        self.world.held_until_us = self.world.now_us + silence_us if hindrance == "link" else 0
        self.world.refusing = hindrance == "store"
        self.look()

    @precondition(lambda self: self.world.open)
    @rule(outcome=st.integers(EXACT, INTERRUPTED), seen=st.booleans())
    def close(self, outcome: int, seen: bool) -> None:
        """The request closes; other things may happen before the hand-shake looks."""
        last = self.world.deliveries[-1]
        last.outcome = outcome
        last.closed_us = self.world.now_us
        if seen:
            self.look()

    @precondition(lambda self: self.world.outputs == OUT_READY)
    @rule()
    def give(self) -> None:
        """What a well-behaved robot does when it is let."""
        self.steady(True)

    @precondition(lambda self: self.world.outputs in (OUT_DONE, OUT_FAULT))
    @rule()
    def take(self) -> None:
        """What it does when it is answered."""
        self.steady(False)

    @rule(up=st.booleans())
    def steady(self, up: bool) -> None:
        """The wire changes once, for good."""
        self.wire(up)
        self.time(DEBOUNCE_US)

    # ---- what must hold -------------------------------------------------------------------------

    def counted(self) -> list[tuple[int, bool]]:
        """When which level has come to count."""
        ends = [start for start, _ in self.history[1:]] + [self.world.now_us]
        return [
            (start + DEBOUNCE_US, level)
            for (start, level), end in zip(self.history, ends, strict=True)
            if end - start >= DEBOUNCE_US
        ]

    @invariant()
    def every_delivery_has_a_give_of_its_own(self) -> None:
        before_us = 0
        for delivery in self.world.deliveries:
            levels = [up for at_us, up in self.counted() if before_us < at_us <= delivery.opened_us]
            assert levels and levels[-1], "no give"
            assert False in levels, "the give of the delivery before, or of power-up"
            before_us = delivery.opened_us

    @invariant()
    def no_delivery_is_answered_twice_or_before_its_time(self) -> None:
        for delivery in self.world.deliveries:
            assert delivery.answers <= 1
            assert not delivery.answers or delivery.outcome == EXACT

    @invariant()
    def a_steady_wire_has_its_answer(self) -> None:
        since_us, up = self.history[-1]
        world = self.world
        if world.now_us - since_us < DEBOUNCE_US:
            return
        if world.open:
            assert world.outputs == 0
        elif world.deliveries and world.deliveries[-1].seen_us < 0:
            return
        elif up:
            assert world.outputs in (OUT_DONE, OUT_FAULT)
        elif self.unmet():
            assert world.outputs == OUT_FAULT
        else:
            assert world.outputs == (OUT_READY if world.able() else 0)

    def unmet(self) -> bool:
        """Whether the robot had gone before its answer came, and has not been back since."""
        if not self.world.deliveries:
            return False
        last = self.world.deliveries[-1]
        left = any(not up and last.opened_us < at <= last.seen_us for at, up in self.counted())
        then = [up for at_us, up in self.counted() if at_us <= last.seen_us][-1]
        back = then or any(up for at_us, up in self.counted() if at_us > last.seen_us)
        return left and not back

    @invariant()
    def it_is_woken_for_nothing_but_debouncing_and_command(self) -> None:
        due_us = self.handshake.deadline_us()
        if due_us is not None and due_us != self.world.free_us():
            assert self.world.now_us < due_us <= self.history[-1][0] + DEBOUNCE_US

    @invariant()
    def a_fault_can_be_read(self) -> None:
        if self.world.outputs == OUT_FAULT:
            number, text = self.handshake.fault
            assert number and text


TestHandshake = HandshakeMachine.TestCase
TestHandshake.settings = hypothesis_settings(max_examples=80, stateful_step_count=50, deadline=None)
