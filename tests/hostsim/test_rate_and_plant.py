"""Runs at a share of the velocity limit, on the simulated module: what is counted stays true."""

from pathlib import Path

import pytest

from hostsim.bench import Attendant
from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.errors import DeviceError
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.world import World
from hostsim.words import Outcome
from tests.judge import JudgedModule

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_requests_are_exact_and_bounds_hold_at_every_rate(path):
    config = load(path)
    with JudgedModule(config, 3, "empty") as module:
        client = DispenserClient(SimLink(module), poll_s=0.5)
        attendant = Attendant(module, client)
        lasted_s = {}
        for share in (1.0, 0.05, 0.15, 0.4, 0.85):
            attendant.prepare(12)
            client.set_rate(share)
            result = client.request(12, on_progress=attendant.watch)
            assert result.outcome is Outcome.EXACT, share
            lasted_s[share] = result.seconds
        assert module.broken == []
        assert [truth for _, truth in module.watch.closed] == [12] * 5
    assert lasted_s[0.05] > lasted_s[0.15] > lasted_s[0.4] > lasted_s[1.0]


@pytest.mark.parametrize("seed", range(4))
def test_bounds_hold_at_any_rate_whatever_goes_wrong(seed):
    rates = [0.05, 1.0, 0.2, 0.6, 0.1, 0.9]
    with JudgedModule(load(CONFIGS[0]), seed, "harsh") as module:
        client = DispenserClient(SimLink(module), poll_s=0.5)
        attendant = Attendant(module, client)
        for ticket, share in enumerate(rates[seed:] + rates[:seed], 1):
            attendant.prepare(12)
            client.set_rate(share)
            result = client.request(12, ticket, attendant.watch)
            truth = module.watch.closed[-1][1]
            assert result.outcome is not Outcome.EXACT or truth == 12
        assert module.broken == []


def test_parts_let_go_anywhere_between_two_dwell_zones_are_counted_at_every_rate():
    """0.13 pockets either way is nearly all the way to the dwell zones of the nut module."""
    config = load(CONFIGS[0])
    world = World.of(config, release_scatter_pockets=0.13)
    with SimModule(config, 5, machine=world) as module:
        client = DispenserClient(SimLink(module), poll_s=0.5)
        attendant = Attendant(module, client)
        for share in (0.06, 0.2, 0.5, 0.9):
            attendant.prepare(25)
            client.set_rate(share)
            assert client.request(25).outcome is Outcome.EXACT, share


def test_the_client_says_what_a_rate_may_be_and_power_brings_the_full_one_back():
    with JudgedModule(load(CONFIGS[0])) as module:
        client = DispenserClient(SimLink(module))
        client.set_rate(0.5)
        assert client.rate() == 0.5
        with pytest.raises(DeviceError, match="50000"):
            client.set_rate(0.01)
        assert client.rate() == 0.5
        module.board.power_cycle()
        assert client.rate() == 1.0
