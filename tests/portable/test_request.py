"""A request step by step, on a wheel with a beam: what each step waits for and must not do.

The unit's commands have tests of their own (`test_service`), and so has what the evidence means
(`test_verdict`).  Here is what lies between: parts that come at an awkward moment, runs that are
cut, and how often the wheel is started.  `out` counts what really fell.
"""

from controller.cycle import causes
from controller.cycle.requestchart import COUNTING, FREEING, SETTLING, TESTING, VERIFYING, WAITING
from controller.cycle.verdict import DOUBTFUL, EXACT, SHORT
from controller.record import events as ev
from controller.settings import FORWARD, REST, REVERSE, SHAKE
from tests.portable.rig import Rig

NO_SENSOR = {"sprocket_index": 0, "sprocket_release_mdeg": 0}
SHAKES = ((SHAKE, 200_000, 1),)


def registered(**changes):
    """A module in service that has delivered parts under ticket 1 and knows where it stands."""
    rig = Rig(**changes).in_execute()
    rig.tell("REQ:OPEN 1,3")
    assert rig.closed()[2] == EXACT
    assert rig.firmware.sprocket.known
    rig.notes = []
    return rig


def ask_for(rig, quantity, state=None, empty=()):
    """Order parts under ticket 2; `empty`: pockets of the coming ones, from 0, without a part."""
    rig.done = len(rig.wheel.let_go)
    rig.empty = [rig.done + place for place in empty]
    rig.before = len(rig.passed)
    rig.tell(f"REQ:OPEN 2,{quantity}")
    if state is not None:
        wait_in(rig, state)


def wait_in(rig, state):
    rig.wait_for(lambda: rig.firmware.request.state == state)


def wait_for_parts(rig, count):
    """Wait until so many parts of the request have been counted."""
    rig.wait_for(lambda: rig.firmware.tally.lower >= count)


def out(rig):
    """Parts that have really fallen since `ask_for`."""
    return len(rig.passed) - rig.before


def outcome(rig):
    """The result once the request has closed: (outcome, lower, upper), and that they hold."""
    result = rig.closed()
    rig.wait(1_000_000)  # what falls afterwards would be a stray
    assert result[3] <= out(rig) <= result[4], (result, out(rig))
    return tuple(result[2:5])


def count(rig, kind):
    return len([note for note in rig.notes if note[1] == kind])


# ---- parts that come at an awkward moment ---------------------------------------------------


def test_a_part_that_comes_while_the_wheel_is_shaken_may_be_the_last_that_was_owed():
    rig = registered(recovery_silent=1, recovery_ladder=SHAKES)
    ask_for(rig, 1, FREEING, empty=[0])
    rig.drop()  # it clung, and the shaking has brought it
    assert outcome(rig) == (EXACT, 1, 1)
    assert count(rig, ev.RUN_START) == 1


def test_a_part_that_comes_while_help_is_awaited_may_be_the_last_that_was_owed():
    rig = registered(recovery_silent=1, recovery_ladder=())
    ask_for(rig, 1, WAITING, empty=[0])
    rig.drop()
    rig.wait(100_000)
    assert not rig.firmware.request.is_open  # at once, not when patience is over
    assert outcome(rig) == (EXACT, 1, 1)
    assert count(rig, ev.RUN_START) == 1


def test_a_part_that_falls_during_the_test_of_the_beam_is_counted_before_anything_is_decided():
    for state in (VERIFYING, TESTING):
        ladder = SHAKES if state == TESTING else ()
        rig = registered(recovery_silent=1 if ladder else 3, recovery_ladder=ladder)
        ask_for(rig, 1, FREEING if ladder else SETTLING, empty=[0])
        wait_in(rig, state)
        rig.drop()  # of the pocket that is about to be proven empty, or has been
        assert outcome(rig) == (EXACT, 1, 1), state
        assert count(rig, ev.RUN_START) == 1


def test_what_a_forward_rung_has_let_go_is_counted_before_the_request_closes():
    # From 40 steps behind rest the rung goes on to just behind the release edge at 171: the wheel
    # stands when the part has yet to fall.
    rig = registered(recovery_ladder=((FORWARD, 400_000, 1),))
    rig.wheel.stall_at = 40
    ask_for(rig, 3, FREEING)
    rig.wheel.stall_at = None
    moved = len(rig.wheel.let_go)
    rig.wait_for(lambda: len(rig.wheel.let_go) > moved)
    rig.tell("REQ:CANC")
    assert outcome(rig) == (SHORT, 1, 1)


# ---- runs that are cut ----------------------------------------------------------------------


def test_a_part_too_many_makes_the_run_shorter_by_one():
    rig = registered()
    ask_for(rig, 12)
    wait_for_parts(rig, 2)
    rig.drop()  # no pocket has let it go
    assert outcome(rig) == (DOUBTFUL, 11, 12)
    assert out(rig) == 12


def test_a_search_that_has_brought_the_last_part_goes_no_further():
    rig = Rig(**NO_SENSOR).in_execute()
    rig.before = 0
    rig.tell("REQ:OPEN 1,1")
    wait_for_parts(rig, 1)
    moved = rig.wheel.issued
    assert outcome(rig) == (EXACT, 1, 1)
    # What was on its way, if it crept still; the way to the dwell position is a move of its own.
    steps = [note[3] for note in rig.notes if note[1] == ev.RUN_END]
    assert steps[0] - moved <= 64
    assert rig.firmware.sprocket.known


def test_pockets_that_stay_empty_in_a_row_end_the_run():
    rig = registered(recovery_silent=3, recovery_ladder=())
    ask_for(rig, 20, WAITING, empty=range(3, 40))
    assert rig.firmware.request.cause == causes.MAGAZINE_EMPTY
    # Three that are silent, and those passed until the third has been missed and the wheel stands.
    assert 3 + 3 <= len(rig.wheel.let_go) - rig.done <= 3 + 3 + 3
    rig.empty = ()
    rig.command("UNS")
    assert outcome(rig) == (EXACT, 20, 20)
    assert count(rig, ev.RUN_START) == 2  # what was missed before the refill cuts no run after it


def test_a_train_that_one_shake_has_loosened_takes_one_more_run():
    rig = registered(recovery_silent=3, recovery_ladder=SHAKES)
    ask_for(rig, 20, FREEING, empty=range(3, 40))
    rig.empty = range(rig.done + 3, len(rig.wheel.let_go))
    assert outcome(rig) == (EXACT, 20, 20)
    assert count(rig, ev.RUN_START) == 2


def test_a_wish_to_end_or_to_pause_ends_the_run_within_a_pocket_or_two():
    for command in ("STOP", "HOLD"):
        rig = registered()
        ask_for(rig, 20)
        wait_for_parts(rig, 3)
        passed = len(rig.wheel.let_go)
        rig.tell("UNIT:COMM " + command)
        rig.wait(2_000_000)
        assert len(rig.wheel.let_go) - passed <= 2, command
        if command == "HOLD":
            assert rig.firmware.request.state == WAITING
            rig.command("UNH")
            assert outcome(rig) == (EXACT, 20, 20)
        else:
            assert outcome(rig)[0] == SHORT


# ---- a beam that can't be believed ----------------------------------------------------------


def test_what_a_dead_beam_has_missed_is_never_proven_afterwards():
    rig = registered()
    ask_for(rig, 20)
    wait_for_parts(rig, 2)
    rig.dead = 0  # reads clear whatever falls
    wait_in(rig, WAITING)
    assert rig.state == "HELD"
    assert rig.firmware.request.cause == causes.BEAM_DEAD
    assert out(rig) > 2
    rig.dead = None
    rig.command("UNH")
    verdict, lower, upper = outcome(rig)
    assert verdict == DOUBTFUL
    assert lower < upper == 20


def test_a_beam_that_stays_blocked_stops_the_wheel_and_is_tested_before_it_goes_on():
    rig = registered(recovery_chute_ms=300, recovery_silent=10)
    ask_for(rig, 30)
    wait_for_parts(rig, 2)
    passed = len(rig.wheel.let_go)
    rig.dead = 1  # something has lodged in it
    wait_in(rig, WAITING)
    assert rig.state == "SUSPENDED"
    assert rig.firmware.request.cause == causes.CHUTE_BLOCKED
    assert count(rig, ev.RUN_START) == 1
    # In 60 ms it is stuck, and braking takes a pitch: far from the 28 pockets that were planned.
    assert len(rig.wheel.let_go) - passed <= 4
    rig.dead = None
    rig.command("UNS")
    verdict, lower, upper = outcome(rig)
    assert verdict == DOUBTFUL
    assert lower < upper == 30
    assert out(rig) <= 30


def test_a_beam_that_was_blocked_for_a_while_is_proven_once_and_the_request_goes_on():
    rig = registered(recovery_silent=10)
    ask_for(rig, 20)
    wait_for_parts(rig, 2)
    rig.dead = 1
    wait_in(rig, SETTLING)
    rig.dead = None
    verdict, lower, upper = outcome(rig)
    assert verdict == DOUBTFUL
    assert lower < upper == 20
    passed = [note[2] for note in rig.notes if note[1] == ev.BEAM_TEST]
    assert passed == [1, 1]  # before the first run, and before the second
    assert count(rig, ev.RUN_START) == 2


# ---- the ladder -----------------------------------------------------------------------------


def test_each_jam_of_a_request_is_freed_from_the_first_rung_on_if_parts_came_in_between():
    ladder = ((REVERSE, 350_000, 1), (REST, 100, 1))
    rig = registered(recovery_ladder=ladder)
    ask_for(rig, 12)
    for parts in (1, 2, 3):
        wait_for_parts(rig, 2 * parts)
        rig.wheel.stall_at = rig.wheel.issued + 1
        wait_in(rig, FREEING)
        rig.wheel.stall_at = None
        rig.wait_for(lambda: rig.firmware.request.state == COUNTING)
    assert outcome(rig)[1] == 12
    rungs = [note[2] for note in rig.notes if note[1] == ev.FREEING]
    assert rungs == [REVERSE, REVERSE, REVERSE]


def test_help_gives_every_rung_and_every_run_back():
    rig = registered(recovery_ladder=((REVERSE, 350_000, 1),), recovery_runs=3)
    rig.wheel.stall_at = 40
    ask_for(rig, 3)
    for _ in range(3):
        wait_in(rig, WAITING)
        assert rig.state == "HELD"
        assert count(rig, ev.FREEING) == 1
        rig.notes = []
        rig.command("UNH")
    wait_in(rig, WAITING)
    rig.wheel.stall_at = None
    rig.command("UNH")
    assert outcome(rig)[1] == 3
