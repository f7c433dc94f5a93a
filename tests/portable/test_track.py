"""The track of one move: times of steps, steps of times, and what can still be cut off."""

from controller.motion.profile import Planner, creep
from controller.motion.track import Track

START_US = 5_000_000
TICKS_PER_US = 5
IN_FLIGHT_STEPS = 64  # what a drive may have passed on already (words.py)


class Drive:
    """Remembers what it was told; a test says how many steps are issued."""

    def __init__(self):
        self.move = None
        self.cruise_steps = None
        self.halted = False
        self.issued = 0
        self.late = 0  # so many orders come too late to be obeyed

    def start(self, move):
        self.move = move

    def amend(self, cruise_steps):
        if self.late:
            self.late -= 1
            return False
        self.cruise_steps = cruise_steps
        return True

    def halt(self):
        self.halted = True

    def status(self):
        return (0, self.issued)


def times_us(move):
    """When each step of a move rises, from the move's own pairs."""
    times = []
    ticks = 0
    for steps, interval in move.pairs():
        for _ in range(steps):
            ticks += interval
            times.append(START_US + ticks // TICKS_PER_US)
    return times


def run(steps):
    return Planner(4_000, 60_000, 2_000_000).move(steps, 1)


def begun(move):
    drive = Drive()
    track = Track(drive)
    assert not track.moving
    track.begin(move, START_US)
    assert drive.move is move
    assert track.moving
    return track, drive


def test_every_step_has_its_time():
    for move in (run(1), run(37), run(900), creep(300, 1, 250)):
        track, _ = begun(move)
        times = times_us(move)
        assert [track.time_us(step + 1) for step in range(move.steps)] == times
        # Outside the move there are no steps: the nearest stands for them.
        assert track.time_us(0) == track.time_us(-5) == times[0]
        assert track.time_us(move.steps + 9) == times[-1]


def test_every_time_has_its_step():
    move = run(900)
    track, _ = begun(move)
    times = times_us(move)
    assert track.step_at(START_US) == 0
    assert track.step_at(0) == 0  # before it began
    for step in range(1, move.steps, 13):
        at_us = times[step - 1]
        assert track.step_at(at_us - 1) == step - 1
        assert track.step_at(at_us + 1) == step
    assert track.step_at(times[-1] + 10_000_000) == move.steps


def test_a_lag_is_the_steps_by_which_something_came_late():
    move = run(2_000)
    track, _ = begun(move)
    times = times_us(move)
    for expected in (1, 40, 200, 1_000, 1_900, 2_000):
        assert track.lag_steps(times[expected - 1], expected) in (-1, 0)
    for lag in (-30, 0, 15, 120):  # at cruise, where the rate does not change
        assert abs(track.lag_steps(times[1_000 + lag - 1], 1_000) - lag) <= 1


def test_a_direction_is_known():
    assert begun(run(10))[0].forward
    assert not begun(creep(10, -1, 250))[0].forward


def test_a_cut_shortens_the_cruise_by_what_is_left_out():
    move = run(2_000)
    track, drive = begun(move)
    drive.issued = 500
    assert track.cut_to(1_500)
    assert track.move.steps == 1_500
    assert drive.cruise_steps == move.cruise_steps - 500
    assert track.time_us(2_000) == track.time_us(1_500)


def test_a_cut_that_comes_too_late_or_asks_for_more_changes_nothing():
    move = run(2_000)
    track, drive = begun(move)
    drive.issued = 900
    for steps in (2_000, 3_000, 900, track.earliest_end() - 1):
        assert track.cut_to(steps) == (steps >= 2_000)
        assert drive.cruise_steps is None, steps
    assert track.cut_to(track.earliest_end())
    assert drive.cruise_steps is not None


def test_a_cut_that_the_drive_refuses_leaves_the_move_as_it_is():
    move = run(2_000)
    track, drive = begun(move)
    drive.issued = 500
    drive.late = 1
    assert not track.cut_to(1_500)
    assert track.move is move
    assert track.cut_to(1_500)


def test_a_cut_soon_takes_the_next_length_that_the_drive_obeys():
    for late in (0, 1, 2, 3):
        track, drive = begun(run(4_000))
        drive.issued = 900
        drive.late = late
        first = track.earliest_end()
        assert track.cut_soon(0) == track.move.steps == first + late * IN_FLIGHT_STEPS
    track, drive = begun(run(4_000))
    assert track.cut_soon(3_000) == 3_000
    drive.late = 9  # a drive that refuses everything is not asked for ever
    assert track.cut_soon(0) == 3_000
    assert drive.late == 5


def test_the_earliest_end_leaves_what_is_in_flight_and_the_ramp():
    move = run(2_000)
    tail = sum([(word & 0xFFF) + 1 for word in move.tail])
    track, drive = begun(move)
    for issued in (0, 300, 900, 1_500):
        drive.issued = issued
        least = max(2 * tail, issued + IN_FLIGHT_STEPS + tail)
        assert track.earliest_end() == least
        assert track.earliest_end(100) == max(2 * tail, issued + 164 + tail)
    drive.issued = 2_000 - tail
    assert track.earliest_end() == 2_000


def test_a_halt_ends_the_move_and_leaves_its_times():
    track, drive = begun(run(100))
    last_us = track.time_us(100)
    track.halt()
    assert drive.halted
    assert not track.moving
    assert track.time_us(100) == last_us


def test_the_step_rate_around_a_step_is_that_of_the_moves_own_intervals():
    for move in (run(900), creep(300, 1, 250)):
        track, _ = begun(move)
        times = times_us(move)
        for step in (20, 60, 150, 284):
            mean_us = (times[step + 15] - times[step - 17]) / 32
            time_us, rate_steps_s = track.passing(step)
            assert time_us == times[step - 1]
            assert abs(rate_steps_s * mean_us - 1_000_000) < 2_000
    track, _ = begun(run(1))
    assert track.passing(0) == track.passing(-40) == track.passing(2) == (0, 0)
    assert track.passing(1)[1] == 0  # a single step has no rate


def test_the_motor_is_where_all_moves_have_led_it():
    drive = Drive()
    track = Track(drive)
    assert track.motor_steps(START_US) == 0
    track.begin(creep(300, 1, 250), START_US)
    drive.issued = 250
    assert track.motor_steps(START_US) == 0
    assert track.motor_steps(START_US + 400_000) == 100
    assert track.motor_steps(START_US + 2_000_000) == 250  # no further than pulses were issued
    track.halt()  # 50 steps short
    track.begin(creep(100, -1, 250), START_US + 2_000_000)
    drive.issued = 100
    assert track.motor_steps(START_US + 2_000_000) == 250
    assert track.motor_steps(START_US + 2_100_000) == 225
    assert track.motor_steps(START_US + 9_000_000) == 150
