"""Moves on both interpreters: counts, limits, shortening, and a checksum to compare them by."""

import binascii

from controller.motion.profile import Planner, creep, step_ticks, stop_point
from controller.motion.words import IN_FLIGHT_STEPS, Move, pack, unpack

# Limits of every kind: smooth, trapezoid, awkward numbers, fast, the least that is allowed.
LIMITS = (
    (8000, 80000, 1600000),
    (8000, 80000, 0),
    (7913, 61234, 987654),
    (50000, 1000000, 50000000),
    (10, 200, 4000),
)
STEPS = (1, 2, 3, 4, 7, 100, 685, 686, 1371, 1372, 9600)


def planned_crc():
    """Return the CRC-32 over the words of a move of each length within each set of limits."""
    crc = 0
    for limits in LIMITS:
        planner = Planner(*limits)
        for steps in STEPS:
            move = planner.move(steps, 1)
            crc = binascii.crc32(move.head, crc)
            crc = binascii.crc32(b"%d %d" % (move.cruise_steps, move.cruise_ticks), crc)
            crc = binascii.crc32(move.tail, crc)
    return crc


def test_words_at_both_ends_of_their_range():
    assert pack(1, 14) == 0
    assert pack(4096, 14) == 0x00000FFF
    assert pack(1, 1048589) == 0xFFFFF000
    for pair in ((1, 14), (4096, 1048589), (17, 625)):
        assert unpack(pack(*pair)) == pair


def test_every_step_is_there_and_none_too_soon():
    for limits in LIMITS:
        planner = Planner(*limits)
        for steps in STEPS:
            pairs = list(planner.move(steps, 1).pairs())
            assert sum([n for n, _ in pairs]) == steps
            assert min([ticks for _, ticks in pairs]) * limits[0] >= 5000000


def test_known_durations():
    # T = v / a + a / j + n / v: 0.1 + 0.05 + n / 8000 s at 5 MHz
    planner = Planner(8000, 80000, 1600000)
    assert planner.ramp_steps == 600
    assert planner.move(1600, 1).duration_ticks() == 1750000
    assert planner.move(80000, 1).duration_ticks() == 50750000


def test_a_shortened_move_leaves_the_planned_one_alone():
    planner = Planner(8000, 80000, 1600000)
    move = planner.move(4000, -1)
    shorter = move.amended(100)
    assert (move.cruise_steps, move.steps) == (2800, 4000)
    assert (shorter.cruise_steps, shorter.steps, shorter.direction) == (100, 1300, -1)
    assert shorter.head is move.head and shorter.tail is move.tail
    assert shorter.duration_ticks() == move.duration_ticks() - 2700 * 625


def test_stop_point_respects_what_is_in_flight():
    move = Planner(8000, 80000, 1600000).move(4000, 1)
    assert stop_point(move, 0) == 1200
    assert stop_point(move, 600 - IN_FLIGHT_STEPS) == 1200
    assert stop_point(move, 1000) == 1000 + IN_FLIGHT_STEPS + 600
    assert stop_point(move, 3400 - IN_FLIGHT_STEPS) == 4000
    assert stop_point(move, 4000) == 4000


def test_step_times_add_up():
    move = Planner(7913, 61234, 987654).move(2000, 1)
    at = step = 0
    for count, ticks in move.pairs():
        for _ in range(count):
            at += ticks
            step += 1
            assert step_ticks(move, step) == at
    assert step_ticks(move, 0) == 0
    assert at == move.duration_ticks()


def test_creep_is_steady():
    move = creep(480, -1, 400)
    assert list(move.pairs()) == [(480, 12500)]
    assert (move.steps, move.direction, move.duration_ticks()) == (480, -1, 6000000)


def refused(action, *arguments):
    try:
        action(*arguments)
    except ValueError as error:
        return str(error)
    return ""


def test_refusals_name_the_limit():
    assert "velocity" in refused(Planner, 9, 80000, 0)
    assert "velocity" in refused(Planner, 357143, 80000, 0)
    assert "acceleration" in refused(Planner, 8000, 199, 0)
    assert "jerk" in refused(Planner, 8000, 80000, 3999)
    assert "jerk" in refused(Planner, 8000, 80000, -1)
    assert "velocity" in refused(Planner, 300000, 1000, 0)
    assert "creep" in refused(creep, 10, 1, 4)
    assert "step" in refused(creep, 0, 1, 400)
    assert "step" in refused(Planner(8000, 80000, 0).move, 0, 1)
    assert "direction" in refused(Planner(8000, 80000, 0).move, 10, 0)
    assert "cruise" in refused(Move(1, b"", 5, 625, b"").amended, 6)
