"""The example of a list of orders, in virtual time: helped, ended at any moment, started again.

What it writes down is held to what really fell, by the plant's truth.
"""

import csv

import pytest

from hostsim.config import load
from hostsim.examples import order_list
from hostsim.examples.order_list import Journal, read_orders, work
from tests.hostsim.linerig import Rig
from tests.hostsim.test_serve import CONFIG, SPEED, Server

ORDERS = [("A-1", 12), ("A-2", 40), ("A-3", 7)]
CAPACITY = load(CONFIG).settings.magazine_capacity


class Ended(BaseException):
    """The program has been killed."""


@pytest.fixture
def journal(tmp_path):
    """Open the journal anew, as a program does that is started again."""
    return lambda: Journal(tmp_path / "journal.csv")


def nobody(what):
    raise AssertionError(what)


def tickets(journal):
    return {order: int(row["ticket"]) for order, row in journal.rows.items()}


def test_a_person_is_asked_for_help_and_every_order_is_delivered(journal):
    rig = Rig("scpi", 1, faults="runs_dry")
    asked = []

    def fill(what):
        asked.append(what)
        rig.modules[0].plant.refill(CAPACITY)

    assert work(rig.clients[0], ORDERS, journal(), fill)
    assert len(asked) == 1 and "Refill the magazine" in asked[0]
    assert rig.fell() == {(0, 1): 12, (0, 2): 40, (0, 3): 7}
    for order, quantity in ORDERS:
        row = journal().rows[order]
        assert (row["outcome"], row["lower"], row["upper"]) == ("exact", *[str(quantity)] * 2)


@pytest.mark.parametrize("asked", range(0, 60, 6))
def test_ended_at_any_question_and_started_again_it_delivers_each_order_once(asked, journal):
    rig = Rig("scpi", 1)
    link = rig.clients[0].time
    ask, left = link.ask, [asked]

    def end_before_or_after(line, timeout_s):
        left[0] -= 1
        if left[0] == 0 and asked % 4:  # the question has not gone out, or has and is not answered
            raise Ended
        answer = ask(line, timeout_s)
        if left[0] == 0:
            raise Ended
        return answer

    link.ask = end_before_or_after
    try:
        work(rig.clients[0], ORDERS, journal(), nobody)
    except Ended:
        pass
    link.ask = ask
    rig.wait(asked / 10)  # whatever is open goes on meanwhile
    given = tickets(journal())
    rig.connect()
    assert work(rig.clients[0], ORDERS, journal(), nobody)
    assert given.items() <= tickets(journal()).items()
    assert rig.fell() == {(0, 1): 12, (0, 2): 40, (0, 3): 7}


def test_what_was_cut_off_by_the_plug_is_told_and_not_delivered_again(journal):
    rig = Rig("scpi", 1)
    rig.modules[0].trip_us = 700_000
    assert not work(rig.clients[0], ORDERS, journal(), nobody)
    rows = journal().rows
    assert [rows[order]["outcome"] for order, _ in ORDERS] == ["interrupted", "exact", "exact"]
    assert int(rows["A-1"]["lower"]) <= rig.fell()[0, 1] <= int(rows["A-1"]["upper"])


def test_it_runs_as_its_first_lines_say(tmp_path, monkeypatch, capsys):
    orders, told = tmp_path / "orders.csv", tmp_path / "journal.csv"
    orders.write_text("order,quantity\nA-1,3\nA-2,2\n")
    server = Server("--speed", SPEED)
    try:
        monkeypatch.setattr("sys.argv", ["order_list", server.path, str(orders), str(told)])
        assert order_list.main() == 0
        assert order_list.main() == 0  # nothing is left to do
    finally:
        server.end()
    output, errors = capsys.readouterr()
    assert output == 2 * "A-1: exact, 3 to 3 of 3\nA-2: exact, 2 to 2 of 2\n"
    assert errors == ""
    with told.open() as file:
        assert [row["outcome"] for row in csv.DictReader(file)] == ["", "exact"] * 2
    assert read_orders(orders) == [("A-1", 3), ("A-2", 2)]


def test_a_list_that_is_none_is_told_in_a_line(tmp_path, monkeypatch, capsys):
    (tmp_path / "orders.csv").write_text("order,quantity\nA-1,many\n")
    names = [str(tmp_path / name) for name in ("nowhere", "orders.csv", "journal.csv")]
    monkeypatch.setattr("sys.argv", ["order_list", *names])
    assert order_list.main() == 1
    errors = capsys.readouterr().err
    assert errors.count("\n") == 1 and "'many'" in errors
