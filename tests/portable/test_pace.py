"""The pace: runs at a share of the velocity limit, taken up at rest, and what is opened when."""

from controller.motion.sprocket import ARRIVED
from tests.portable.rig import Rig
from tests.portable.wheel import DEN, NUM, Bench

TICK_HZ = 5_000_000
LIMIT_STEPS_S = 3464  # of the bench's wheel


def cruise_steps_s(bench):
    """The fastest rate of the last move, from the times at which its pulses came."""
    ticks = bench.wheel.ticks
    gaps = [ticks[at] - ticks[at - 1] for at in range(1, len(ticks))]
    return TICK_HZ / min(gaps)


def test_the_next_run_goes_at_the_rate_asked_for_and_full_speed_comes_back():
    bench = Bench().registered()
    for ppm in (500_000, 50_000, 1_000_000, 250_000):
        bench.sprocket.pace.ask(ppm)
        assert bench.run(9) == ARRIVED
        asked = LIMIT_STEPS_S * ppm / 1e6
        # Speed is rounded down to a whole step a second, then to a whole tick a step.
        assert asked * 0.99 - 1 <= cruise_steps_s(bench) <= asked


def test_a_run_under_way_keeps_its_rate():
    bench = Bench().registered()
    bench.sprocket.run(30, bench.now_us)
    before = len(bench.wheel.ticks)
    bench.go(bench.now_us + 300_000)
    bench.sprocket.pace.ask(100_000)
    assert bench.go() == ARRIVED
    assert len(bench.wheel.ticks) == before
    assert cruise_steps_s(bench) > 0.99 * LIMIT_STEPS_S - 1


def test_the_same_pockets_lie_at_the_same_places_at_any_rate():
    bench = Bench().registered()
    for ppm in (300_000, 1_000_000, 70_000):
        bench.sprocket.pace.ask(ppm)
        bench.run(8)
        pocket = bench.sprocket.frontier
        assert bench.sprocket.position == (2 * pocket * NUM + DEN) // (2 * DEN)


def test_a_slow_release_is_reported_with_the_whole_stretch_between_two_dwell_zones():
    bench = Bench().registered()
    bench.sprocket.pace.ask(200_000)
    before = len(bench.wheel.let_go)
    bench.run(10)
    fresh = bench.opened[-10:]
    # Half a pitch is 25.714 degrees, the dwell zone 19: 6.714 to either side, 44.76 steps.
    stretch_us = 2 * 44.76 / (0.2 * LIMIT_STEPS_S) * 1e6
    for at in range(10):
        _, first_us, last_us, _, _ = fresh[at]
        assert first_us < bench.wheel.let_go[before + at] < last_us
        if 2 <= at < 8:  # at cruise
            assert abs(last_us - first_us - stretch_us) < 0.03 * stretch_us


def test_the_line_sets_and_tells_the_rate():
    rig = Rig().in_execute()
    assert rig.ask("SPR:RATE?") == "1000000"
    rig.tell("SPR:RATE 250000")
    assert rig.ask("SPR:RATE?") == "250000"
    assert rig.refused("SPR:RATE 49999") == -222
    assert rig.refused("SPR:RATE 1000001") == -222
    assert rig.ask("SPR:RATE?") == "250000"
    rig.tell("REQ:OPEN 1,6")
    assert rig.closed()[:5] == [1, 6, 0, 6, 6]
    rig.tell("*RST")
    assert rig.ask("SPR:RATE?") == "1000000"
