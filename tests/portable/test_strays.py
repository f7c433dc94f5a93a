"""What falls when nothing should, and what the board lost: whose bag is in doubt for it."""

from controller.cycle import causes
from controller.cycle.verdict import DOUBTFUL, EXACT, INTERRUPTED, SHORT
from tests.portable.rig import DARK_US, Rig

QUES_STRAY = 1024


def bag_of(outcome):
    """A module that has just closed its request for 3 parts with that outcome."""
    rig = Rig().in_execute()
    if outcome == SHORT:
        rig.tell("REQ:OPEN 1,3")
        rig.tell("REQ:CANC")
    elif outcome == INTERRUPTED:
        rig.tell("REQ:OPEN 1,3")
        rig.guard(False)
    else:
        rig.tell("REQ:OPEN 1,3")
    assert rig.closed()[2] == outcome
    return rig


def test_a_part_that_falls_after_closing_makes_a_bag_doubtful_that_was_told_for_certain():
    for outcome, then in ((EXACT, DOUBTFUL), (SHORT, DOUBTFUL), (INTERRUPTED, INTERRUPTED)):
        rig = bag_of(outcome)
        lower, upper = rig.closed()[3:5]
        rig.drop()
        rig.wait(500_000)
        result = rig.closed()
        assert result[2:5] == [then, lower, upper + 1]
        if then == DOUBTFUL:
            assert result[8] == causes.STRAY_PART
        assert int(rig.ask("STAT:QUES:COND?")) & QUES_STRAY


def test_a_long_pulse_after_closing_may_be_two_parts():
    rig = bag_of(EXACT)
    rig.drop(DARK_US * 3)
    rig.wait(500_000)
    assert rig.closed()[2:5] == [DOUBTFUL, 3, 5]


def test_edges_lost_before_a_request_are_not_held_against_it():
    rig = Rig().in_execute()
    rig.lost_edges = 7
    rig.wait(500_000)
    rig.tell("REQ:OPEN 1,3")
    assert rig.closed()[2:5] == [EXACT, 3, 3]
    rig.tell("REQ:OPEN 2,3")
    rig.lost_edges = 8
    result = rig.closed()
    assert result[2] == DOUBTFUL
    assert result[8] == causes.EDGES_LOST
