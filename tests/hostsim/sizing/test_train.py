"""Gear trains against a search of all pairs, and against published rules of gearing."""

import json
import math
import re
from fractions import Fraction

import pytest

from hostsim.cli import main
from hostsim.sizing import SizeError
from hostsim.sizing.train import MODULE_MM, MOTORS, RATIOS, motor_of, trains

STEPS = 3_200  # 200 full steps, 16 microsteps


@pytest.mark.parametrize("pockets", range(3, 31))
def test_steps_are_whole_where_any_pair_of_gears_makes_them_so(pockets):
    chosen = trains(STEPS, pockets, None)
    assert len(set(chosen)) == len(chosen)
    for ratio in RATIOS:
        near = [
            (z1, z2)
            for z1 in (17, 18, 19, 20, 21, 24)
            for z2 in range(z1 + 1, 73)
            if abs(Fraction(z2, z1) / ratio - 1) <= Fraction(1, 8)
        ]
        whole = [pair for pair in near if STEPS * pair[1] % (pair[0] * pockets) == 0]
        mine = [train for train in chosen if (train.driver, train.driven) in near]
        assert mine
        if whole:
            fewest = min(map(sum, whole))
            assert any(
                train.steps_per_pocket(STEPS, pockets).denominator == 1
                and train.driver + train.driven == fewest
                for train in mine
            )


def test_no_pair_is_undercut_and_the_axes_are_where_the_pitch_circles_touch():
    for train in trains(STEPS, 7, None):
        assert train.driver >= 17  # 2 / sin^2(20 deg) = 17.1, in practice 17
        # a = m (z1 + z2) / 2
        assert train.centre_mm == MODULE_MM * (train.driver + train.driven) / 2
        assert MODULE_MM in (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10)  # ISO 54, series I


def test_gears_fit_the_width_with_their_tips():
    for train in trains(STEPS, 7, 50):
        assert MODULE_MM * train.driven + 2 * MODULE_MM + 2 * 3.0 <= 50  # tip diameter d + 2 m
    assert trains(STEPS, 7, 30) == ()


def test_motors_by_name_or_from_a_description(tmp_path):
    assert motor_of("nema17-40").steps_per_turn == STEPS
    assert motor_of("configs/m4_washer.toml").values["holding_torque_n_m"] == 0.28
    with pytest.raises(SizeError, match=r"nema17-34, nema17-40"):
        motor_of("nema99")
    (tmp_path / "bad.toml").write_text("[motor]\n")
    with pytest.raises(SizeError, match="tallywheel check"):
        motor_of(str(tmp_path / "bad.toml"))


INCH_MM = 25.4


def test_the_frame_of_a_motor_is_that_of_the_standard(capsys):
    """NEMA 17, in inches (piclist.com/techref/io/stepper/nemasizes.htm, with M3 screws)."""
    for motor in MOTORS.values():
        frame = motor.frame
        assert 42 <= frame.face_mm <= 43
        assert frame.face_mm == pytest.approx(1.7 * INCH_MM, abs=1)  # 17 tenths of an inch
        assert frame.holes_mm == pytest.approx(1.220 * INCH_MM, abs=0.02)
        assert frame.holes_mm * math.sqrt(2) == pytest.approx(1.725 * INCH_MM, abs=0.05)
        assert frame.pilot_mm == pytest.approx(0.866 * INCH_MM, abs=0.01)
        assert frame.shaft_mm == pytest.approx(0.197 * INCH_MM, abs=0.01)
    assert main(["size", "ISO 4032 M5", "--pockets", "5"]) == 0
    told = capsys.readouterr().out
    assert re.search(r"motor +42\.3 +mm +square; 4 M3 on a square of 31 mm", told)


def test_no_housing_is_narrower_than_its_motor(capsys):
    """The smallest wheel of the smallest part still stands on a face of 42.3 mm (NopSCADlib)."""
    assert main(["size", "ISO 7089 M3", "--pockets", "5", "--json"]) == 0
    widths = [design["housing_mm"] for design in json.loads(capsys.readouterr().out)["designs"]]
    assert min(widths) == 42.3
