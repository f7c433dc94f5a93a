"""Misses of a simulated module: what a starved one counts, and one that leaves pockets empty."""

from hostsim.answers import Counters
from hostsim.life import Forecast, due, miss_limits
from hostsim.module import SimModule
from hostsim.store import SimStore
from tests.invariants.bench import CONFIGS, EXACT, SECOND_US, Bench, fill

CONFIG = CONFIGS["m4_nut"]
SUSPENDED = 5
EMPTY_SHARE = 0.05  # of the fault mix "empty"


def counters(bench):
    return Counters(*bench.ask("SPR:COUN?"))


def starved(bench, ticket, parts):
    """A request for more than there is; the magazine is then filled and the rest delivered."""
    bench.open(ticket, parts + 10)
    while bench.ask("UNIT:STAT?")[0] != SUSPENDED:
        bench.wait(SECOND_US // 4)
    fill(bench.plant)
    bench.module.tell("UNIT:COMM UNS")
    assert bench.module.ask("*OPC?") == "1"
    assert bench.result(ticket)[2] == EXACT


def test_an_empty_magazine_is_no_sign_of_wear():
    with SimModule(CONFIG) as module:
        bench = Bench(module)
        bench.ready()
        starved(bench, 1, module.plant.truth.in_magazine)
        for ticket in (2, 3):  # closed short over an empty magazine, then filled between requests
            bench.open(ticket, 2 * module.plant.world.capacity)
            while bench.ask("UNIT:STAT?")[0] != SUSPENDED:
                bench.wait(SECOND_US // 4)
            bench.act("cancel")
            assert module.ask("*OPC?") == "1"
            fill(module.plant)
            bench.ready()
        bench.open(4, 25)
        assert module.ask("*OPC?") == "1"
        assert bench.result(4)[2] == EXACT
        counted = counters(bench)
        assert counted.pockets > counted.pieces + 20  # that many have passed without a part
        assert counted.misses == 0
        assert list(due(Forecast(counted.pieces, counted.rated, 8_000, 7), counted)) == []


def test_one_pocket_in_twenty_shows_as_such_and_outlives_the_power():
    store = SimStore()
    with SimModule(CONFIG, seed=3, faults="empty", store=store) as module:
        bench = Bench(module)
        bench.ready()
        for ticket in range(1, 61):
            fill(module.plant)
            bench.open(ticket, 25)
            assert module.ask("*OPC?") == "1"
        counted = counters(bench)
    assert counted.pockets > 60 * 25
    least, most = miss_limits(counted)
    assert least < EMPTY_SHARE < most
    assert list(due(Forecast(counted.pieces, counted.rated, 8_000, 7), counted)) != []
    # Every pocket that gave none was one, but for those in front of the very first part.
    assert (
        0 <= counted.pockets - counted.pieces - counted.misses <= CONFIG.settings.sprocket_pockets
    )
    with SimModule(CONFIG, store=store) as module:
        assert counters(Bench(module)) == counted
