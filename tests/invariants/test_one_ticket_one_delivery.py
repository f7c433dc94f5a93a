"""However often an order is repeated, cut up, cleared away or given up waiting for: one delivery.

The model is a few lines of arithmetic on tickets, written from what a host is promised: tickets
count up from 1 to 65535 and on from 1; one that lies up to half the range ahead of the newest is
new; any other is known, or too old to be known, and is never delivered again.  What was delivered
is what the plant has seen fall.
"""

from collections.abc import Iterator

from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.record import events
from hostsim.client import DispenserClient
from hostsim.errors import AnswerTimeoutError, LinkError
from hostsim.links import SimLink
from hostsim.module import SimModule
from tests.invariants.bench import CONFIGS, SECOND_US, Bench
from tests.invariants.effort import effort

LAST = 65_535
HALF = 32_767
KEPT = 16  # results
ETX = b"\x03"
QUANTITY = st.integers(1, 3)
STEP = st.one_of(st.integers(1, 3), st.integers(1, HALF))


def ahead(ticket: int, steps: int) -> int:
    """The ticket so many steps after another."""
    return (ticket - 1 + steps) % LAST + 1


class Tickets(RuleBasedStateMachine):
    """A host that loses its head, against a module without faults."""

    def __init__(self) -> None:
        super().__init__()
        self.module = SimModule(CONFIGS["m4_nut"], 1)
        self.bench = Bench(self.module)
        self.bench.ready()
        self.module.plant.refill(200)
        self.known: list[tuple[int, int]] = []  # orders taken, oldest first: (ticket, quantity)
        self.is_open = False
        self.noted = len(self.module.notes)

    def teardown(self) -> None:
        """What has fallen is what was ordered."""
        self.module.write(ETX + b"\n")
        self.bench.close()
        self.catch_up()
        delivered = [self.bench.result(ticket) for ticket, _ in self.known[-KEPT:]]
        assert [result[:3] for result in delivered] == [[*order, 0] for order in self.known[-KEPT:]]
        wanted = sum(quantity for _, quantity in self.known)
        assert self.module.plant.truth.passed == wanted
        self.module.close()

    # ---- the model ----------------------------------------------------------------------------

    def catch_up(self) -> list[int]:
        """See what has closed; return the tickets that were opened since last time."""
        fresh = self.module.notes[self.noted :]
        self.noted = len(self.module.notes)
        if any(kind == events.REQUEST_CLOSED for _, kind, _, _ in fresh):
            self.is_open = False
        return [a for _, kind, a, _ in fresh if kind == events.REQUEST_OPEN]

    def is_new(self, ticket: int) -> bool:
        """Whether a ticket comes after all that were taken."""
        if not self.known:
            return True
        return 1 <= (ticket - self.known[-1][0]) % LAST <= HALF

    def takes(self, ticket: int, quantity: int) -> tuple[bool, bool]:
        """Whether an order is taken as a new one, and whether it is refused."""
        if self.is_open:
            return False, (ticket, quantity) != self.known[-1]
        remembered = dict(self.known[-KEPT:])
        if ticket in remembered:
            return False, remembered[ticket] != quantity
        return self.is_new(ticket), not self.is_new(ticket)

    def order(self, ticket: int, quantity: int, data: bytes = b"", copies: int = 1) -> None:
        """Send an order, `copies` times in one breath, with `data` before it."""
        assert self.catch_up() == []
        line = f"REQ:OPEN {ticket},{quantity}\n".encode()
        self.module.write(data + b"*CLS\n" + line * copies)
        self.module.run_until(self.module.now_us)
        opened = self.catch_up()
        new, refused = self.takes(ticket, quantity)
        assert opened == [ticket] * new
        if new:
            self.known.append((ticket, quantity))
            self.is_open = True
        assert (self.bench.ask("SYST:ERR?")[0] != 0) == refused
        assert self.catch_up() == []

    # ---- what the host does -------------------------------------------------------------------

    @initialize(ticket=st.one_of(st.sampled_from((1, LAST - 3, HALF)), st.integers(1, LAST)))
    def first_order(self, ticket: int) -> None:
        self.order(ticket, 1)

    @rule(steps=STEP, quantity=QUANTITY, copies=st.integers(1, 3))
    def order_the_next(self, steps: int, quantity: int, copies: int) -> None:
        self.order(ahead(self.known[-1][0], steps), quantity, copies=copies)

    @rule(back=st.integers(0, 40), copies=st.integers(1, 3), other=st.sampled_from((0, 0, 0, 1)))
    def order_again(self, back: int, copies: int, other: int) -> None:
        ticket, quantity = self.known[max(-back - 1, -len(self.known))]
        self.order(ticket, quantity + other, copies=copies)

    @rule(ticket=st.integers(1, LAST), quantity=QUANTITY)
    def order_anything(self, ticket: int, quantity: int) -> None:
        self.order(ticket, quantity)

    @rule(cut=st.integers(0, 15), steps=STEP, quantity=QUANTITY)
    def order_after_a_torn_one(self, cut: int, steps: int, quantity: int) -> None:
        """The line breaks off in the middle; the host comes back, clears and asks again."""
        ticket = ahead(self.known[-1][0], steps)
        torn = f"REQ:OPEN {ticket},{quantity}\n".encode()[: min(cut, 10)]
        self.order(ticket, quantity, torn + ETX + b"\n")

    @rule(wait_us=st.integers(0, SECOND_US))
    def give_up_waiting_and_ask_again(self, wait_us: int) -> None:
        """The order and a wait for its end are sent; the answer is not heard."""
        ticket, quantity = self.known[-1]
        self.module.write(f"REQ:OPEN {ticket},{quantity};*OPC?\n".encode())
        self.bench.wait(wait_us)
        self.module.write(ETX + b"\n")
        self.bench.wait(0)
        self.module.read()
        assert self.catch_up() == []
        self.order(ticket, quantity)

    @rule(count=st.integers(1, 20))
    def fill_many_bags(self, count: int) -> None:
        """So many that the first results are dropped."""
        for _ in range(count):
            self.bench.close()
            self.catch_up()
            self.order(ahead(self.known[-1][0], 1), 1)

    @rule(wait_us=st.integers(0, 2 * SECOND_US))
    def wait(self, wait_us: int) -> None:
        self.bench.wait(wait_us)

    @precondition(lambda self: self.is_open)
    @rule()
    def pause_and_go_on(self) -> None:
        self.module.tell("UNIT:COMM HOLD")
        self.bench.ready()

    @invariant()
    def the_magazine_never_runs_dry(self) -> None:
        if self.module.plant.truth.in_magazine < 50:
            self.module.plant.refill(100)


TestTickets = Tickets.TestCase
TestTickets.settings = effort(12, stateful_step_count=25)


class LossyLink(SimLink):
    """A line on which what is said may not arrive, either way, as a bit for each message says."""

    def __init__(self, module: SimModule, fates: Iterator[int]) -> None:
        super().__init__(module)
        self._fates = fates

    def ask(self, line: str, timeout_s: float) -> str:
        fate = next(self._fates)
        if fate == 1:  # the question is lost
            raise AnswerTimeoutError("lost")
        answer = super().ask(line, timeout_s)
        if fate == 2:  # the answer is lost
            raise AnswerTimeoutError("lost")
        return answer


@effort(25)
@given(
    quantities=st.lists(st.integers(1, 4), min_size=1, max_size=5),
    fates=st.lists(st.integers(0, 2), max_size=60),
)
def test_a_client_on_a_bad_line_gets_each_ticket_once(
    quantities: list[int], fates: list[int]
) -> None:
    with SimModule(CONFIGS["m4_nut"], 1) as module:
        Bench(module).ready()
        client = DispenserClient(LossyLink(module, iter([*fates, *[0] * 10_000])))
        for ticket, quantity in enumerate(quantities, 1):
            while True:
                try:
                    result = client.request(quantity, ticket)
                    break
                except LinkError:  # the caller does what callers do: try again
                    continue
            assert (result.ticket, result.quantity) == (ticket, quantity)
        assert module.plant.truth.passed == sum(quantities)
