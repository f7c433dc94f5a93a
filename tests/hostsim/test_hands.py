"""Deeds told in words: done to the plant, or refused in a line that names all there is."""

from pathlib import Path

import pytest

from hostsim.config import load
from hostsim.hands import DEEDS, HandsPipe, do
from hostsim.module import SimModule

NUT = load(Path(__file__).parents[2] / "configs" / "m4_nut.toml")
GUARD, RECEIVER = 1, 4


@pytest.fixture
def plant():
    with SimModule(NUT, 1) as module:
        yield module.plant


def test_deeds_are_done(plant):
    do(plant, "guard open")
    assert not plant.levels & GUARD
    do(plant, " guard  shut ")
    assert plant.levels & GUARD
    do(plant, "card in")
    do(plant, "card in")
    assert plant.blocked
    do(plant, "card out")
    assert not plant.blocked
    do(plant, "bag away")
    assert not plant.levels & RECEIVER


def test_an_emptied_module_holds_what_is_filled_in_afterwards_and_nothing_is_lost(plant):
    do(plant, "empty")
    assert plant.truth.in_magazine == plant.truth.in_pockets == 0
    do(plant, "fill 30")
    plant.advance(plant.now_us + 1_000_000)
    assert plant.truth.in_magazine + plant.truth.in_pockets == 30
    assert plant.truth.missing == 0


@pytest.mark.parametrize("deed", ["", "guard", "fill", "fill 0", "fill -3", "fill 9999", "dance"])
def test_what_cannot_be_done_is_said_with_what_can(plant, deed):
    with pytest.raises(ValueError, match=r"allowed 1 to|there are .*guard open"):
        do(plant, deed)


def test_deeds_come_through_a_named_pipe_and_nonsense_is_told(plant, tmp_path):
    path, said = tmp_path / "hands", []
    with HandsPipe(path, plant, said.append) as pipe:
        pipe.look()
        path.write_text("guard open\nwave\n\xff\n")
        pipe.look()
        assert not plant.levels & GUARD
        assert len(said) == 2 and all(next(iter(DEEDS)) in line for line in said)
        path.write_text("guard sh")
        pipe.look()
        path.write_text("ut\n")
        pipe.look()
        assert plant.levels & GUARD
    assert not path.exists()


def test_a_file_that_is_no_pipe_is_left_alone(plant, tmp_path):
    path = tmp_path / "notes"
    path.write_text("keep")
    with pytest.raises(FileExistsError):
        HandsPipe(path, plant, print)
    assert path.read_text() == "keep"
