"""Book: what is remembered of results and counters, and what becomes of a store that fails.

What a power cut makes of a request that is open stands in `test_wills`.
"""

from controller.cycle.verdict import DOUBTFUL
from controller.record import book as books
from tests.portable.bookrig import EVERY, fresh


def test_a_result_is_told_again_after_power_up():
    module = fresh()
    told = module.deliver(7, 5).as_tuple()
    after = module.again()
    assert after.cut is None
    assert after.orders.find(7).as_tuple() == told
    assert after.orders.tickets() == [7]


def test_counters_and_magazine_ride_on_every_record():
    module = fresh()
    module.counters.magazine = 200
    module.book.keep()
    module.deliver(1, 5)
    module.counters.misses, module.counters.jams = 3, 2
    module.counters.retries, module.counters.strays = 4, 1
    module.book.keep()
    assert module.again().counters.as_tuple() == (5, 5, 5, 3, 2, 4, 1, 195)


def test_parts_of_no_request_are_put_down_too():
    module = fresh()
    for _ in range(2 * EVERY + 1):
        module.counters.part()
        module.round()
    assert module.again().counters.lifetime == 2 * EVERY


def test_the_last_sixteen_results_outlive_many_generations():
    for size, unit in ((2048, 1), (4096, 256), (3 * 4096, 4096)):
        module = fresh(size, unit)
        for ticket in range(1, 101):
            module.deliver(ticket, 1 + ticket % 3)
            after = module.again()
            kept = list(range(ticket, max(0, ticket - 16), -1))
            assert after.orders.tickets() == kept
            assert [after.orders.find(old).quantity for old in kept] == [1 + n % 3 for n in kept]
            assert after.counters.lifetime == module.counters.lifetime
            module = after
        assert module.memory.erases == 0  # of a copy: each has compacted once at most
        assert not module.orders.is_new(50)


def test_a_stray_part_changes_the_result_also_in_the_store():
    module = fresh()
    result = module.deliver(1, 5)
    result.upper, result.outcome = 6, DOUBTFUL
    module.book.amend(result)
    after = module.again()
    assert after.orders.find(1).as_tuple() == result.as_tuple()
    assert after.orders.tickets() == [1]


def test_a_flickering_beam_does_not_wear_the_store_out():
    module = fresh()
    result = module.deliver(1, 5)
    before = module.memory.writes
    for _ in range(1000):
        module.book.amend(result)
    assert module.memory.writes - before == books.STRAYS_RECORDED_MAX


def test_without_a_store_the_module_works_and_forgets():
    for size in (0, 1024):
        module = fresh(size)
        assert module.book.condition == books.MISSING
        module.deliver(1, 30)
        assert module.orders.tickets() == [1]
        assert module.again().orders.tickets() == []
        assert module.memory.writes == 0


def test_a_store_that_keeps_nothing_refuses_requests_until_it_does():
    for fault in ("broken", "gone"):
        module = fresh()
        module.deliver(1, 5)
        setattr(module.memory, fault, True)
        assert not module.open(2, 5)
        assert module.book.condition == books.FAILED
        setattr(module.memory, fault, False)
        assert module.open(2, 5)
        assert module.book.condition == books.SOUND
        assert module.again().orders.tickets() == [2, 1]


def test_a_store_that_fails_in_a_request_is_not_written_to_at_every_round():
    module = fresh()
    module.open(1, 100)
    module.memory.broken = True
    for _ in range(60):
        module.pocket()
    assert module.book.condition == books.FAILED
    assert module.memory.erases <= 2
    assert module.close().lower == 60
    module.memory.broken = False
    assert module.again().orders.tickets() == [1]


def test_a_store_that_cannot_be_read_is_said_to_be_lost():
    module = fresh()
    for segment in module.memory.segments:
        segment[:] = module.memory.litter(4096)
    after = module.again()
    assert after.book.condition == books.LOST
    after.deliver(1, 5)
    assert after.again().book.condition == books.SOUND
    assert after.again().orders.tickets() == [1]


def test_records_of_another_version_are_left_alone():
    module = fresh()
    module.deliver(1, 5)
    assert module.book._journal.append(9, b"something new")
    assert module.book._journal.append(books.CLOSED, b"shorter than ours")
    after = module.again()
    assert after.book.condition == books.LOST
    assert after.orders.tickets() == [1]


def test_numbers_too_large_for_their_field_are_clipped():
    module = fresh()
    module.counters.lifetime = 1 << 40
    module.deliver(1, 1)
    result = module.orders.find(1)
    result.retries, result.duration_ms = 1 << 20, 1 << 40
    module.book.amend(result)
    after = module.again()
    assert after.orders.find(1).retries == (1 << 16) - 1
    assert after.counters.lifetime == after.orders.find(1).duration_ms == (1 << 32) - 1


def test_what_the_charts_have_learned_is_put_down_at_rest_once_and_taken_up_again():
    module = fresh(size=8192)
    learned = (module.phase.learned()[0], -321, 350, 9_400, 2_100)
    module.phase.restore(learned)
    module.phase.fresh = True
    module.open(8, 5)
    before = module.memory.writes
    module.round()
    assert module.memory.writes == before  # not while a request is open
    module.close()
    module.round()
    module.round()
    assert module.memory.writes - before == 2  # the result, and this
    after = module.again()
    assert after.phase.learned() == learned
    for ticket in range(9, 120):  # through compactions
        after.deliver(ticket, 1)
    assert after.again().phase.learned() == learned
    after.phase.learn_phase()
    after.round()
    assert after.again().phase.learned()[1:] == (0, 0, 9_400, 2_100)
