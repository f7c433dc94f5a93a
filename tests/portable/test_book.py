"""Book: what is remembered, what a power cut makes of a request, and what bounds it leaves.

A pocket lets go one part, rarely two; a wheel without power runs on over one release at most.  The
tests play the worst that this allows behind the book's back and look at what power-up says.
"""

from controller.counting.phase import Phase
from controller.counting.tally import GOOD, LONG, Tally
from controller.counting.windows import Windows
from controller.cycle.causes import POWER_CUT
from controller.cycle.orders import Orders, Result
from controller.cycle.verdict import DOUBTFUL, EXACT, INTERRUPTED
from controller.motion.gear import PocketRatio
from controller.record import book as books
from controller.record.book import Book
from controller.record.counters import Counters
from tests.portable.memory import Cut, Memory
from tests.portable.module import settings

EVERY = 25  # the shipped checkpoint
PERIOD_US = 100_000  # from pocket to pocket
FALL_US = 64_000  # 20 mm in free fall
SECOND_US = 50_000  # from the first part of a pocket to its second


class Module:
    """The rooms around a book, as the firmware wires them, on one store."""

    def __init__(self, memory, every=EVERY):
        self.memory = memory
        self.every = every
        config = settings(record_checkpoint=every)
        windows = Windows(config)
        self.counters = Counters()
        self.orders = Orders()
        self.tally = Tally(windows)
        ratio = PocketRatio(200, 16, ((17, 51),), 7)
        self.phase = Phase(config, windows, ratio)
        self.book = Book(memory, config, windows, self.counters, self.orders, self.phase)
        self.cut = self.book.restore()
        self.at_rest = True  # this object also stands for the request
        self.ticket = self.quantity = self.retries = self.opened_us = 0
        self.now_us = 0
        self.passed = 0

    @property
    def is_open(self):
        return self.ticket != 0

    def open(self, ticket, quantity):
        kept = self.book.open(ticket, quantity)
        if kept:
            self.ticket, self.quantity = ticket, quantity
            self.tally.open(quantity)
            self.passed = 0
            self.at_rest = False
        return kept

    def round(self):
        self.book.follow(self, self.tally, self.now_us)

    def pocket(self, pulses=1, seen=True):
        """A pocket lets go, and what falls is seen or not; a round after each."""
        self.passed += 1
        self.counters.pockets += 1
        self.tally.passed(self.passed, self.now_us, self.now_us, False)
        self.round()
        for number in range(pulses if seen else 0):
            self.tally.pulse(self.now_us + FALL_US + number * SECOND_US, GOOD)
            self.counters.part()
            self.round()
        self.now_us += PERIOD_US

    def close(self, outcome=EXACT):
        tally = self.tally
        result = Result(
            self.ticket, self.quantity, outcome, tally.lower, tally.upper, tally.pockets, 0, 1234, 0
        )
        self.orders.add(result)
        self.book.close(result)
        self.at_rest = True
        self.ticket = 0
        return result

    def deliver(self, ticket, quantity):
        assert self.open(ticket, quantity)
        for _ in range(quantity):
            self.pocket()
        return self.close()

    def again(self):
        """The power goes and comes back."""
        return Module(self.memory.copy(), self.every)


def fresh(size=4096, unit=1, every=EVERY):
    return Module(Memory(size, unit), every)


def test_a_result_is_told_again_after_power_up():
    module = fresh()
    told = module.deliver(7, 5).as_tuple()
    after = module.again()
    assert after.cut is None
    assert after.orders.find(7).as_tuple() == told
    assert after.orders.tickets() == [7]


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
    for _ in range(4):
        module.pocket()
        # Fourteen pockets in all, one of them never counted twice.
        assert module.again().cut.upper >= module.passed + 1
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
