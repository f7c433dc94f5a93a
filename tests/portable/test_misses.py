"""Misses: an empty pocket is one only between two parts; what was starved is none."""

from controller.counting.tally import GOOD, LATE, SHORT, Tally

PERIOD_US = 100_000
FALL_US = 70_000
MINUTE_US = 60_000_000


class Windows:
    """A part is seen 50 to 90 ms after its release."""

    early_us = 50_000
    late_us = 90_000
    creep_early_us = -100_000
    creep_late_us = 200_000


class Wheel:
    """A tally, and pockets that pass before it."""

    def __init__(self):
        self.tally = Tally(Windows)
        self.now_us = 0
        self.number = 0

    def request(self, *runs):
        """One request of so many runs, a proof after each; a letter a pocket: o full, - empty."""
        self.tally.open(100)
        for run in runs:
            self.run(run)
        return self

    def run(self, run, proof=True):
        for pocket in run:
            self.number += 1
            self.tally.passed(self.number, self.now_us, self.now_us, False)
            if pocket == "o":
                assert self.tally.pulse(self.now_us + FALL_US, GOOD) == GOOD
            elif pocket == "?":  # noise in its window: not provable
                assert self.tally.pulse(self.now_us + FALL_US, SHORT) == SHORT
            self.now_us += PERIOD_US
        self.now_us += MINUTE_US
        self.tally.expire(self.now_us)
        if proof:
            self.tally.prove_empty()

    def late(self):
        assert self.tally.pulse(self.now_us, GOOD) == LATE

    def taken(self):
        return self.tally.misses.take()


def test_an_empty_pocket_between_two_parts_is_a_miss():
    assert Wheel().request("oo-o").taken() == 1
    assert Wheel().request("o--o-o").taken() == 3
    assert Wheel().request("oooo").taken() == 0


def test_one_at_the_end_of_a_run_is_judged_by_the_next_run():
    wheel = Wheel().request("ooo--")
    assert wheel.taken() == 0
    wheel.run("-o")
    assert wheel.taken() == 3
    assert wheel.taken() == 0  # told once


def test_pockets_after_the_last_part_of_a_request_are_starved():
    wheel = Wheel().request("oo-oo---", "---", "---")
    assert wheel.taken() == 1
    wheel.request("--oo-o")  # filled up; two pockets were beyond the mouth already
    assert wheel.taken() == 1


def test_a_wheel_that_has_given_nothing_yet_has_missed_nothing():
    assert Wheel().request("---", "---", "--").taken() == 0
    assert Wheel().request("--ooo").taken() == 0


def test_the_first_pocket_of_a_request_may_miss_like_any():
    wheel = Wheel().request("oooo")
    assert wheel.request("-ooo").taken() == 0 + 1


def test_after_help_nothing_is_known_of_the_pockets_before():
    wheel = Wheel().request("oo-o---")
    assert wheel.taken() == 1
    wheel.tally.misses.drop()
    wheel.run("--oo-o")
    assert wheel.taken() == 1
    wheel.tally.misses.drop()  # a pause with a fed wheel
    wheel.run("-o")
    assert wheel.taken() == 1


def test_after_moves_of_no_request_the_wheel_may_be_empty():
    wheel = Wheel().request("oooo")
    wheel.tally.misses.unfed()
    assert wheel.request("--oo-o").taken() == 1


def test_what_was_not_proven_is_no_miss():
    wheel = Wheel().request()
    wheel.run("oo-o", proof=False)
    assert wheel.taken() == 0
    wheel.tally.blinded()
    wheel.tally.prove_empty()
    assert wheel.taken() == 0
    assert Wheel().request("oo?o").taken() == 0


def test_a_part_that_clung_was_in_its_pocket():
    for proof in (True, False):
        wheel = Wheel().request()
        wheel.run("ooo--", proof)
        wheel.late()
        wheel.run("oo")
        assert wheel.taken() == 1, proof
    wheel = Wheel().request()
    wheel.run("oo-oo", proof=False)
    wheel.late()
    wheel.tally.prove_empty()
    assert wheel.taken() == 0


def test_a_worn_wheel_is_told_by_its_share():
    """1 pocket in 20, wherever a request begins; all but those between the last two parts."""
    wheel = Wheel()
    pockets = ("o" * 7 + "-" + "o" * 12) * 50
    taken = 0
    for begin in range(0, len(pockets), 8):
        wheel.request(pockets[begin : begin + 8])
        if pockets[begin + 7] == "-":
            wheel.run("o")  # a request owes one more then
        taken += wheel.taken()
    assert taken == 50
