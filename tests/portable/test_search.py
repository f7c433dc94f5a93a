"""The sprocket with its position unknown: what it opens, and how it finds out where it stands."""

from controller.motion.sprocket import ARRIVED
from tests.portable.wheel import PITCH, Bench

FALL_US = 64_000  # of a part to the beam, where parts are the only evidence
NO_SENSOR = {"sprocket_index": 0, "sprocket_release_mdeg": 0}


def opened(bench):
    return [opening[0] for opening in bench.opened]


def test_a_blind_stretch_lets_go_one_pocket_at_most_and_opens_it_before_it_can():
    for at in range(0, PITCH, 5):
        bench = Bench(at, **NO_SENSOR)
        for pockets in (1, 2, 3):
            bench.sprocket.run(1, bench.now_us)
            bench.round(bench.now_us + 1)
            assert len(bench.opened) == pockets  # from the very start
            assert bench.go() == ARRIVED
            assert bench.sprocket.creeping
            assert len(bench.wheel.let_go) <= pockets


def test_going_back_with_the_position_unknown_is_slack_that_opens_nothing():
    bench = Bench(**NO_SENSOR)
    bench.nudge(100)
    assert len(bench.opened) == 1  # one may have gone over the edge
    bench.nudge(-80)
    assert bench.sprocket.pockets_ahead(80) == 0
    assert bench.sprocket.pockets_ahead(81) == 1
    bench.nudge(50)
    bench.nudge(30)
    assert len(bench.opened) == 1
    bench.nudge(1)
    assert len(bench.opened) == 2


def test_a_search_opens_a_pocket_at_once_whatever_has_been_gone_back():
    bench = Bench(**NO_SENSOR)
    bench.nudge(100)
    bench.nudge(-80)
    bench.sprocket.run(1, bench.now_us)
    bench.round(bench.now_us + 1)
    assert len(bench.opened) == 2


def test_an_index_edge_on_the_way_back_does_not_tell_the_place():
    bench = Bench()
    bench.sprocket.nudge(-150, bench.now_us)
    bench.go(bench.now_us + 300_000)
    bench.sprocket.on_index(bench.now_us)  # the flag leaves its sensor by the side it came from
    bench.go()
    assert not bench.sprocket.known


def test_slack_is_half_a_pitch_at_most():
    bench = Bench(**NO_SENSOR)
    for _ in range(3):
        bench.nudge(-150)
    assert bench.sprocket.pockets_ahead(PITCH // 2) == 0
    assert bench.sprocket.pockets_ahead(PITCH // 2 + 1) == 1


def test_losing_the_position_forgets_the_slack():
    bench = Bench(**NO_SENSOR)
    bench.nudge(-100)
    bench.sprocket.lose()
    assert bench.sprocket.pockets_ahead(1) == 1


def test_a_crept_search_finds_the_position_by_the_index_sensor():
    for at in range(0, PITCH, 11):
        bench = Bench(at)
        bench.registered()
        assert abs(bench.off_dwell) <= 2, at
        assert len(bench.wheel.let_go) <= 2
        bench.run(3)
        assert abs(bench.off_dwell) <= 2, at


def test_a_crept_search_finds_the_position_by_the_part_it_lets_go():
    for at in range(0, PITCH, 11):
        bench = Bench(at, FALL_US, **NO_SENSOR)
        for _ in range(3):
            bench.sprocket.run(1, bench.now_us)
            bench.go()
            bench.wait(FALL_US)  # the part may fall when the wheel stands already
        assert bench.sprocket.known
        bench.sprocket.to_dwell(bench.now_us)
        bench.go()
        assert abs(bench.off_dwell) <= 2, at


def test_a_flown_search_ends_at_the_dwell_behind_its_last_pocket():
    for fall_us, changes in ((None, {}), (FALL_US, NO_SENSOR)):
        for at in range(0, PITCH, 23):
            bench = Bench(at, fall_us, **changes)
            bench.sprocket.run(12, bench.now_us)
            assert bench.go() == ARRIVED
            assert bench.sprocket.known
            assert not bench.sprocket.creeping
            # An edge so little behind may, with scatter, let go yet: it counts as one of the 12.
            just_behind = 0 < at - PITCH // 2 <= PITCH // 8
            assert len(bench.wheel.let_go) == 12 - just_behind, at
            assert opened(bench) == list(range(1, 13))
            assert abs(bench.off_dwell) <= 4, at  # a part is placed to a step at full speed


def test_a_flown_search_that_is_cut_too_late_opens_what_it_passes():
    for at in range(0, PITCH, 23):
        bench = Bench(at)
        bench.wheel.late_orders = 99
        bench.sprocket.run(12, bench.now_us)
        assert bench.go() == ARRIVED
        assert bench.sprocket.known
        assert len(bench.wheel.let_go) <= len(bench.opened) <= 13


def test_a_pocket_that_lets_go_later_than_it_should_is_still_one_of_those_asked_for():
    edge = PITCH // 2 + 1  # the nominal one of pocket 1
    for fall_us, changes in ((None, {}), (FALL_US, NO_SENSOR)):
        for behind in (1, 6, 13):  # and yet its part has not fallen: it does so with scatter
            bench = Bench(edge + behind, fall_us, ((1, behind + 5),), **changes)
            bench.sprocket.run(12, bench.now_us)
            assert bench.go() == ARRIVED
            assert bench.sprocket.known
            assert len(bench.wheel.let_go) == 12, (behind, changes)
            assert abs(bench.off_dwell) <= (4 if fall_us is None else 4 + behind + 5)


def test_a_flown_search_without_evidence_passes_no_more_than_it_may():
    for at in range(0, PITCH, 23):
        bench = Bench(at, **NO_SENSOR)  # nobody tells it of parts
        bench.sprocket.run(12, bench.now_us)
        assert bench.go() == ARRIVED
        assert not bench.sprocket.known
        assert 11 <= len(bench.wheel.let_go) <= 12


def test_a_search_breaks_off_where_the_index_sensor_stays_silent():
    bench = Bench()
    bench.wheel.sensor_works = False
    bench.sprocket.run(12, bench.now_us)
    assert bench.go() == ARRIVED
    assert bench.sprocket.unfound
    assert not bench.sprocket.known
    assert len(bench.wheel.let_go) <= 3


def test_without_belief_in_the_index_sensor_parts_are_the_evidence():
    bench = Bench(fall_us=FALL_US)
    assert not bench.sprocket.index_failed
    bench.sprocket.believe_index(False)
    assert bench.sprocket.index_failed
    bench.wheel.sensor_works = False
    bench.sprocket.run(12, bench.now_us)
    assert bench.go() == ARRIVED
    assert bench.sprocket.known
    assert len(bench.wheel.let_go) == 12


def test_a_search_can_be_shortened_at_every_instant_and_opens_all_it_passes():
    for at in (0, 21, 120, 200, 330):
        for after_us in range(0, 600_000, 15_000):
            bench = Bench(at, FALL_US, **NO_SENSOR)
            bench.sprocket.run(12, bench.now_us)
            bench.go(bench.now_us + after_us)
            at_stop = len(bench.wheel.let_go)
            late = bench.wheel.late_orders = after_us // 15_000 % 3
            bench.sprocket.shorten(0)
            assert bench.go() == ARRIVED
            bench.wait(FALL_US)  # `check` has seen that no pocket let go unopened
            assert len(bench.wheel.let_go) - at_stop <= 2 + late
            assert bench.sprocket.frontier <= 12


def test_a_creep_does_not_coast():
    bench = Bench(**NO_SENSOR)
    bench.sprocket.run(1, bench.now_us)
    bench.go(bench.now_us + 100_000)
    bench.sprocket.halt()
    bench.wait(400_000)
    assert len(bench.opened) == 1


def found():
    """A bench without index sensor whose sprocket has just found its place by a part."""
    bench = Bench(**NO_SENSOR)
    bench.sprocket.run(1, bench.now_us)
    bench.go(bench.now_us + 300_000)
    bench.sprocket.on_part(bench.now_us, FALL_US)
    bench.go()
    assert bench.sprocket.known
    return bench


def test_two_parts_in_a_row_where_none_should_fall_have_the_place_searched_for_again():
    bench = found()
    bench.sprocket.on_astray()
    assert bench.sprocket.known  # one may have clung
    bench.sprocket.on_part(bench.now_us, FALL_US)
    bench.sprocket.on_astray()
    assert bench.sprocket.known  # and another after a part that fell as it should
    bench.sprocket.on_astray()
    assert not bench.sprocket.known


def test_a_place_that_is_doubted_during_a_run_is_given_up_at_its_end():
    bench = found()
    bench.sprocket.run(3, bench.now_us)
    bench.go(bench.now_us + 50_000)
    bench.sprocket.on_astray()
    bench.sprocket.on_astray()
    assert bench.sprocket.moving and bench.sprocket.known
    assert bench.go() == ARRIVED
    assert not bench.sprocket.known


def test_where_the_index_sensor_tells_the_place_parts_astray_do_not():
    bench = Bench().registered()
    for _ in range(5):
        bench.sprocket.on_astray()
    assert bench.sprocket.known
