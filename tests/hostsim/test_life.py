"""Forecasts of a sprocket: sums by hand, Wilson's interval as published, and a served module."""

import json

import pytest
from pytest import approx

from hostsim.answers import Counters
from hostsim.cli import main
from hostsim.life import Forecast, due, forecast, miss_limits, plan_service, spares
from tests.hostsim.described import CONFIGS, described
from tests.hostsim.test_serve import Server


def counted(pieces=0, pockets=0, misses=0):
    return Counters(pieces, 200_000, pockets, misses, 0, 0)


def test_days_to_service_by_hand():
    config = described(plan={"parts_per_day": 8_000, "days_per_year": 250, "lead_days": 7})
    new = forecast(config)
    assert (new.left, new.days, new.order_days) == (200_000, 25.0, 18.0)
    used = forecast(config, 150_000)
    assert (used.left, used.days, used.order_days) == (50_000, 6.25, 0.0)
    over = forecast(config, 230_000)
    assert (over.left, over.days) == (0, 0.0)
    service = plan_service(config, 10.0)
    assert service.sprockets_a_year == 10.0  # 2,000,000 parts a year
    assert service.hours_a_day == approx(8_000 / 10 / 3600)
    assert service.bearing_years == approx(20_000 / (8_000 / 10 / 3600 * 250))


@pytest.mark.parametrize(("per_day", "shelf"), [(8_000, 1), (28_571, 1), (28_572, 2), (60_000, 3)])
def test_the_shelf_holds_what_wears_out_on_the_way(per_day, shelf):
    config = described(plan={"parts_per_day": per_day, "lead_days": 7})
    assert plan_service(config, 10.0).shelf == shelf


def test_the_list_names_what_the_module_has():
    names = [spare.name for spare in spares(described("m4x12_socket_screw"))]
    assert names == [
        "sprocket",
        "mouth of the magazine",
        "gears 19:38",
        "gears 20:37",
        "dowel pins 8 mm",
    ]
    bolted = described(joint={"located_by": "bolts"})
    assert not any("pins" in spare.name for spare in spares(bolted))
    rows = spares(described(plan={"parts_per_day": 8_000, "days_per_year": 250}))
    assert [row.a_year * row.every_pieces for row in rows] == approx([2_000_000] * len(rows))


@pytest.mark.parametrize(
    ("misses", "pockets", "limits"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857, Table I
        (81, 263, (0.2553, 0.3662)),
        (15, 148, (0.0624, 0.1605)),
        (0, 20, (0.0, 0.1611)),
        (1, 29, (0.0061, 0.1718)),
        # R's package binom, as stored in the tests of statsmodels
        (4, 200, (0.007804426, 0.050287087)),
        (29, 30, (0.8332961, 0.9940914)),
    ],
)
def test_wilsons_limits_as_published(misses, pockets, limits):
    assert miss_limits(counted(0, pockets, misses)) == approx(limits, abs=5e-5)


def test_before_any_pocket_nothing_is_known():
    assert miss_limits(counted()) == (0.0, 1.0)
    assert list(due(Forecast(0, 200_000, 8_000, 7), counted())) == []


@pytest.mark.parametrize(
    ("pieces", "pockets", "misses", "said"),
    [
        (100_000, 101_000, 1_000, []),
        (150_000, 151_000, 1_000, ["order it now"]),
        (200_000, 201_000, 1_000, ["change it"]),
        (1_000, 1_060, 60, ["stayed empty"]),
        (20, 21, 1, []),  # one in twenty, but of too few to be sure
        (210_000, 230_000, 20_000, ["change it", "stayed empty"]),
    ],
)
def test_what_is_due(pieces, pockets, misses, said):
    lines = list(due(Forecast(pieces, 200_000, 8_000, 7), counted(pieces, pockets, misses)))
    assert len(lines) == len(said)
    for line, part in zip(lines, said, strict=True):
        assert part in line


def test_hands_are_told_to_isolate_the_supply():
    for line in due(Forecast(200_000, 200_000, 1, 0), counted(200_000, 200_000, 50_000)):
        assert "isolate the supply" in line


@pytest.fixture(scope="module")
def port():
    server = Server("--speed", "50")
    yield server.path
    server.end()


def test_a_served_module_says_how_long_its_sprocket_lasts(port, capsys):
    assert main(["request", port, "--quantity", "30"]) == 0
    capsys.readouterr()
    assert main(["service", port, "--per-day", "1000", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["counters"]["pieces"] == 30
    assert told["left"] == told["counters"]["rated"] - 30 == 199_970
    assert (told["days"], told["due"]) == (approx(199.97), [])
    assert main(["service", port, "--per-day", "100000"]) == 1
    shown = capsys.readouterr()
    assert "order it now" in shown.err
    assert "199970" in shown.out


def test_the_planned_output_must_be_known(port, capsys):
    assert main(["service", port]) == 1
    assert "--per-day" in capsys.readouterr().err
    config = str(CONFIGS[0])
    assert main(["service", port, "--config", config]) == 0
    assert "at 8000 parts a day" in capsys.readouterr().out
