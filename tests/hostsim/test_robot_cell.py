"""The example of a robot cell, in virtual time: on a good line, on a bad one, with plugs pulled.

A bag that is called complete holds what it should, by the plant's truth; any other is set aside.
"""

from functools import partial

import pytest

from controller.cycle import causes
from hostsim.bench import Bystander
from hostsim.errors import ModuleError
from hostsim.examples.robot_cell import KIT, Station, pack
from hostsim.examples.slip import Slip
from hostsim.plant.line import MIXES
from hostsim.words import UnitState
from tests.hostsim.linerig import SECOND_US, Rig

PARTS = list(KIT)
EVERY_US = 7 * SECOND_US  # a person comes by and presses the button


class Person:
    """Stands by with the hands (`Bystander`) and presses the button every few seconds."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._bystanders = [Bystander(module) for module in rig.modules]

    def presses(self) -> int:
        for bystander in self._bystanders:
            bystander.look()
        return self._rig.line.now_us // EVERY_US


class Nobody:
    """Does not press the button; the cell is given up after a minute of waiting."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._until_us = 0

    def presses(self) -> int:
        self._until_us = self._until_us or self._rig.line.now_us + 60 * SECOND_US
        if self._rig.line.now_us > self._until_us:
            raise ModuleError("nobody is there")
        return 0


class CellStopped(BaseException):
    """The power of the cell itself has gone."""


class Cell:
    """The example in front of the modules of a rig; it may be started again on the same slip."""

    def __init__(self, rig, folder, button=None):
        self.rig = rig
        self.log: list[str] = []
        self._path = folder / "slip"
        self._button = button or Person(rig)

    def pack(self, quantity):
        """Pack one bag: is it called complete?"""
        stations = {
            part: Station(part, module, self._button, partial(self._say, part))
            for part, module in zip(PARTS, self.rig.clients, strict=True)
        }
        return pack(stations, Slip(self._path, quantity))

    def _say(self, part, what):
        self.log.append(f"{part}: {what}")

    def said(self, part):
        """What was said of a part."""
        return [line.removeprefix(f"{part}: ") for line in self.log if line.startswith(f"{part}:")]

    def inside(self):
        """What has really fallen of each part."""
        self.rig.mend_line()
        inside = [0, 0, 0]
        for (place, _), parts in self.rig.fell().items():
            inside[place] += parts
        return inside


def bounds(line: str) -> tuple[int, int]:
    """What `check by hand: the bag holds 9 to 40 of 40` says."""
    _, _, told = line.partition("holds ")
    lower, _, upper = told.partition(" of ")[0].partition(" to ")
    return int(lower), int(upper or lower)


def test_three_modules_fill_a_bag_at_the_same_time(tmp_path):
    rig = Rig("modbus", 3)
    cell = Cell(rig, tmp_path, Nobody(rig))
    assert cell.pack(8)
    assert cell.inside() == [8, 8, 8]
    assert [line for line in cell.log if "ordered" in line] == cell.log[:3]
    assert cell.log[3:] == [f"{part}: ticket 1: exact, 8" for part in PARTS]
    assert rig.line.modules[0].plant.truth.passed_us[-1] < 3 * SECOND_US
    assert list(tmp_path.iterdir()) == []  # the slip has gone with the bag


@pytest.mark.parametrize("mix", [name for name in MIXES if name != "none"])
def test_a_bad_line_makes_it_slower_and_no_less_true(mix, tmp_path):
    rig = Rig("modbus", 3, seed=11)
    rig.line.medium.mix = MIXES[mix]
    cell = Cell(rig, tmp_path)
    complete = cell.pack(8)
    assert rig.line.medium.mishaps or mix == "everyday"
    assert cell.inside() == [8, 8, 8]
    assert complete, cell.log


@pytest.mark.parametrize("after_us", [0, 150_000, 700_000, 3_300_000])
def test_a_plug_that_is_pulled_sets_the_bag_aside(after_us, tmp_path):
    """Under the checkpoint of 25 of the shipped descriptions: an early cut leaves a remainder."""
    rig = Rig("modbus", 3)
    rig.modules[1].trip_us = after_us
    cell = Cell(rig, tmp_path)
    assert not cell.pack(40)
    assert rig.modules[1].cuts == 1
    inside = cell.inside()
    assert inside[0] == inside[2] == 40 and inside[1] <= 40
    said = cell.said("M4 washer")
    assert any("interrupted" in line for line in said)
    lower, upper = bounds(said[-1])
    assert lower <= inside[1] <= upper
    remainder = [line for line in said if line.startswith("ticket 2")]
    assert bool(remainder) == (after_us < SECOND_US)


def open_and_shut(rig):
    rig.modules[0].plant.guard(False)
    rig.wait(0.5)
    rig.modules[0].plant.guard(True)


@pytest.mark.parametrize("address", [2, 9])
def test_nothing_is_ordered_for_a_bag_that_cannot_be_filled(address, tmp_path):
    """In place of the screws another part, or no module at all."""
    rig = Rig("modbus", 3)
    rig.clients[2].address = address
    cell = Cell(rig, tmp_path)
    with pytest.raises(ModuleError, match="start again to go on with it"):
        cell.pack(8)
    why = "no answer from address 9" if address == 9 else "this module dispenses M4 washer, not"
    assert why in cell.said(PARTS[2])[-1]
    assert cell.inside() == [0, 0, 0] and list(tmp_path.iterdir()) == []


STOPS = {
    "guard": (open_and_shut, causes.GUARD_OPEN),
    "plug": (lambda rig: rig.modules[0].pull_plug(), causes.POWER_CUT),
    "hold": (lambda rig: rig.clients[0].give("hold"), causes.HOLD_COMMAND),
    "stop": (lambda rig: rig.clients[0].give("stop"), causes.STOP_COMMAND),
}


def interfere(cell, stop):
    """Do that to the nuts when they are well under way."""
    say = cell._say

    def listen(part, what):
        say(part, what)
        if part == PARTS[-1] and what == "ticket 1: 40 ordered":
            stop(cell.rig)

    cell._say = listen


@pytest.mark.parametrize("name", STOPS)
def test_a_unit_that_has_stopped_starts_only_at_the_press_of_a_button(name, tmp_path):
    stop, code = STOPS[name]
    rig = Rig("modbus", 3)
    nobody = Cell(rig, tmp_path, Nobody(rig))
    interfere(nobody, stop)
    with pytest.raises(ModuleError, match="start again to go on with it"):
        nobody.pack(40)
    assert rig.clients[0].state() is not UnitState.EXECUTE
    assert rig.clients[0].cause().code == code
    before = nobody.inside()
    assert before[0] < 40 and before[1:] == [40, 40]
    last_us = rig.modules[0].plant.truth.passed_us[-1]
    rig.wait(30)
    assert rig.modules[0].plant.truth.passed_us[-1] == last_us

    cell = Cell(rig, tmp_path)  # somebody has started it again
    complete = cell.pack(40)
    inside = cell.inside()
    assert inside[1:] == [40, 40] and inside[0] <= 40
    assert complete == (name in ("hold", "stop"))  # the others: hands may have been in it


class Hasty(Person):
    """Presses the button in vain for 40 s before shutting the guard."""

    def presses(self) -> int:
        if self._rig.line.now_us > 40 * SECOND_US:
            self._rig.modules[0].plant.guard(True)
        return self._rig.line.now_us // EVERY_US


def test_a_guard_that_stays_open_is_waited_for(tmp_path):
    rig = Rig("modbus", 3)
    cell = Cell(rig, tmp_path, Hasty(rig))
    interfere(cell, lambda rig: rig.modules[0].plant.guard(False))
    assert not cell.pack(40)
    said = cell.said("M4 nut")
    assert sum("guard open" in line for line in said) > 2  # pressed too soon: told anew
    lower, upper = bounds(said[-1])
    inside = cell.inside()
    assert lower <= inside[0] <= upper == 40 and inside[1:] == [40, 40]


@pytest.mark.parametrize(("faults", "seed"), [("runs_dry", 1), ("jam_hard", 5)])
def test_what_a_person_has_to_see_to_is_told_once_and_waited_for(faults, seed, tmp_path):
    rig = Rig("modbus", 3, seed, faults)
    cell = Cell(rig, tmp_path)
    complete = cell.pack(40)
    stops = [line for line in cell.log if "press Enter" in line]
    assert stops and len(stops) < 10
    inside = cell.inside()
    if complete:
        assert inside == [40, 40, 40]
    for place, part in enumerate(PARTS):
        told = cell.said(part)[-1]
        if "check by hand" in told:
            lower, upper = bounds(told)
            assert lower <= inside[place] <= upper
    assert complete == (faults == "runs_dry")


def stop_cell_after(rig, after_us):
    """The cell's power goes that long from now; its modules go on."""
    run_until = rig.line.run_until
    stop_us = rig.line.now_us + after_us

    def run(until_us):
        run_until(until_us)
        if rig.line.now_us >= stop_us:
            raise CellStopped

    rig.line.run_until = run
    return lambda: setattr(rig.line, "run_until", run_until)


@pytest.mark.parametrize("off_s", [0.1, 10])
@pytest.mark.parametrize("after_us", range(300_000, 5_000_000, 600_000))
def test_a_cell_that_is_started_again_orders_nothing_twice(after_us, off_s, tmp_path):
    rig = Rig("modbus", 3)
    mend = stop_cell_after(rig, after_us)
    with pytest.raises(CellStopped):
        Cell(rig, tmp_path).pack(40)
    mend()
    rig.wait(off_s)
    rig.connect()
    begun = (tmp_path / "slip").exists()
    assert begun or after_us < SECOND_US
    cell = Cell(rig, tmp_path, Nobody(rig))
    assert cell.pack(8), cell.log
    assert cell.inside() == [40 if begun else 8] * 3


def test_a_part_that_falls_after_its_result_was_read_is_no_secret(tmp_path):
    rig = Rig("modbus", 3)
    cell = Cell(rig, tmp_path)
    say = cell._say

    def listen(part, what):
        say(part, what)
        if part == PARTS[0] and "exact" in what:
            assert rig.line.modules[2].plant.truth.in_magazine  # the screws take longer
            rig.modules[0].plant.cover_beam(True)
            rig.wait(0.01)
            rig.modules[0].plant.cover_beam(False)

    cell._say = listen
    assert not cell.pack(40)
    assert cell.said("M4 nut")[-2:] == [
        "ticket 1: exact, 40",
        "check by hand: the bag holds 40 to 41 of 40",
    ]


def test_a_slip_that_is_none_is_refused_in_a_line(tmp_path):
    path = tmp_path / "slip"
    for text in ("", "[]", '{"quantity": 8}', '{"quantity": 8, "orders": [1]}'):
        path.write_text(text)
        with pytest.raises(ValueError, match="is no packing slip: check the bag, then remove it"):
            Slip(path, 8)
