"""The timing diagram shows what it says: three gives, told apart by what answers them."""

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from hostsim import wirediagram
from hostsim.words import WirePhase


@pytest.fixture(scope="module")
def seen() -> wirediagram.Rehearsal:
    return wirediagram.rehearse()


def rises(seen: wirediagram.Rehearsal, name: str) -> list[int]:
    return [time_us for time_us, level in seen.waves[name] if level]


def falls(seen: wirediagram.Rehearsal, name: str) -> list[int]:
    return [time_us for time_us, level in seen.waves[name][1:] if not level]


def test_every_wire_goes_up_and_down_in_turn(seen: wirediagram.Rehearsal) -> None:
    for changes in seen.waves.values():
        for (before_us, before), (after_us, after) in pairwise(changes):
            assert after_us >= before_us
            assert {before, after} == {0, 1}


def test_the_first_scene_has_its_four_phases(seen: wirediagram.Rehearsal) -> None:
    ready_us, give_us = rises(seen, "ready")[0], rises(seen, "give")[0]
    done_us, low_us = rises(seen, "done")[0], falls(seen, "give")[0]
    parts = [part_us for part_us in seen.parts_us if part_us < low_us]
    assert ready_us < give_us < parts[0] < parts[-1] < done_us < low_us < falls(seen, "done")[0]
    assert len(parts) == wirediagram.QUANTITY
    assert falls(seen, "done")[0] <= rises(seen, "ready")[1]


def test_the_second_ends_in_a_fault_and_the_third_in_one_that_waits(
    seen: wirediagram.Rehearsal,
) -> None:
    assert len(rises(seen, "done")) == 1
    second, third = rises(seen, "fault")
    assert rises(seen, "give")[1] < second < falls(seen, "give")[1]
    assert falls(seen, "give")[2] < third < rises(seen, "give")[3]
    assert third < falls(seen, "give")[3] < falls(seen, "fault")[1]


def test_all_phases_but_power_up_are_in_the_picture(seen: wirediagram.Rehearsal) -> None:
    shown = {phase for time_us, phase in seen.phases if time_us > seen.begin_us}
    assert shown == set(WirePhase) - {WirePhase.START}


def test_the_diagram_is_written(tmp_path, capsys) -> None:
    path = tmp_path / "hand-shake.svg"
    assert wirediagram.main([str(path)]) == 0
    assert capsys.readouterr().out == f"{path}\n"
    assert ElementTree.parse(path).getroot().tag.endswith("svg")


def test_a_place_that_can_not_be_written_is_refused(tmp_path, capsys) -> None:
    assert wirediagram.main([str(tmp_path / "nowhere" / "x.svg")]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "choose another OUT" in error
