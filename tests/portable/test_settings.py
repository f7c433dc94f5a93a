"""The settings table on both interpreters: same refusals, same JSON."""

from controller.keys import NAMES, ROWS, check
from controller.settings import SettingsError, from_json
from tests.portable.module import settings, values


def said(table):
    return [str(problem) for problem in check(table)]


def test_a_sound_table_is_taken_with_defaults():
    made = settings()
    assert made.gear_stages == ((17, 51),)
    assert made.sprocket_rated_pieces == 200_000  # common practice: a printed sprocket's least
    assert made.beam_late_us == 0
    assert made.get("part_longest_um") == 8_690


def test_json_keeps_every_key_in_the_order_of_the_table():
    text = settings().to_json()
    places = [text.find('"' + name + '": ') for name in NAMES]
    assert -1 not in places
    assert places == sorted(places)
    assert from_json(text).as_dict() == settings().as_dict()


def test_text_that_is_no_json_is_refused():
    for text in ("", "{", "[1, 2]", "7", "null"):
        try:
            from_json(text)
        except SettingsError as error:
            assert len(error.problems) == 1
        else:
            raise AssertionError(text)


def test_everything_wrong_is_said_at_once_and_in_order():
    table = values(
        motor_microsteps=0,
        limit_creep_steps_s=9_000,
        part_hole_um=True,
        beam_dropp_um=3,
        name=None,
    )
    assert said(table) == [
        "beam_dropp_um = 3: unknown key; the nearest known one is beam_drop_um",
        "name: allowed 1 to 32 characters (missing: " + ROWS[0][6] + ")",
        "motor_microsteps = 0 steps/full step: allowed 1 to 256 steps/full step",
        "part_hole_um = True um: allowed 0 or 100 to 200000 um (must be an integer)",
        "limit_creep_steps_s = 9000 steps/s: allowed 5 to 3200 steps/s"
        " (creep starts without a ramp, so it is at most the start-stop rate)",
    ]


def test_a_ladder_is_refused_rung_by_rung():
    ladder = [[1, 450_001, 1], [5, 1, 1], [4, 500, 0], [2, 1_000]]
    assert said(values(recovery_ladder=ladder)) == [
        "recovery_ladder[0].amount = 450001 ppm of a pocket:"
        " allowed 1000 to 450000 ppm of a pocket",
        "recovery_ladder[1].code = 5: allowed 1 to 4 (move code)",
        "recovery_ladder[2].times = 0 times: allowed 1 to 20 times",
        "recovery_ladder[3] = [2, 1000]: must be [code, amount, times]",
    ]


def test_windows_that_contradict_the_rest_are_refused():
    # A washer 0.7 mm thick passes the beam in about half a millisecond.
    table = values(part_shortest_um=700, beam_bounce_us=900)
    assert len(said(table)) == 1
    assert said(table)[0].startswith("beam_bounce_us = 900 us: allowed 0 to ")
    assert said(values(beam_early_us=90_000, beam_late_us=80_000)) == [
        "beam_early_us = 90000 us: allowed 0 or 1 to 79999 us"
        " (the early limit comes before the late one)",
    ]
