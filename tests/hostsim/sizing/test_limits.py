"""The four limits of the rate: against the plant, against `check`, and against each other."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from controller.counting.windows import Windows
from hostsim.dispensing import dispense
from hostsim.figures import check
from hostsim.module import SimModule
from hostsim.parts import find_part
from hostsim.plant.fall import PartSupply
from hostsim.plant.world import World
from hostsim.sizing import Wanted, search
from hostsim.sizing.beam import slowest_rate
from hostsim.sizing.design import converted, design, velocity
from hostsim.sizing.train import MOTOR, MOTORS, Motor
from tests.hostsim.plant.rig import Rig
from tests.hostsim.sizing.rig import PARTS, found

RUN_POCKETS = 150
FALLING = 3_000  # parts let go one after the other


@pytest.mark.parametrize("name", PARTS)
def test_pockets_begin_to_stay_empty_in_the_plant_within_5_per_cent_of_the_refill_limit(name):
    best = found(name).best
    limit = best.limits.refill

    def empty(rate: float) -> int:
        # Nothing but the refill is to bound this run: an ideal motor.
        rig = Rig(values=best.config.values, holding_n_m=50.0, capacity=1_000)
        steps_s = rate * rig.world.steps_per_pocket
        rig.run(RUN_POCKETS, rate_steps_s=steps_s, acceleration_steps_s2=20 * steps_s)
        return len(rig.said("leaves the opening empty"))

    assert empty(0.95 * limit) == 0
    assert empty(1.05 * limit) > 0


@pytest.mark.parametrize("name", PARTS)
def test_parts_of_the_plant_never_meet_at_the_beam_up_to_the_separation_limit(name):
    """Each lets go anywhere within its spread; the lash, half of it on average, comes on top."""
    best = found(name).best
    plan, rate = best.plan, best.limits.lash
    rng = np.random.default_rng(4)
    world = World.of(best.config)
    supply = PartSupply(world, bounce=0.0, rng=rng)
    # Time from the middle of the release zone, as pockets of a wheel at a steady rate pass it.
    zone = (best.wheel.spread_deg + plan.train.lash_deg) / best.wheel.pitch_deg
    pulses = []
    for number in range(FALLING):
        part = supply.take()
        start_us = 1e6 * (number + rng.uniform(-zone, zone)) / rate + part.lead_us
        pulses.append((start_us, start_us + part.dark_us))
    gaps_us = [after[0] - before[1] for before, after in pairwise(pulses)]
    assert min(gaps_us) > Windows(best.config.settings).merge_us
    # The limit is for the worst case; it leaves no more than that room.
    assert min(gaps_us) < 0.75 * 1e6 / rate


@pytest.mark.parametrize("name", PARTS)
def test_check_warns_above_the_limit_and_not_below(name):
    best = found(name).best

    def warned(share: float) -> bool:
        rate = share * best.limits.lowest
        rev_s = rate * float(best.train.ratio) / best.wheel.pockets
        plan = replace(best.plan, velocity_rev_s=velocity(rev_s))
        return any("pocket" in line for line in check(converted(plan)).warnings)

    assert not warned(0.995)
    assert warned(1.03)


@pytest.mark.parametrize("name", PARTS)
def test_the_lash_costs_rate_and_without_any_it_is_no_limit(name):
    best = found(name).best
    assert best.limits.lash < best.limits.separation

    class Tight(type(best.train)):
        lash_deg = 0.0

    tight = Tight(best.train.driver, best.train.driven)
    ideal = design(best.wheel, tight, best.plan.motor, best.plan.beam, None)
    # The dwell is written in tenths of a degree, rounded down.
    assert ideal.limits.lash == pytest.approx(best.limits.separation, rel=0.01)
    assert ideal.limits.lash == pytest.approx(ideal.limits.separation, rel=1e-6)


def test_a_weak_motor_binds_and_still_delivers():
    """A winding of much inductance on few volts has no torque left at speed."""
    winding = {"inductance_mh": 120.0, "resistance_ohm": 2.0, "supply_v": 5.0}
    motor = Motor("slow", {**MOTORS[MOTOR].values, **winding})
    weak = search(Wanted(find_part("ISO 4032 M5"), motor, (5, 6), 60.0)).best
    assert weak.limits.binding == "motor"
    assert weak.rate < found("ISO 4032 M5", 60.0).best.rate
    assert check(weak.config).warnings == []
    with SimModule(weak.config, seed=2) as module:
        (only,) = dispense(module, 30, 1)
    assert only.exact and only.truthful


def test_a_small_motor_gets_more_time_to_its_speed():
    values = {**MOTORS[MOTOR].values, "holding_torque_n_m": 0.046}
    small = search(Wanted(find_part("ISO 4032 M5"), Motor("small", values), (5, 6), 60.0)).best
    usual = found("ISO 4032 M5", 60.0).best
    assert small.plan.ramp_s > usual.plan.ramp_s
    assert small.rate > 0.9 * usual.rate
    assert check(small.config).warnings == []


def test_a_part_that_is_long_along_its_channel_takes_long_to_slide_in():
    best = search(Wanted(find_part("ring outer=40mm hole=30mm height=3mm"), MOTORS[MOTOR])).best
    assert best.wheel.pockets == 5  # so its channel stands upright, right above the axis
    assert best.limits.refill == pytest.approx(
        # How far a pocket is open; 5 % slower than sqrt(2 s / g)
        best.wheel.mouth_pockets / (1.05 * np.sqrt(2 * 0.0401 / 9.80665)),
        rel=2e-3,
    )


def test_a_module_that_is_slow_but_not_too_slow_counts_right_and_a_slower_one_does_not():
    """Parts let go anywhere in the spread; far below the slowest rate they come before the step."""
    best = search(Wanted(find_part("ISO 4032 M8"), MOTORS[MOTOR], (6, 6), rate=2.5)).best
    slowest = slowest_rate(best.plan, best.rate)

    def exact(rate: float) -> bool:
        rev_s = rate * float(best.train.ratio) / best.wheel.pockets
        config = converted(replace(best.plan, velocity_rev_s=velocity(rev_s)))
        limit = 0.5 - best.plan.dwell_deg / best.wheel.pitch_deg
        world = World.of(config, release_scatter_pockets=limit)
        with SimModule(config, seed=6, machine=world) as module:
            return all(each.exact and each.truthful for each in dispense(module, 25, 3))

    assert exact(1.05 * slowest)
    assert not exact(0.3 * slowest)


def test_the_rate_asked_for_is_the_rate_run():
    slow = search(Wanted(find_part("ISO 4032 M5"), MOTORS[MOTOR], (5, 9), rate=4.0)).best
    assert slow.rate == pytest.approx(4.0, rel=1e-3)


@pytest.mark.parametrize("name", PARTS)
def test_the_best_is_the_smallest_of_those_it_is_compared_with(name):
    result = found(name, 90.0)
    best = result.best
    fastest = max(each.rate for each in result.designs)
    assert best.rate >= 0.97 * fastest
    rivals = [
        each
        for each in result.designs
        if each.rate >= 0.97 * fastest
        and each.dwell_margin_deg > 0
        and each.steps_per_pocket.denominator == 1
    ]
    assert best.width_mm == min(each.width_mm for each in rivals or result.designs)
    assert len(result.reasons) >= 3
    assert result.by_pockets()[0] is best
