"""The beam's self-test, on a through-beam sensor that answers after its response time."""

from controller.counting.selftest import BLOCKED, DEAD, LOOK_US, PASSED, BeamTest
from controller.counting.windows import Windows
from tests.portable.module import settings

RESPONSE_US = 50
START_US = 1_000_000
TICK_US = 10  # how finely the tests let time go by


class Sensor:
    """The beam port: blocked while its emitter is dark or a part is in it, some time later.

    `part`: (from_us, until_us) in which a part is in the beam; `stuck`: what a broken one reads.
    """

    def __init__(self, part=(0, 0), stuck=None):
        self.part = part
        self.stuck = stuck
        self.now_us = START_US
        self.dark = []  # (time_us, on) of every order to the test output

    def test(self, on):
        self.dark.append((self.now_us, on))

    def read(self):
        return (self.level(self.now_us), 0)

    def level(self, at_us):
        if self.stuck is not None:
            return self.stuck
        seen_us = at_us - RESPONSE_US
        lit = True
        for time_us, on in self.dark:
            if time_us <= seen_us:
                lit = not on
        return 0 if lit and not self.part[0] <= seen_us < self.part[1] else 1

    @property
    def lit(self):
        return not (self.dark and self.dark[-1][1])


def made(sensor, **changes):
    values = settings(**changes)
    return BeamTest(values, Windows(values), sensor)


def run(test, sensor, cancel_us=None):
    """Poll at every tick until the test answers or is given up; return (verdict, us it took).

    The level is looked at every tick as well; each change that the test does not cover is kept in
    `sensor.seen`, as the firmware would hand it on.
    """
    sensor.seen = []
    level = 0
    for tick in range(1_000_000):
        sensor.now_us = START_US + tick * TICK_US
        now = sensor.level(sensor.now_us)
        if now != level and not test.covers(sensor.now_us):
            sensor.seen.append((sensor.now_us - START_US, now))
        level = now
        if cancel_us is not None and tick * TICK_US == cancel_us:
            test.cancel()
            if not test.running:
                return None, tick * TICK_US
        verdict = test.poll(sensor.now_us)
        if verdict is not None:
            return verdict, tick * TICK_US
    raise AssertionError("the test hangs")


def started(sensor, **changes):
    test = made(sensor, **changes)
    test.start(START_US)
    return test


def test_a_good_beam_passes_in_a_few_milliseconds_and_its_own_edges_are_not_counted():
    sensor = Sensor()
    test = started(sensor)
    verdict, took_us = run(test, sensor)
    assert verdict == PASSED
    assert took_us < 1_000
    assert [on for _, on in sensor.dark] == [True, False]
    assert sensor.seen == []
    assert not test.running
    assert test.verdict == PASSED


def test_a_beam_that_died_clear_fails_and_is_lit_again():
    sensor = Sensor(stuck=0)
    test = started(sensor)
    assert run(test, sensor)[0] == DEAD
    assert sensor.lit
    assert test.verdict == DEAD


def test_a_beam_that_stays_blocked_fails_when_patience_is_over_without_being_darkened():
    sensor = Sensor(stuck=1)
    test = started(sensor, recovery_chute_ms=300)
    verdict, took_us = run(test, sensor)
    assert verdict == BLOCKED
    assert took_us == 300_000
    assert sensor.dark == []


def test_a_part_in_the_beam_is_waited_for():
    sensor = Sensor((START_US - 2_000, START_US + 9_000))
    test = started(sensor)
    assert run(test, sensor)[0] == PASSED
    assert sensor.dark[0][0] > START_US + 9_000


def test_a_part_that_enters_during_the_test_is_waited_for_and_seen_to_leave():
    sensor = Sensor((START_US + 200, START_US + 8_000))
    test = started(sensor)
    verdict, took_us = run(test, sensor)
    assert verdict == PASSED
    assert 8_000 < took_us < 9_000
    assert sensor.seen == [(8_000 + RESPONSE_US, 0)]


def test_while_it_waits_for_a_part_the_level_is_no_longer_the_test_s_doing():
    sensor = Sensor((START_US + 200, START_US + 8_000))
    test = started(sensor)
    masked = []
    for tick in range(0, 500):
        sensor.now_us = START_US + tick * TICK_US
        test.poll(sensor.now_us)
        masked.append(test.masking)
    assert masked[0]
    assert not masked[-1]
    assert test.running


def test_a_beam_that_does_not_clear_after_the_test_is_blocked():
    sensor = Sensor((START_US + 200, START_US + 10_000_000))
    test = started(sensor)
    verdict, took_us = run(test, sensor)
    assert verdict == BLOCKED
    assert sensor.lit
    # No part takes so long.
    assert took_us > Windows(settings()).longest_us


def test_without_a_test_output_only_the_clear_reading_can_be_checked():
    sensor = Sensor()
    test = started(sensor, beam_test=0)
    assert run(test, sensor) == (PASSED, 0)
    assert sensor.dark == []
    assert not test.proves  # a sensor that has died clear reads the same
    assert started(Sensor()).proves
    sensor = Sensor(stuck=1)
    test = started(sensor, beam_test=0, recovery_chute_ms=300)
    assert run(test, sensor)[0] == BLOCKED


def test_a_test_given_up_leaves_no_edge_of_its_own_whenever_it_was():
    for cancel_us in range(0, 1_000, TICK_US):
        sensor = Sensor()
        test = started(sensor)
        run(test, sensor, cancel_us)
        assert sensor.lit
        assert sensor.seen == []
        assert sensor.level(sensor.now_us) == 0  # and what is read now is the beam's own


def test_one_that_waits_for_a_clear_beam_is_given_up_at_once():
    sensor = Sensor(stuck=1)
    test = started(sensor)
    assert run(test, sensor, 100_000) == (None, 100_000)
    assert test.verdict is None


def test_it_asks_to_be_polled_in_time_and_not_at_all_when_idle():
    sensor = Sensor(stuck=1)
    test = made(sensor)
    assert test.deadline_us(START_US) is None
    test.start(START_US)
    assert test.deadline_us(START_US) == START_US + LOOK_US
    sensor.stuck = 0
    test.poll(START_US)
    assert START_US < test.deadline_us(START_US) < START_US + 1_000


def test_its_own_edges_are_those_from_the_darkening_to_a_response_after_the_light():
    sensor = Sensor()
    test = started(sensor)
    dark_us = START_US
    while test.running:
        test.poll(sensor.now_us)
        sensor.now_us += TICK_US
    lit_us = sensor.dark[-1][0]
    # A fast sensor answers at once; the slowest takes its response time, chatter and a margin.
    for edge_us, covered in (
        (dark_us - 1, False),
        (dark_us, True),
        (lit_us, True),
        (lit_us + RESPONSE_US, True),
        (lit_us + 10_000, False),
    ):
        assert test.covers(edge_us) == covered, edge_us - dark_us


def test_edges_before_the_first_test_are_never_covered():
    test = made(Sensor())
    for at_us in (0, 1, START_US):
        assert not test.covers(at_us)
