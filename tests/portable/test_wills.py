"""Last wills: what a power cut makes of a request, and what bounds it leaves.

A pocket lets go one part, rarely two; a wheel without power runs on over one release at most.  The
tests play the worst that this allows behind the book's back and look at what power-up says.
"""

from controller.counting.tally import LONG
from controller.cycle.causes import POWER_CUT
from controller.cycle.verdict import INTERRUPTED
from controller.record import book as books
from tests.portable.bookrig import fresh
from tests.portable.memory import Cut


def test_an_open_request_is_interrupted_by_the_cut_and_stays_so():
    module = fresh()
    module.open(7, 5)
    after = module.again()
    result = after.cut
    assert (result.ticket, result.quantity) == (7, 5)
    assert (result.outcome, result.cause) == (INTERRUPTED, POWER_CUT)
    assert (result.lower, result.pockets) == (0, 0)
    assert after.orders.find(7) is result
    writes = after.memory.writes + after.memory.erases
    assert writes == 0  # power-up writes nothing, so it may be cut like anything
    later = after.again()
    assert later.cut.as_tuple() == result.as_tuple()
    later.deliver(8, 1)
    evening = later.again()
    assert evening.cut is None
    assert evening.orders.tickets() == [8, 7]
    assert evening.orders.find(7).as_tuple() == result.as_tuple()


def test_a_request_is_down_before_it_is_begun():
    for done in range(books.RECORD_BYTES):
        module = fresh()
        module.deliver(6, 1)
        module.memory.cut_after = done
        try:
            module.open(7, 5)
        except Cut:
            pass
        else:
            raise AssertionError("it began before it was down")
        assert module.again().orders.tickets() in ([6], [7, 6])  # litter may happen to fit


def worst_case(module, seconds):
    """Most parts that may be out for good: a pocket passed unnoticed, one coasted over, seconds."""
    return module.passed + 1 + 1 + seconds


def test_the_bounds_hold_whenever_the_power_goes():
    # In the air, or not yet told from the next: pockets of the last fall and a slow pulse, and the
    # one coasted over.  173 ms at ten pockets a second: two, and it.
    for every in (0, 1, 2, 5, 25):
        for quantity in (1, 2, 24, 25, 26, 60):
            module = fresh(every=every)
            module.open(1, quantity)
            for number in range(quantity):
                result = module.again().cut
                assert result.lower <= number
                assert result.upper >= worst_case(module, min(2, number) + 1), (every, number)
                module.pocket()


def test_second_parts_widen_the_bounds_as_soon_as_they_are_seen():
    module = fresh()
    module.open(1, 10)
    out = 0
    for number in range(8):
        doubled = number in (2, 5)
        module.pocket(pulses=2 if doubled else 1)
        out += 2 if doubled else 1
        # What is out, another pocket unnoticed, one coasted over, three more seconds.
        assert module.again().cut.upper >= out + 1 + 1 + 3
        assert module.again().cut.lower <= out
    assert out == 10


def test_a_pulse_of_one_part_or_two_is_put_down_at_once():
    module = fresh()
    module.open(1, 10)
    before = module.memory.writes
    module.pocket(seen=False)
    module.tally.pulse(module.now_us, LONG)
    module.round()
    assert module.memory.writes == before + 1


def test_parts_that_cling_to_empty_pockets_may_still_fall():
    module = fresh()
    module.open(1, 10)
    for number in range(10):
        module.pocket(seen=number < 6)
    module.tally.expire(module.now_us + 500_000)
    assert module.tally.prove_empty() == 4
    for number in range(4):
        module.pocket()
        # Fourteen pockets in all: those that count as empty may let their parts go yet.
        assert module.again().cut.upper >= worst_case(module, min(2, number) + 1)
    assert module.tally.upper == 10


def test_at_rest_the_bounds_are_tight_and_the_remainder_is_known():
    module = fresh()
    module.open(1, 100)
    for _ in range(30):
        module.pocket()
    module.at_rest = True
    module.round()
    result = module.again().cut
    assert (result.lower, result.upper) == (30, 30)
    writes = module.memory.writes
    module.round()
    assert module.memory.writes == writes
    module.at_rest = False
    module.round()  # before the next move
    assert module.memory.writes == writes + 1
    assert module.again().cut.upper >= 30 + 1 + 1


def test_at_rest_what_clings_and_what_left_no_trace_may_still_fall():
    module = fresh()
    module.open(1, 100)
    for number in range(10):
        module.pocket(seen=number < 6)
    module.tally.expire(module.now_us + 500_000)
    module.at_rest = True
    module.round()
    # Nobody has seen what became of four pockets, and each may have held two parts.
    assert module.again().cut.upper >= 6 + 2 * 4
    module.tally.prove_empty()
    module.round()
    result = module.again().cut
    assert (result.lower, result.upper) == (6, 6 + 4)


def test_a_drive_that_ran_on_may_have_let_two_parts_go_from_every_pocket():
    module = fresh()
    module.open(1, 100)
    for _ in range(5):
        module.pocket()
    before = module.again().cut
    hung = module.again(2_000_000)
    # Ten pockets a second, and one more on whose edge it may have stood.
    assert hung.cut.upper >= before.upper + 2 * (20 + 1)
    assert hung.cut.lower == before.lower
    assert hung.again().cut.as_tuple() == hung.cut.as_tuple()  # it is in the store as well


def test_a_request_that_the_store_would_not_keep_is_nobody_s_will():
    module = fresh(2048)
    module.open(1, 5)
    after = module.again()
    after.memory.broken = True
    assert not after.open(2, 5)  # refused: the host is to ask again
    after.memory.broken = False
    for _ in range(60):  # through a compaction
        after.book.keep()
    later = after.again()
    assert later.orders.tickets() == [1]
    assert later.cut.as_tuple() == after.cut.as_tuple()


def test_checkpoints_come_as_often_as_settings_say():
    def writes(quantity, every):
        module = fresh(65_536, every=every)
        module.deliver(1, 1)
        before = module.memory.writes
        module.deliver(2, quantity)
        return module.memory.writes - before

    # One to open, one to close, and one after every so many, but none where the rest is fewer.
    assert writes(1, 25) == 2
    assert writes(25, 25) == 2
    assert writes(26, 25) == 3
    assert writes(100, 25) == 5
    assert writes(100, 0) == 2
    assert writes(100, 1) == 2 + 99


def test_a_stray_part_of_an_interrupted_request_leaves_it_interrupted():
    module = fresh()
    module.open(1, 5)
    after = module.again()
    after.cut.upper += 1
    after.book.amend(after.cut)
    later = after.again()
    assert later.cut.as_tuple() == after.cut.as_tuple()
    assert later.orders.tickets() == [1]


def test_an_interrupted_request_outlives_a_compaction():
    module = fresh(2048)
    module.deliver(1, 1)
    module.open(2, 5)
    after = module.again()
    for _ in range(60):
        after.book.keep()
    assert after.memory.erases > 0
    assert after.again().cut.as_tuple() == after.cut.as_tuple()
    assert after.again().orders.tickets() == [2, 1]
