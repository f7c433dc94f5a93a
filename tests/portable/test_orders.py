"""Orders: which ticket is new, and which results are kept."""

from controller.cycle.orders import RESULTS_KEPT, TICKET_MAX, Orders, Result


def kept(*tickets):
    """Orders that have seen these tickets, in this order."""
    orders = Orders()
    for ticket in tickets:
        orders.add(Result(ticket, 10, 0, 10, 10, 10, 0, 1000, 0))
    return orders


def test_any_ticket_is_new_to_an_empty_book():
    for ticket in (1, 40000, TICKET_MAX):
        assert Orders().is_new(ticket)


def test_a_ticket_is_new_less_than_half_the_range_ahead():
    orders = kept(100)
    for ticket, new in ((101, True), (100 + 32767, True), (100 + 32768, False), (99, False)):
        assert orders.is_new(ticket) == new, ticket
    assert not orders.is_new(100)


def test_the_count_wraps_to_one():
    orders = kept(TICKET_MAX)
    assert orders.is_new(1)
    assert not orders.is_new(TICKET_MAX - 1)
    assert not kept(TICKET_MAX, 1).is_new(TICKET_MAX)


def test_a_ticket_long_dropped_is_still_known_to_be_old():
    orders = kept(*range(1, 101))
    assert orders.find(1) is None
    assert not orders.is_new(1)


def test_the_newest_results_are_kept_and_the_newest_comes_first():
    orders = kept(*range(1, 31))
    assert orders.tickets() == list(range(30, 30 - RESULTS_KEPT, -1))
    assert orders.find(0).ticket == 30
    assert orders.find(20).ticket == 20
