"""Wiring mistakes: each shows where it would on a bench, and leaves the machine itself sound."""

from pathlib import Path

import pytest

from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.errors import DeviceError, NotReadyError
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.wiring import Wiring
from hostsim.words import UnitState

NUT = load(Path(__file__).parents[3] / "configs" / "m4_nut.toml")
GUARD, DRIVE = 1, 8


def bits(client):
    return int(client.ask("SENS:INP?"))


def wired(**mistake):
    module = SimModule(NUT, 1, wiring=Wiring(**mistake))
    return module, DispenserClient(SimLink(module))


def in_maintenance(client):
    client.tell("UNIT:MODE MAIN")
    client.make_ready()


def test_a_guard_contact_the_wrong_way_round_reads_open_when_it_is_shut():
    module, client = wired(guard_inverted=True)
    assert not bits(client) & GUARD
    with pytest.raises(DeviceError):
        client.command("reset")
    module.plant.guard(False)
    assert bits(client) & GUARD


def test_a_bridged_guard_contact_hides_the_open_guard_but_the_hardware_still_cuts():
    module, client = wired(guard_bridged=True)
    in_maintenance(client)
    before = module.plant.travel_pockets
    module.plant.guard(False)
    assert bits(client) & GUARD
    client.jog(0.5)
    assert module.plant.travel_pockets == before


@pytest.mark.parametrize("mistake", ["motor_reversed", "motor_open"])
def test_a_motor_turns_the_wrong_way_or_not_at_all(mistake):
    module, client = wired(**{mistake: True})
    in_maintenance(client)
    before = module.plant.travel_pockets
    client.jog(0.25)
    turned = module.plant.travel_pockets - before
    assert turned == pytest.approx(-0.25 if mistake == "motor_reversed" else 0, abs=0.03)


def test_a_driver_fault_keeps_the_unit_from_being_reset():
    _, client = wired(driver_fault=True)
    assert not bits(client) & DRIVE
    with pytest.raises(NotReadyError):
        client.make_ready()
    assert client.state() is UnitState.ABORTED


@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_beam_reads_one_level_whatever_is_in_it(level):
    module, client = wired(beam_reads=level)
    for covered in (True, False):
        module.plant.cover_beam(covered)
        assert client.ask("MAIN:BEAM?").startswith(f"{level},")


def test_a_beam_whose_test_output_is_not_connected_fails_its_test():
    _, client = wired(test_open=True)
    in_maintenance(client)
    assert client.test_beam() is False


def test_without_its_index_sensor_the_module_does_not_find_its_place_by_itself():
    module, client = wired(index_open=True)
    in_maintenance(client)
    client.register()
    assert not client.position().known
    assert not [change for change in module.plant.changes if change[1] == 1]
