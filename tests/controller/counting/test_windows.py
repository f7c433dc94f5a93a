"""Windows against free fall worked out in floats, and against parts let go at random.

They are the derived ones: a description may hold those a trial has measured on a module, and what
its parts did there says nothing about the parts here.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import constants

from controller.counting.windows import Windows, fall_us
from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner, step_ticks
from controller.motion.words import TICK_HZ
from hostsim.config import load
from tests.controller.motion.test_reach import optimal_us
from tests.portable.module import settings

CONFIGS = sorted((Path(__file__).parents[3] / "configs").glob("*.toml"))
G = constants.g  # 9.80665 m/s^2 (CODATA: exact)
PARTS = 4_000
WINDOWS = ("shortest", "longest", "merge", "stuck", "early", "late")


@pytest.fixture(params=CONFIGS, ids=lambda path: path.stem)
def module(request):
    return derived(load(request.param).settings)


def derived(described):
    """The settings without windows of their own (0: to be derived)."""
    windows = {f"beam_{name}_us": 0 for name in WINDOWS}
    return type(described)({**described.as_dict(), **windows})


def test_measured_windows_in_a_description_are_no_matter_here():
    nut = load(CONFIGS[0]).settings
    measured = type(nut)({**nut.as_dict(), "beam_early_us": 56_000, "beam_longest_us": 14_200})
    assert Windows(measured).early_us == 56_000
    assert vars(Windows(derived(measured))) == vars(Windows(derived(nut)))


@pytest.mark.parametrize("drop_mm", [1, 5, 10, 20, 30, 50, 100, 200, 1_000])
def test_fall_times_are_those_of_free_fall(drop_mm):
    assert fall_us(drop_mm * 1_000) == pytest.approx(
        math.sqrt(2 * drop_mm / 1e3 / G) * 1e6, abs=1.0
    )


@pytest.mark.parametrize(
    ("drop_mm", "dark_ms"),
    # A nut 2.4 mm high (M3, ISO 4032): sqrt(2 (h + L) / g) - sqrt(2 h / g), worked out apart.
    [(10, 5.1281), (20, 3.7234), (30, 3.0686), (50, 2.3951), (100, 1.7035), (200, 1.2082)],
)
def test_the_longest_pulse_is_the_crossing_a_quarter_slower(drop_mm, dark_ms):
    w = Windows(
        settings(
            part_longest_um=2_400,
            part_shortest_um=2_000,
            part_hole_um=0,
            beam_drop_um=drop_mm * 1_000 + 1_200,  # the centre, when the lower end is in the beam
            beam_bounce_us=0,
            beam_response_us=0,
        )
    )
    assert w.longest_us == pytest.approx(dark_ms * 1e3 * 1.25, abs=3.0)


def test_parts_let_go_at_random_keep_within_the_windows(module):
    """Every part a planned run of one pocket may let go, falling as fast or slowly as allowed."""
    s = module
    w = Windows(s)
    rng = np.random.default_rng(1)
    longest_m, shortest_m = s.part_longest_um / 1e6, s.part_shortest_um / 1e6
    extent_m = rng.uniform(shortest_m, longest_m, PARTS)  # along the fall
    hang_m = rng.uniform(0.5, 1.0, PARTS) * extent_m / 2  # lower end below the centre
    rim_m_s = (
        2 * math.pi * s.sprocket_pitch_radius_um / 1e6 * s.limit_velocity_steps_s
        / float(_steps_per_turn(s))
    )  # fmt: skip
    throw_m_s = rng.uniform(0.0, rim_m_s, PARTS)
    rub = rng.uniform(1.0, 1.25, PARTS)
    drop_m = s.beam_drop_um / 1e6
    fall_s = (np.sqrt(throw_m_s**2 + 2 * G * (drop_m - hang_m)) - throw_m_s) / G * rub
    speed_m_s = np.sqrt(throw_m_s**2 + 2 * G * drop_m) / rub
    start_us = fall_s * 1e6 + _letting_go_us(s, rng)
    dark_us = extent_m / speed_m_s * 1e6
    assert start_us.min() >= w.early_us
    assert start_us.max() <= w.late_us
    assert dark_us.min() >= w.shortest_us
    assert dark_us.max() <= w.longest_us
    # And they are not needlessly wide: the parts use most of the room between the limits.
    assert start_us.max() - start_us.min() > 0.6 * (w.late_us - w.early_us)
    assert dark_us.max() > 0.7 * w.longest_us


def _steps_per_turn(s):
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    return ratio.target(s.sprocket_pockets)


def _letting_go_us(s, rng):
    """When parts let go outside the dwell zones, from the release step of a planned run."""
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    planner = Planner(
        s.limit_velocity_steps_s, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3
    )
    move = planner.move(ratio.target(1), 1)
    ticks = np.array([step_ticks(move, step) for step in range(1, move.steps + 1)])
    half_pitch_mdeg = 180_000 / s.sprocket_pockets
    reach = int(move.steps / 2 * (1 - s.sprocket_dwell_mdeg / half_pitch_mdeg))
    steps = ratio.release(1) + rng.integers(-reach, reach + 1, PARTS)
    return (ticks[steps - 1] - ticks[ratio.release(1) - 1]) / (TICK_HZ / 1e6)


def test_waiting_for_the_last_part_costs_little(module):
    """100 parts: within 1.02 x (the time-optimal run and the longest free fall)."""
    s = module
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    planner = Planner(
        s.limit_velocity_steps_s, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3
    )
    move = planner.move(ratio.target(100), 1)
    release_us = step_ticks(move, ratio.release(100)) * 1e6 / TICK_HZ
    done_us = max(release_us + Windows(s).late_us, move.duration_ticks() * 1e6 / TICK_HZ)
    optimum_us = optimal_us(
        ratio.target(100),
        s.limit_velocity_steps_s,
        s.limit_acceleration_steps_s2,
        s.limit_jerk_steps_s3,
    )
    assert done_us <= 1.02 * (optimum_us + math.sqrt(2 * s.beam_drop_um / 1e6 / G) * 1e6)


def test_a_higher_drop_spreads_the_parts_further(module):
    table = module.as_dict()
    low = Windows(module)
    table["beam_drop_um"] *= 4
    table["beam_bounce_us"] //= 4  # the pulses get shorter too
    high = Windows(type(module)(table))
    assert high.fall_us == pytest.approx(2 * low.fall_us, abs=2)
    assert high.latest_us - high.earliest_us > low.latest_us - low.earliest_us
    assert high.longest_us < low.longest_us


def test_parts_a_separation_apart_never_touch_at_the_beam(module):
    """The first of two as late and long as can be, the second as early: still a merge gap."""
    w = Windows(module)
    dwell_share = module.sprocket_dwell_mdeg * 2 * module.sprocket_pockets / 360_000
    first_ends_us = w.latest_us + w.longest_us
    # The first lets go at the end of its range and the second at the start of its own, so that
    # only the dwell zone between them is sure.
    second_starts_us = w.separation_us * dwell_share + w.earliest_us
    assert second_starts_us - first_ends_us >= w.merge_us - 1
