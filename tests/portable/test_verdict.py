"""What the evidence means: the order of the questions is the recovery policy."""

from controller.counting.tally import GOOD, Tally
from controller.cycle import causes
from controller.cycle.verdict import (
    AGAIN,
    ASK,
    BREAK_OFF,
    CLOSE,
    DOUBTFUL,
    EXACT,
    FREE,
    INTERRUPTED,
    SEARCHES_MAX,
    SHAKE,
    SHORT,
    Evidence,
    decide,
    judge,
)
from tests.portable.module import settings


class Windows:
    early_us = creep_early_us = 50_000
    late_us = creep_late_us = 90_000


def tally(quantity, seen, silent=0, proven=True):
    """A tally in which `seen` pockets brought a part, and then `silent` brought none."""
    made = Tally(Windows)
    made.open(quantity)
    for pocket in range(seen + silent):
        at_us = pocket * 100_000
        made.passed(pocket + 1, at_us, at_us, False)
        if pocket < seen:
            made.pulse(at_us + 70_000, GOOD)
    made.expire(10_000_000_000)
    if proven:
        made.prove_empty()
    return made


def evidence(**facts):
    made = Evidence()
    for name, value in facts.items():
        setattr(made, name, value)
    return made


VALUES = settings(recovery_silent=3, recovery_runs=6)
EVERYTHING = {
    "jam": causes.JAMMED,
    "searches": SEARCHES_MAX,
    "runs": 6,
}


def decided(parts, facts, supplied=True):
    return decide(parts, facts, VALUES, supplied)


def test_when_nothing_more_may_be_sent_it_closes_whatever_else_is_wrong():
    for parts in (tally(5, 5), tally(5, 6), tally(5, 3, 2, proven=False)):
        assert parts.owed == 0
        assert decided(parts, evidence(paused=True, **EVERYTHING), False)[0] == CLOSE


def test_somebody_s_wish_or_a_missing_bag_comes_before_all_repair():
    parts = tally(9, 1, 3)
    for facts, supplied in (
        (evidence(paused=True, **EVERYTHING), True),
        (evidence(ending=SHORT, **EVERYTHING), True),
        (evidence(ending=INTERRUPTED, **EVERYTHING), True),
        (evidence(**EVERYTHING), False),
    ):
        assert decided(parts, facts, supplied)[0] == BREAK_OFF


def test_a_jam_is_freed_before_anything_is_asked():
    assert decided(tally(9, 1, 3), evidence(**EVERYTHING)) == (FREE, causes.JAMMED)


def test_silent_pockets_in_a_row_are_shaken():
    facts = evidence(searches=SEARCHES_MAX, runs=6)
    assert decided(tally(9, 1, 3), facts) == (SHAKE, causes.MAGAZINE_EMPTY)
    assert decided(tally(9, 1, 2), evidence())[0] == AGAIN


def test_what_has_been_tried_often_enough_is_a_person_s():
    parts = tally(9, 5, 1)
    assert decided(parts, evidence(searches=SEARCHES_MAX)) == (ASK, causes.POSITION_UNKNOWN)
    assert decided(parts, evidence(runs=6)) == (ASK, causes.RETRIES_USED)
    assert decided(parts, evidence(runs=5, searches=SEARCHES_MAX - 1)) == (AGAIN, causes.NO_CAUSE)


def test_help_forgives_the_machine_but_not_the_wish_to_end():
    facts = evidence(ending=SHORT, seen=4, stuck=True, **EVERYTHING)
    facts.start_over()
    assert (facts.runs, facts.searches, facts.jam, facts.stuck) == (0, 0, causes.NO_CAUSE, False)
    assert (facts.ending, facts.seen) == (SHORT, 4)
    assert facts.broken_off


def test_exact_only_when_both_bounds_are_the_quantity():
    assert judge(tally(5, 5), None) == (EXACT, causes.NO_CAUSE)
    assert judge(tally(5, 5), SHORT) == (EXACT, causes.NO_CAUSE)
    assert judge(tally(5, 4), SHORT) == (SHORT, causes.NO_CAUSE)
    assert judge(tally(5, 4, 1, proven=False), None) == (DOUBTFUL, causes.EVIDENCE)


def test_more_than_was_asked_for_is_never_exact():
    assert judge(tally(5, 6), None) == (DOUBTFUL, causes.OVER_RUN)


def test_interrupted_says_so_whatever_was_counted():
    for parts in (tally(5, 5), tally(5, 2), tally(5, 6)):
        assert judge(parts, INTERRUPTED) == (INTERRUPTED, causes.NO_CAUSE)
