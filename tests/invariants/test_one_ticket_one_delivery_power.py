"""However often an order is repeated, and however often the power goes: one delivery.

The host of `test_one_ticket_one_delivery` again, at a module that loses its power at any moment.
Its model of tickets is the same before and after: a module that has been off forgets no order.
What each ticket has brought lies within the bounds of its result, and is counted by the plant from
one opening to the next, so that nothing can fall for a ticket at another time.
"""

from itertools import pairwise

from hypothesis import strategies as st
from hypothesis.stateful import rule

from tests.invariants.bench import SECOND_US
from tests.invariants.effort import effort
from tests.invariants.test_one_ticket_one_delivery import ETX, KEPT, Tickets

STOPPED = 2
INTERRUPTED = 3  # outcome


class TicketsAndPower(Tickets):
    """A host that loses its head, at a module that loses its power."""

    def __init__(self) -> None:
        super().__init__()
        self.fallen: list[int] = []  # parts that had fallen when each order was taken

    def teardown(self) -> None:
        self.module.write(ETX + b"\n")
        self.bench.close()
        self.bench.wait(SECOND_US)
        marks = [*self.fallen, self.module.plant.truth.passed]
        brought = [after - before for before, after in pairwise(marks)]
        for order, parts in list(zip(self.known, brought, strict=True))[-KEPT:]:
            result = self.bench.result(order[0])
            assert tuple(result[:2]) == order
            assert result[3] <= parts <= result[4], (parts, result)
        self.module.close()

    def order(self, ticket: int, quantity: int, data: bytes = b"", copies: int = 1) -> None:
        fallen = self.module.plant.truth.passed
        super().order(ticket, quantity, data, copies)
        if len(self.known) > len(self.fallen):
            self.fallen.append(fallen)

    @rule(off_us=st.sampled_from((0, SECOND_US)), times=st.integers(1, 2), reset=st.booleans())
    def lose_power(self, off_us: int, times: int, reset: bool) -> None:
        self.catch_up()
        for _ in range(times):
            self.module.board.power_cycle(off_us)
        self.module.read()
        self.bench.wait(SECOND_US)
        pockets = self.module.plant.truth.pockets_passed
        assert self.bench.ask("UNIT:STAT?")[0] == STOPPED
        if self.is_open:
            assert self.bench.result()[2] == INTERRUPTED
        self.is_open = False
        self.catch_up()
        if self.known and reset:  # an order repeated before anybody has looked
            self.order(*self.known[-1])
        self.bench.ready()
        assert self.module.plant.truth.pockets_passed == pockets


TestTicketsAndPower = TicketsAndPower.TestCase
TestTicketsAndPower.settings = effort(12, stateful_step_count=25)
