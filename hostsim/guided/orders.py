"""Ordering parts while a module is measured: a filled magazine, and help where it waits for some.

Theory of operation
-------------------
A module that is measured is looked after by the person at it.  Before each order the magazine is
seen to hold enough, as far as the module can know; a request that waits for parts meanwhile gets
them.  A request that waits for anything else is given up, and its step with it.
"""

from collections.abc import Callable

from controller.cycle import causes
from hostsim.answers import MeasuredPart, Progress, Result
from hostsim.guided.procedure import Session
from hostsim.words import RequestState, UnitMode, UnitState

# Parts to be left in the magazine when an order ends. A module only reckons what is in it: parts
# that it did not see fall are missing there, and an order that runs dry looks like a bad rate.
RESERVE = 20
FILL_UP = "Fill the magazine to the top, from above, with the guard shut."


def at_once(session: Session, parts: int) -> int:
    """So many of `parts` can be ordered at once from a full magazine."""
    capacity = int(session.setting("magazine_capacity"))
    return min(parts, max(capacity // 2, capacity - RESERVE))


def supply(session: Session, parts: int) -> None:
    """See that the magazine holds `parts` and the reserve, or is full."""
    magazine = session.client.magazine()
    if magazine.level < min(parts + RESERVE, magazine.capacity):
        fill_up(session)


def fill_up(session: Session) -> None:
    """Have the magazine filled to the top, and tell the module."""
    session.talk.wait_for("fill up", FILL_UP)
    magazine = session.client.magazine()
    if magazine.level < magazine.capacity:
        session.client.load_magazine(magazine.capacity - magazine.level)


def refill_when_waiting(session: Session) -> Callable[[Progress], None]:
    """What to do at every look at a request: fill up and go on if it waits for parts; give it up if
    it waits for anything else."""

    def look(progress: Progress) -> None:
        if progress.state is not RequestState.WAITING:
            return
        client = session.client
        if client.cause().code == causes.MAGAZINE_EMPTY:
            fill_up(session)
            if client.state() is UnitState.SUSPENDED:
                client.command("unsuspend")
        else:
            client.cancel_request()

    return look


def give_up_when_waiting(session: Session) -> Callable[[Progress], None]:
    """The same for a request that is to end where it can't go on by itself."""

    def look(progress: Progress) -> None:
        if progress.state is RequestState.WAITING:
            session.client.cancel_request()

    return look


def order(
    session: Session,
    quantity: int,
    look: Callable[[Progress], None],
    parts: list[MeasuredPart] | None = None,
) -> Result:
    """Order `quantity`, and read out into `parts`, while it runs, what was measured of each."""
    client = session.client
    session.in_service(UnitMode.PRODUCTION)

    def follow(progress: Progress) -> None:
        if parts is not None:
            parts.extend(client.measured_parts())
        session.talk.live(f"{progress.lower} of {progress.quantity} parts, {progress.state}")
        look(progress)

    list(client.measured_parts())  # of earlier orders
    result = client.request(quantity, on_progress=follow)
    if parts is not None:
        parts.extend(client.measured_parts())
    return result
