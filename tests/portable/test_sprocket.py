"""The sprocket with its position known: runs, nudges, and what breaks them off."""

from controller.motion.sprocket import ARRIVED, CUT_OFF, MOVING, OVERDUE, STALL, Sprocket
from tests.portable.module import settings
from tests.portable.wheel import DEN, NUM, PITCH, PLAY, Bench, Wheel


def dwell(pocket):
    """The dwell position of a pocket, rounded half up (there is no half with 7 pockets)."""
    return (2 * pocket * NUM + DEN) // (2 * DEN)


# ---- runs -----------------------------------------------------------------------------------


def test_runs_end_on_the_rounded_dwell_position_and_errors_never_add_up():
    bench = Bench().registered()
    sprocket, wheel = bench.sprocket, bench.wheel
    adrift = wheel.wheel - sprocket.position  # registration is good to a step or two
    assert -2 <= adrift <= 2
    for pockets in (1, 2, 3, 5, 8, 13, 21, 1, 1, 7, 60):
        assert bench.run(pockets) == ARRIVED
        assert sprocket.position == dwell(sprocket.frontier)
        assert wheel.wheel - sprocket.position == adrift


def test_a_run_opens_every_pocket_once_when_it_is_let_go():
    bench = Bench().registered()
    before = len(bench.opened)
    bench.run(20)
    fresh = bench.opened[before:]
    first = fresh[0][0]
    assert [opening[0] for opening in fresh] == list(range(first, first + 20))
    for at in range(20):
        _, first_us, last_us, _, _ = fresh[at]
        assert first_us == last_us
        # Two steps at the rate of the slowest release.
        assert abs(first_us - bench.wheel.let_go[before + at]) < 2_000


def test_a_poll_that_comes_late_opens_all_that_has_been_passed():
    bench = Bench().registered()
    before = len(bench.opened)
    bench.sprocket.run(10, bench.now_us)
    assert bench.round(bench.now_us + 700_000) == MOVING
    assert len(bench.opened) - before == len(bench.wheel.let_go) - before > 3


def test_nothing_moves_and_nothing_is_due_at_rest():
    bench = Bench().registered()
    assert bench.sprocket.deadline_us() is None
    assert bench.sprocket.pending == 0
    assert bench.round(bench.now_us + 1) == MOVING


# ---- back and forth -------------------------------------------------------------------------


def test_going_back_and_forth_opens_no_pocket_twice():
    bench = Bench().registered()
    pockets = len(bench.opened)
    for steps in (-150, 150, -120, 60, -60, 120):
        assert bench.nudge(steps) == ARRIVED
    assert len(bench.opened) == pockets
    bench.run(2)
    assert len(bench.opened) == pockets + 2 == len(bench.wheel.let_go)


def test_lash_is_taken_up_on_reversal_and_is_no_travel():
    bench = Bench().registered()
    sprocket, wheel = bench.sprocket, bench.wheel
    lash = 5  # 0.8 degrees of 2400 steps a turn
    adrift = wheel.wheel - sprocket.position
    for steps, pulses in ((-100, 105), (-20, 20), (100, 105), (20, 20)):
        position = sprocket.position
        bench.nudge(steps)
        assert wheel.issued == pulses
        assert sprocket.position == position + steps
        assert abs(wheel.wheel - sprocket.position - adrift) <= lash - PLAY
    bench.run(1)
    assert wheel.wheel - sprocket.position == adrift  # driven forward, play does not matter


def test_the_room_to_go_back_is_half_a_pitch_behind_the_furthest_it_has_been():
    for bench in (Bench().registered(), Bench(sprocket_index=0, sprocket_release_mdeg=0)):
        sprocket = bench.sprocket
        assert sprocket.room_back == PITCH // 2
        bench.nudge(-100)
        assert sprocket.room_back == PITCH // 2 - 100
        bench.nudge(40)
        assert sprocket.room_back == PITCH // 2 - 60
        bench.nudge(-sprocket.room_back)
        assert sprocket.room_back == 0


def test_half_a_pocket_is_what_a_host_would_call_so_where_the_pitch_is_odd():
    sprocket = Sprocket(settings(), Wheel(0))
    assert sprocket.pitch == 1_371  # 9600 / 7 is 1371.4
    assert sprocket.room_back == sprocket.ratio.of_ppm(500_000) == 686


def test_a_forward_nudge_opens_what_it_lets_go():
    bench = Bench().registered()
    pockets = len(bench.opened)
    assert bench.sprocket.pockets_ahead(PITCH // 2 - 5) == 0
    assert bench.sprocket.pockets_ahead(PITCH // 2 + 5) == 1
    bench.nudge(PITCH // 2 + 60)
    assert len(bench.opened) == pockets + 1 == len(bench.wheel.let_go)


def test_to_dwell_creeps_home_and_says_whether_it_had_to():
    bench = Bench().registered()
    bench.nudge(60)
    pockets = len(bench.opened)
    assert bench.sprocket.to_dwell(bench.now_us)
    bench.go()
    assert not bench.sprocket.to_dwell(bench.now_us)
    assert bench.sprocket.position == dwell(bench.sprocket.frontier)
    assert len(bench.opened) == pockets


# ---- shorter than planned -------------------------------------------------------------------


def test_a_run_can_be_shortened_at_every_instant():
    for after_us in range(0, 1_000_000, 9_000):
        bench = Bench().registered()
        sprocket = bench.sprocket
        sprocket.run(6, bench.now_us)
        bench.go(bench.now_us + after_us)
        at_stop = len(bench.wheel.let_go)
        pending = sprocket.pending
        sprocket.shorten(1)
        assert bench.go() in (ARRIVED, MOVING)
        assert sprocket.position == dwell(sprocket.frontier)
        assert abs(bench.off_dwell) <= 2
        more = len(bench.wheel.let_go) - at_stop
        # Braking takes 129 steps and 64 are on their way: less than a pitch.
        assert min(1, pending) <= more <= min(2, pending), after_us
        assert len(bench.opened) == len(bench.wheel.let_go)


def test_an_order_that_comes_too_late_becomes_one_for_a_later_dwell():
    in_time = None
    for late in (0, 1, 2, 9):
        bench = Bench().registered()
        sprocket = bench.sprocket
        begun = len(bench.wheel.let_go)
        sprocket.run(6, bench.now_us)
        bench.go(bench.now_us + 250_000)
        bench.wheel.late_orders = late
        sprocket.shorten(0)
        assert bench.go() == ARRIVED
        assert sprocket.position == dwell(sprocket.frontier)
        assert abs(bench.off_dwell) <= 2
        assert len(bench.opened) == len(bench.wheel.let_go)
        pockets = len(bench.wheel.let_go) - begun
        in_time = pockets if in_time is None else in_time
        assert pockets == min(in_time + late, 6)
    assert in_time < 4


def test_shorten_never_makes_a_move_longer():
    bench = Bench().registered()
    pockets = len(bench.opened)
    bench.sprocket.run(3, bench.now_us)
    bench.sprocket.shorten(50)
    bench.go()
    assert len(bench.opened) == pockets + 3


def test_a_creep_stops_within_what_is_on_its_way():
    for steps, late in ((-150, 0), (150, 0), (300, 0), (300, 1), (300, 2)):
        bench = Bench().registered()
        bench.sprocket.nudge(steps, bench.now_us)
        bench.go(bench.now_us + 200_000)
        issued = bench.wheel.issued
        bench.wheel.late_orders = late
        bench.sprocket.stop_creep()
        bench.go()
        assert bench.wheel.issued - issued == 64 + 64 * late
        assert bench.sprocket.known


# ---- what goes wrong ------------------------------------------------------------------------


def test_slip_is_measured_and_made_up_for():
    bench = Bench().registered()
    sprocket = bench.sprocket
    sprocket.run(8, bench.now_us)
    bench.wheel.slip_at = (1_100, 64)  # four cycles of 16 microsteps
    assert bench.go() == ARRIVED
    assert sprocket.slipped
    assert -68 <= sprocket.corrected <= -60
    bench.wheel.slip_at = None
    bench.run(2)
    assert abs(bench.off_dwell) <= 4
    # A pocket opened too soon is opened again: the count from above may be high, never low.
    assert len(bench.wheel.let_go) <= len(bench.opened)


def test_an_index_edge_missing_at_rest_costs_the_position():
    bench = Bench().registered()
    bench.sprocket.run(3, bench.now_us)
    bench.wheel.slip_at = (980, 64)  # so late that the last edge does not come
    assert bench.go() == ARRIVED
    assert bench.sprocket.slipped
    assert not bench.sprocket.known


def test_a_wheel_that_does_not_turn_is_overdue():
    bench = Bench().registered()
    bench.wheel.sensor_works = False
    bench.sprocket.run(8, bench.now_us)
    assert bench.go() == OVERDUE
    assert not bench.sprocket.known
    assert not bench.sprocket.moving
    assert len(bench.opened) <= 5  # noticed within a pitch and a quarter


def test_a_stray_index_edge_is_not_believed():
    bench = Bench().registered()
    sprocket = bench.sprocket
    sprocket.run(4, bench.now_us)
    bench.go(bench.now_us + 250_000)
    sprocket.on_index(bench.now_us)  # in the middle between two
    assert bench.go() == ARRIVED
    assert sprocket.known
    assert not sprocket.slipped


def test_a_stray_index_edge_does_not_stand_for_one_that_stays_away():
    def passed_unnoticed(strays):
        bench = Bench().registered()
        sprocket = bench.sprocket
        before = len(bench.opened)
        sprocket.run(8, bench.now_us)
        bench.go(bench.now_us + 250_000)
        bench.wheel.sensor_works = False
        for _ in range(strays):
            sprocket.on_index(bench.now_us)
        assert bench.go() == OVERDUE
        return len(bench.opened) - before

    assert passed_unnoticed(2) == passed_unnoticed(0)


def test_a_stall_stops_the_move_and_costs_the_position():
    bench = Bench().registered()
    bench.wheel.stall_at = 700
    bench.sprocket.run(8, bench.now_us)
    assert bench.go() == STALL
    assert not bench.sprocket.known
    assert not bench.sprocket.moving


def test_a_cut_opens_the_pocket_that_the_wheel_may_coast_over():
    for after_us in range(50_000, 850_000, 17_000):
        bench = Bench().registered()
        bench.wheel.coast_steps = PITCH // 2
        bench.sprocket.run(8, bench.now_us)
        bench.go(bench.now_us + after_us)
        bench.wheel.cut()
        assert bench.round(bench.now_us) == CUT_OFF
        bench.wait(400_000)
        assert not bench.sprocket.known
        assert 0 <= len(bench.opened) - len(bench.wheel.let_go) <= 1


def test_a_halt_opens_the_pocket_that_the_wheel_may_coast_over():
    bench = Bench().registered()
    pockets = len(bench.opened)
    bench.wheel.coast_steps = PITCH // 2
    bench.sprocket.run(8, bench.now_us)
    bench.go(bench.now_us + 400_000)
    passed = len(bench.wheel.let_go) - pockets
    bench.sprocket.halt()
    assert not bench.sprocket.moving
    bench.wait(1)
    assert len(bench.opened) - pockets == passed + 1
    bench.wait(400_000)
    assert len(bench.opened) - pockets == passed + 1  # once


def test_a_halt_opens_what_was_passed_since_the_last_poll():
    bench = Bench().registered()
    pockets = len(bench.opened)
    bench.sprocket.run(8, bench.now_us)
    bench.wheel.advance(bench.now_us + 600_000)  # a round that comes late, with the guard open
    bench.sprocket.halt()
    bench.wait(600_000)
    passed = len(bench.wheel.let_go) - pockets
    assert passed > 2
    assert len(bench.opened) - pockets == passed + 1
    bench.wait(1)
    assert len(bench.opened) - pockets == passed + 1  # and says it once


def test_a_halt_behind_the_last_pocket_opens_no_other():
    bench = Bench().registered()
    bench.sprocket.run(3, bench.now_us)
    while bench.sprocket.pending:
        bench.round(bench.now_us + 1_000)
    opened = len(bench.opened)
    assert bench.sprocket.moving
    bench.sprocket.halt()
    bench.wait(400_000)
    # Braking for the dwell behind it, the wheel has not the speed to reach one more.
    assert len(bench.opened) == opened
