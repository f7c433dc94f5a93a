"""Requests on a simulated module, one after the other, and the truth about each.

Theory of operation
-------------------
The module is driven by its client through the SCPI line, as any host would drive it, in virtual
time; an attendant looks after it between requests.  What the module says about a request is its
result; what really fell while the request was open is told by the plant alone.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from controller.record import events
from hostsim.answers import Progress, Result
from hostsim.bench import Attendant
from hostsim.client import DispenserClient
from hostsim.dispenser import TICKET_MAX
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.words import Outcome

POLL_S = 2.0  # of virtual time, between two looks at an open request


@dataclass(frozen=True)
class Delivery:
    """One request: what the module says, and what the plant knows."""

    result: Result
    truth: int  # parts that passed the beam while the request was open
    opened_us: int
    closed_us: int
    helped: int  # times the attendant had to put the unit right before it

    @property
    def exact(self) -> bool:
        """True if the module says so."""
        return self.result.outcome is Outcome.EXACT

    @property
    def truthful(self) -> bool:
        """True if the truth lies within the bounds, and is the quantity where it says exact."""
        result = self.result
        if self.exact and self.truth != result.quantity:
            return False
        return result.lower <= self.truth <= result.upper


def dispense(
    module: SimModule,
    quantity: int,
    requests: int,
    on_progress: Callable[[Progress], None] | None = None,
) -> Iterator[Delivery]:
    """Make `requests` requests for `quantity` parts and yield each when it has closed.

    Raises ModuleError when the unit cannot be brought to Execute, or a request is refused.
    """
    client = DispenserClient(SimLink(module), poll_s=POLL_S)
    attendant = Attendant(module, client)

    def look(progress: Progress) -> None:
        attendant.watch(progress)
        if on_progress is not None:
            on_progress(progress)

    for number in range(requests):
        helped = attendant.helped
        attendant.prepare(quantity)
        module.notes.clear()
        result = client.request(quantity, number % TICKET_MAX + 1, look)
        opened_us = noted_us(module, events.REQUEST_OPEN)
        closed_us = noted_us(module, events.REQUEST_CLOSED)
        truth = module.plant.truth.passed_between(opened_us, closed_us)
        yield Delivery(result, truth, opened_us, closed_us, attendant.helped - helped)


def noted_us(module: SimModule, kind: int) -> int:
    """When the firmware last noted an event of that kind."""
    return next(note[0] for note in reversed(module.notes) if note[1] == kind)


def parts_per_minute(deliveries: list[Delivery]) -> float:
    """Parts out for each minute of open requests."""
    seconds = sum(delivery.result.seconds for delivery in deliveries)
    return 60 * sum(delivery.truth for delivery in deliveries) / seconds if seconds else 0.0
