"""The example of a robot cell, in virtual time: on a good line, on a bad one, with plugs pulled.

A bag that is called complete holds what it should, by the plant's truth; any other is set aside.
"""

import pytest

from hostsim.examples.robot_cell import KIT, pack
from hostsim.plant.line import MIXES
from tests.hostsim.linerig import SECOND_US, Rig


def packed(rig: Rig, quantity: int) -> tuple[bool, list[str], list[int]]:
    """Pack one bag: is it called complete, what was said, what it really holds of each kind."""
    log: list[str] = []
    modules = dict(zip(KIT, rig.clients, strict=True))
    complete = pack(modules, quantity, lambda who, what: log.append(f"{who}: {what}"))
    rig.mend_line()
    fell = rig.fell()
    inside = [0, 0, 0]
    for (place, _), parts in fell.items():
        inside[place] += parts
    return complete, log, inside


def test_three_modules_fill_a_bag_at_the_same_time():
    rig = Rig("modbus", 3)
    complete, log, inside = packed(rig, 8)
    assert complete and inside == [8, 8, 8]
    assert [line for line in log if "ordered" in line] == log[:3]  # all before the first result
    assert log[3:] == [
        f"{name}: ticket 1: exact, 8" for name in ("M4 nut", "M4 washer", "M4x12 socket screw")
    ]
    assert rig.line.modules[0].plant.truth.passed_us[-1] < 3 * SECOND_US


@pytest.mark.parametrize("mix", [name for name in MIXES if name != "none"])
def test_a_bad_line_makes_it_slower_and_no_less_true(mix):
    rig = Rig("modbus", 3, seed=11)
    rig.line.medium.mix = MIXES[mix]
    complete, log, inside = packed(rig, 8)
    assert rig.line.medium.mishaps or mix == "everyday"
    assert complete and inside == [8, 8, 8], log


@pytest.mark.parametrize("after_us", [0, 150_000, 700_000, 3_300_000])
def test_a_plug_that_is_pulled_sets_the_bag_aside(after_us):
    """Under the checkpoint of 25 of the shipped descriptions: an early cut leaves a remainder."""
    rig = Rig("modbus", 3)
    rig.modules[1].trip_us = after_us
    complete, log, inside = packed(rig, 40)
    assert rig.modules[1].cuts == 1
    assert not complete
    assert inside[0] == inside[2] == 40 and inside[1] <= 40
    said = [line.removeprefix("M4 washer: ") for line in log if line.startswith("M4 washer")]
    assert any("interrupted" in line for line in said)
    lower, upper = bounds(said[-1])
    assert lower <= inside[1] <= upper
    remainder = [line for line in said if line.startswith("ticket 2")]
    assert bool(remainder) == (after_us < SECOND_US)


def bounds(line: str) -> tuple[int, int]:
    """What `check by hand: the bag holds 9 to 40 of 40` says."""
    _, _, told = line.partition("holds ")
    lower, _, upper = told.partition(" of ")[0].partition(" to ")
    return int(lower), int(upper or lower)
