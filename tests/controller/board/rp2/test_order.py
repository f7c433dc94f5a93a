"""The order in which a board loads its firmware, against what its modules import."""

from controller.board.rp2.order import NAMES
from tests.wasm32 import import_order

ENTRY, LOOP = "controller.board.rp2.main", "controller.board.rp2.loop"
LOADED = set(import_order(ENTRY))  # before the order is looked at


def test_it_names_all_that_the_loop_is_made_of_and_nothing_else():
    wanted = set(import_order(LOOP)) - LOADED - {LOOP}
    assert wanted - set(NAMES) == set(), "add these"
    assert set(NAMES) - wanted == set(), "these would lie in a board's heap for nothing"
    assert len(set(NAMES)) == len(NAMES)


def test_no_import_goes_on_within_another():
    there = set(LOADED)
    for name in NAMES:
        missing = set(import_order(name)) - there - {name}
        assert not missing, f"{name} has to stand behind {', '.join(sorted(missing))}"
        there.add(name)
