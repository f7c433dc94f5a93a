"""The rooms around a book, for tests on both interpreters: what a module puts down, on one store.

`Module` plays the firmware: it opens, counts and closes requests, and goes round as often as the
book must see it.  `again` is the next power-up, on what the store holds at that instant.
"""

from controller.counting.phase import Phase
from controller.counting.tally import GOOD, Tally
from controller.counting.windows import Windows
from controller.cycle.orders import Orders, Result
from controller.cycle.verdict import EXACT
from controller.motion.gear import PocketRatio
from controller.record.book import Book
from controller.record.counters import Counters
from tests.portable.memory import Memory
from tests.portable.module import settings

EVERY = 25  # the shipped checkpoint
PERIOD_US = 100_000  # from pocket to pocket
FALL_US = 64_000  # 20 mm in free fall
SECOND_US = 50_000  # from the first part of a pocket to its second


class Module:
    """The rooms around a book, as the firmware wires them, on one store."""

    def __init__(self, memory, every=EVERY, ran_on_us=0):
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
        self.cut = self.book.restore(ran_on_us)
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

    def again(self, ran_on_us=0):
        """The power goes and comes back; the drive may have run on for so long meanwhile."""
        return Module(self.memory.copy(), self.every, ran_on_us)


def fresh(size=4096, unit=1, every=EVERY):
    return Module(Memory(size, unit), every)
