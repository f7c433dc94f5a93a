"""The freeing ladder, on a wheel."""

from controller.cycle.freeing import RUNGS_MAX, Ladder
from controller.settings import FORWARD, REST, REVERSE, SHAKE
from tests.portable.wheel import PITCH, Bench, wheel_settings

LADDER = [[REVERSE, 350_000, 1], [SHAKE, 200_000, 3], [FORWARD, 500_000, 1], [REST, 400, 1]]


def ladder(rungs, bench):
    return Ladder(wheel_settings(recovery_ladder=rungs), bench.sprocket)


def climb(ladder, bench, stalled=False):
    """Carry the rung out; return the travel of each move, as the wheel's motor made it."""
    moves = []
    for _ in range(100):
        before = bench.wheel.motor
        done = ladder.poll(bench.now_us, stalled)
        stalled = False
        if done:
            return moves
        if bench.sprocket.moving:
            bench.go()
            moves.append(bench.wheel.motor - before)
        else:
            bench.wait(10_000)
    raise AssertionError("a rung without an end")


def near(moves, expected):
    """Within the lash of 5 steps and a rounding."""
    return len(moves) == len(expected) and all(
        [abs(moves[at] - expected[at]) <= 6 for at in range(len(moves))]
    )


def test_each_rung_makes_its_moves_in_the_order_given():
    bench = Bench().registered()
    climbing = ladder(LADDER, bench)
    assert climbing.begin(False, 5)
    assert climbing.move == REVERSE
    assert near(climb(climbing, bench), [-PITCH * 35 // 100])
    assert climbing.begin(False, 5)
    step = PITCH // 5
    assert near(climb(climbing, bench), [-step, step] * 3)
    assert climbing.begin(False, 5)
    assert near(climb(climbing, bench), [PITCH // 2])
    assert climbing.begin(False, 5)
    assert climbing.move == REST
    began_us = bench.now_us
    assert climb(climbing, bench) == []
    assert 400_000 <= bench.now_us - began_us <= 420_000
    assert not climbing.begin(False, 5)  # none left
    assert climbing.used == 4


def test_a_rest_names_the_time_it_is_over():
    bench = Bench()
    climbing = ladder([[REST, 400, 1]], bench)
    climbing.begin(False, 1)
    assert climbing.deadline_us() is None
    assert not climbing.poll(bench.now_us, False)
    assert climbing.deadline_us() == bench.now_us + 400_000


def test_against_hanging_parts_only_shaking_and_resting_help():
    bench = Bench().registered()
    climbing = ladder(LADDER, bench)
    codes = []
    while climbing.begin(True, 5):
        codes.append(climbing.move)
    assert codes == [SHAKE, REST]


def test_a_forward_rung_is_left_out_where_it_could_let_go_more_than_is_owed():
    bench = Bench(sprocket_index=0, sprocket_release_mdeg=0)  # any step may let one go
    for owed, fits in ((0, False), (1, True)):
        assert ladder([[FORWARD, 100_000, 1]], bench).begin(False, owed) == fits
    known = Bench().registered()
    # From its dwell position the next release is half a pitch away.
    assert ladder([[FORWARD, 400_000, 1]], known).begin(False, 0)
    assert not ladder([[FORWARD, 600_000, 1]], known).begin(False, 0)
    assert ladder([[FORWARD, 600_000, 1]], known).begin(False, 1)


def test_a_stall_ends_the_rung():
    bench = Bench().registered()
    climbing = ladder([[SHAKE, 200_000, 20]], bench)
    climbing.begin(False, 5)
    climbing.poll(bench.now_us, False)
    bench.go()
    assert climb(climbing, bench, stalled=True) == []


def test_a_part_that_comes_sends_it_back_to_the_first_rung_but_not_for_ever():
    bench = Bench()
    climbing = ladder(LADDER, bench)
    for used in range(RUNGS_MAX):
        assert climbing.begin(False, 5)
        assert climbing.move == REVERSE
        assert climbing.used == used + 1
        climbing.progress()
    assert not climbing.begin(False, 5)
    climbing.reset()
    assert climbing.begin(False, 5)


def test_no_rung_of_the_shipped_kind_opens_a_pocket_going_back():
    bench = Bench().registered()
    opened = len(bench.opened)
    climbing = ladder([[REVERSE, 450_000, 1], [SHAKE, 450_000, 5]], bench)
    while climbing.begin(False, 5):
        climb(climbing, bench)
    assert len(bench.opened) == opened == len(bench.wheel.let_go)


def test_an_empty_ladder_has_nothing_to_offer():
    assert not ladder([], Bench()).begin(False, 5)
