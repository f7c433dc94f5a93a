"""The phase: what is charted of a part, which alarm a shift raises, and what it outlives."""

from controller.counting.charts import LEARN_PARTS, RECENTRE_PARTS
from controller.counting.phase import DIRT, NO_ALARM, SLIP, WEAR, Phase
from controller.counting.windows import Windows
from controller.cycle import causes
from controller.motion.place import Place
from controller.record import events as ev
from tests.portable.module import settings
from tests.portable.rig import DARK_US, FALL_US, Rig

FULL_STEPS_S = 13_856
WIDTH_US = 9_000
# 9600 steps a turn of the sprocket: 20 of them are 750 mdeg, and take 1443 us at the full rate.
SPREAD_STEPS = 20
STEP_NS = 72_171  # at the full rate


class Parts:
    """Parts of a module, with a scatter of their own that is the same under both interpreters."""

    def __init__(self):
        config = settings()
        self.windows = Windows(config)
        self.phase = Phase(config, self.windows, Place(config).ratio)
        self._random = 1
        self.finds = 0
        self.steps = self.width_us = 0  # shifts against what is learned
        self.rate_steps_s = FULL_STEPS_S

    def _chance(self):
        """About normal, mean 0, standard deviation 1000: the sum of three even numbers."""
        total = -1_500 * 2
        for _ in range(3):
            # Numerical Recipes' linear congruential generator, its upper bits.
            self._random = (self._random * 1_664_525 + 1_013_904_223) & 0xFFFFFFFF
            total += (self._random >> 16) * 2_000 // 65_536
        return total

    def fall(self, count):
        """Let parts fall; return how many it took to the alarm, or None."""
        for number in range(count):
            steps = self.steps + SPREAD_STEPS * self._chance() // 1_000
            delay_us = self.windows.fall_us + steps * STEP_NS // 1_000
            width_us = WIDTH_US + self.width_us + 2 * self._chance()
            if self.phase.take(delay_us, width_us, self.rate_steps_s, self.finds):
                return number + 1
        return None


def learned():
    parts = Parts()
    assert parts.fall(LEARN_PARTS) is None
    return parts


def test_target_and_scatter_are_told_in_degrees_and_time():
    parts = Parts()
    assert parts.phase.of_phase() == parts.phase.of_width() == (0,) * 7
    parts.steps = 100
    parts.fall(LEARN_PARTS)
    known, target, sigma, mean, scatter, later, earlier = parts.phase.of_phase()
    assert known == 1
    assert abs(target - 3_750) < 4 * 750 // 22  # 100 steps; four standard errors
    assert abs(sigma - 750) < 100
    assert (mean, scatter, later, earlier) == (target, sigma, 0, 0)
    known, target, sigma, _, _, _, _ = parts.phase.of_width()
    assert known == 1
    assert abs(target - WIDTH_US) < 4 * 2_000 // 22
    assert abs(sigma - 2_000) < 250


def test_a_healthy_module_is_left_alone():
    parts = learned()
    assert parts.fall(8_000) is None
    assert parts.phase.alarm == NO_ALARM
    _, target, _, mean, scatter, later, earlier = parts.phase.of_phase()
    assert abs(mean - target) < 750
    assert abs(scatter - 750) < 300
    assert max(later, earlier) < 90


def test_a_sudden_shift_is_slip_a_slow_one_wear_and_another_width_dirt():
    for steps, width_us, drift, alarm in (
        (64, 0, 0, SLIP),  # an electrical cycle of the motor
        (-64, 0, 0, SLIP),
        (0, 0, 1, WEAR),  # a step every 20 parts
        (0, 0, -1, WEAR),
        (0, 3_000, 0, DIRT),
        (0, -3_000, 0, DIRT),
    ):
        parts = learned()
        parts.steps = steps
        parts.width_us = width_us
        took = parts.fall(20)
        for _ in range(100):
            if took:
                break
            parts.steps += drift
            took = parts.fall(20)
        assert parts.phase.alarm == alarm, (steps, width_us, drift)
        assert parts.phase.direction == (1 if steps + width_us + drift > 0 else -1)
        assert parts.phase.of_phase()[0] == 1  # the chart goes on


def test_the_first_alarm_stays_until_it_is_cleared_or_learned_anew():
    parts = learned()
    parts.width_us = 4_000
    assert parts.fall(30)
    parts.steps = 200
    assert parts.fall(50) is None  # told once
    assert (parts.phase.alarm, parts.phase.direction) == (DIRT, 1)
    parts.width_us = 0
    parts.phase.clear()
    assert parts.phase.alarm == NO_ALARM
    assert parts.fall(30)  # the other shift is still there
    assert parts.phase.alarm == SLIP
    parts.phase.learn()
    assert parts.phase.of_phase() == parts.phase.of_width() == (0,) * 7
    assert parts.fall(LEARN_PARTS + 1_000) is None  # now it is right as it is


def test_only_parts_at_the_full_rate_are_charted():
    parts = learned()
    parts.steps = 300
    parts.width_us = 5_000
    for rate_steps_s in (0, 800, FULL_STEPS_S // 2, FULL_STEPS_S * 9 // 10):
        parts.rate_steps_s = rate_steps_s
        assert parts.fall(100) is None, rate_steps_s
    parts.rate_steps_s = FULL_STEPS_S - 3  # a tick is not divisible
    assert parts.fall(100)


def test_where_a_part_has_told_the_position_the_phase_gets_a_new_target():
    parts = learned()
    before = parts.phase.of_phase()
    parts.finds += 1
    parts.steps = 90  # the part that told it let go so much late
    assert parts.fall(RECENTRE_PARTS + 1_000) is None
    after = parts.phase.of_phase()
    assert abs(after[1] - before[1] - 3_375) < 4 * 750 // 11  # 90 steps
    assert after[2] == before[2]


def test_a_new_sprocket_is_learned_and_the_beam_is_as_it_was():
    parts = learned()
    width = parts.phase.of_width()[:3]
    parts.phase.learn_phase()
    parts.steps = 150
    assert parts.fall(LEARN_PARTS) is None
    assert parts.phase.of_width()[:3] == width
    assert abs(parts.phase.of_phase()[1] - 5_625) < 150  # 150 steps


def test_what_has_been_learned_can_be_taken_over():
    parts = learned()
    after = Parts()
    after.phase.restore(parts.phase.learned())
    assert after.phase.of_phase()[:3] == parts.phase.of_phase()[:3]
    assert after.phase.of_width()[:3] == parts.phase.of_width()[:3]
    after.steps = 64
    assert after.fall(30)
    assert after.phase.alarm == SLIP
    parts.phase.learn()
    for other in (
        {"beam_drop_um": 25_000},
        {"sprocket_release_mdeg": 31_000},
        {"limit_velocity_steps_s": 12_000},
    ):
        config = settings(**other)
        changed = Phase(config, Windows(config), Place(config).ratio)
        changed.restore(learned().phase.learned())
        assert changed.of_phase() == changed.of_width() == (0,) * 7, other
    after.phase.restore(parts.phase.learned())  # nothing is known
    assert after.phase.of_phase() == (0,) * 7


# ---- in a module ----------------------------------------------------------------------------


def told(rig, line):
    return [int(field) for field in rig.ask(line).split(",")]


def test_the_module_warns_goes_on_and_forgets_when_told():
    rig = Rig().in_execute()
    assert rig.ask("SENS:DRIF?") == '0,"none","",0'
    windows = rig.firmware.windows
    late_steps = (FALL_US - windows.fall_us) * 3_464 // 1_000_000
    # As if it had been learned that parts let go 40 steps earlier, give or take 6.
    phase = rig.firmware.phase
    phase.restore((phase.learned()[0], (late_steps - 40) * 16, 6 * 16, DARK_US, 500))
    rig.tell("REQ:OPEN 1,30")
    assert rig.closed()[2:5] == [0, 30, 30]
    assert rig.state == "EXECUTE"
    assert rig.ask("SENS:DRIF?").startswith(f'{causes.PHASE_SLIP},"all at once')
    assert rig.ask("SENS:DRIF?").endswith(",1")
    assert told(rig, "STAT:QUES:COND?")[0] & 64
    assert [note[3] for note in rig.notes if note[1] == ev.DRIFT] == [1]
    known, target, sigma, mean, _, later, earlier = told(rig, "SENS:PHAS?")
    assert (known, later, earlier) == (1, 100, 0)
    assert sigma == 900  # 6 of 2400 steps a turn
    assert 2_000 < mean - target <= 6_000  # on its way to 40 steps
    assert told(rig, "SENS:WIDT?")[:3] == [1, DARK_US, 500]
    rig.tell("SENS:DRIF:CLE")
    assert rig.ask("SENS:DRIF?").startswith("0,")
    assert told(rig, "STAT:QUES:COND?")[0] & 64 == 0
    assert told(rig, "SENS:PHAS?")[0] == 1
    rig.tell("SENS:DRIF:LEAR")
    assert told(rig, "SENS:PHAS?")[:3] == [0, 0, 0]
