"""The plant as a whole: conservation, determinism, and that every fault mix is more than a name."""

import hashlib
import itertools
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.board.ports import CUT, DRIVE_HEALTHY, GUARD_CLOSED, POCKET_INDEX, RECEIVER_READY
from hostsim.plant.eventlog import EventLog, NoLog
from hostsim.plant.faults import MIXES, FaultMix, describe
from hostsim.plant.plant import Plant

from .rig import Description, Rig, at_rate, ramped

ALL = sorted(MIXES)


def session(rig: Rig) -> None:
    """Runs, reversals, and a person who helps, much as a request would have it."""
    for _ in range(3):
        rig.run(25, fall_us=300_000)
        rig.creep(-0.35, fall_us=50_000)
        rig.creep(0.35, fall_us=50_000)
    rig.plant.guard(True)
    rig.plant.reset_drive()
    rig.plant.clear()
    rig.plant.beam_test(True)
    rig.wait(5_000)
    rig.plant.beam_test(False)
    rig.plant.refill(20)
    rig.run(25)
    rig.plant.change_sprocket()
    rig.run(10)


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(ALL), st.integers(0, 2**31))
def test_no_part_comes_from_nowhere_or_gets_lost(mix: str, seed: int) -> None:
    rig = Rig(mix, seed)
    truth = rig.plant.truth

    def watch() -> None:
        assert truth.missing == 0
        assert min(truth.in_magazine, truth.in_pockets, truth.in_air, truth.removed) >= 0
        assert truth.passed == len(truth.passed_us)

    rig.slice_us, rig.watch = 30_000, watch
    session(rig)
    rig.wait(10_000_000)
    assert list(truth.passed_us) == sorted(truth.passed_us)
    assert truth.passed_between(-1, rig.plant.now_us) == truth.passed
    let_go = sum(int(line.rsplit(" ", 1)[1]) for _, line in rig.log.entries if "lets go" in line)
    assert let_go >= truth.passed


def record(mix: str, seed: int, pieces_us: list[int]) -> tuple[str, list[Any], list[Any]]:
    """A fixed script of orders at fixed times, with time sliced in the given pieces in turn."""
    rig = Rig(mix, seed)
    plant, turns = rig.plant, itertools.cycle(pieces_us)

    def next_piece() -> None:
        rig.slice_us = next(turns)

    rig.watch = next_piece
    rig.start(ramped(20_000))
    rig.wait(700_000)
    plant.beam_test(True)
    rig.wait(3_000)
    plant.beam_test(False)
    rig.wait(200_000)
    plant.drive_halt()
    rig.wait(100_000)
    rig.start(at_rate(400, 800, -1))
    rig.wait(1_500_000)
    plant.guard(True)
    plant.reset_drive()
    plant.clear()
    rig.start(ramped(15_000))
    rig.wait(400_000)
    plant.drive_halt()
    rig.wait(1_100_000)
    return rig.log.sha256(), rig.edges, rig.changes


@settings(max_examples=50, deadline=None)
@given(
    st.sampled_from(ALL),
    st.integers(0, 1000),
    st.lists(st.integers(500, 300_000), min_size=1, max_size=6),
)
def test_slicing_time_changes_nothing(mix: str, seed: int, pieces_us: list[int]) -> None:
    assert record(mix, seed, pieces_us) == record(mix, seed, [10**9])


def test_same_seed_same_log_other_seed_other_log() -> None:
    digests = [record("harsh", seed, [10**9])[0] for seed in (1, 1, 2)]
    assert digests[0] == digests[1] != digests[2]


def test_one_fault_does_not_shift_the_chances_of_the_parts() -> None:
    """Streams are apart: noise must not change when and where a single part falls."""
    alone, noisy = (Rig(mix, seed=5) for mix in ("none", "noise"))
    for rig in (alone, noisy):
        rig.run(40)
    assert alone.plant.truth.passed_us == noisy.plant.truth.passed_us


MISHAP: dict[str, Callable[[Rig], object]] = {
    "empty": lambda rig: rig.plant.truth.mishaps["empty"],
    "train": lambda rig: rig.plant.truth.mishaps["train"],
    "cling": lambda rig: rig.plant.truth.mishaps["cling"],
    "double": lambda rig: rig.plant.truth.mishaps["double"],
    "double_together": lambda rig: rig.plant.truth.mishaps["double_together"],
    "beside": lambda rig: rig.plant.truth.mishaps["beside"],
    "jam": lambda rig: rig.said("stall input"),
    "jam_hard": lambda rig: rig.said("jams") and not rig.said("is free"),
    "stall_blind": lambda rig: rig.said("jams") and not rig.said("stall input"),
    "slip": lambda rig: rig.said("motor slips") and not rig.said("stall input"),
    "sag": lambda rig: rig.said("motor pulls out"),
    "lodge": lambda rig: rig.said("lodges"),
    "noise": lambda rig: rig.plant.truth.mishaps["noise"],
    "bounce": lambda rig: len(rig.pulses()) > 2 * rig.plant.truth.passed,
    "dirt": lambda rig: rig.said("a film of 200 us"),
    "beam_clear": lambda rig: rig.plant.truth.passed and not rig.edges,
    "beam_blocked": lambda rig: rig.plant.blocked,
    "beam_dies": lambda rig: rig.said("beam dead"),
    "index_dead": lambda rig: (
        0
        < [code for _, code in rig.changes].count(POCKET_INDEX)
        < rig.plant.truth.pockets_passed - 10
    ),
    # 200 pockets x 2e-3 x (1 + 4 x 2^2): 6.8 expected; a new sprocket would have 0.4
    "worn": lambda rig: rig.plant.truth.mishaps["empty"] > 4,
    "guard": lambda rig: rig.said("guard open") and rig.said("guard shut"),
    "receiver": lambda rig: rig.said("receiver gone") and rig.said("receiver in place"),
    "drive_fault": lambda rig: not rig.plant.levels & DRIVE_HEALTHY,
    "runs_dry": lambda rig: rig.plant.truth.in_magazine == 0,
    "harsh": lambda rig: len(rig.plant.truth.mishaps) >= 4,
}


@pytest.mark.parametrize("mix", [name for name in ALL if name not in ("none", "everyday")])
def test_every_mix_does_what_it_says(mix: str) -> None:
    """Every mix has its own evidence here; a mix without an entry fails."""
    for seed in range(8):
        rig = Rig(mix, seed)
        for _ in range(10):
            rig.run(20)
        if MISHAP[mix](rig):
            return
    pytest.fail(f"{mix} never happened")


def test_a_guard_that_was_open_for_an_instant_is_seen_once() -> None:
    plant = Rig("none").plant
    plant.guard(False)
    plant.guard(True)
    assert plant.levels & GUARD_CLOSED
    assert not plant.look() & GUARD_CLOSED
    assert plant.look() & GUARD_CLOSED


def test_none_is_none() -> None:
    rig = Rig("none")
    for _ in range(20):
        rig.run(100, fall_us=400_000)
        rig.plant.refill(100)
    truth = rig.plant.truth
    assert truth.passed == truth.pockets_passed == 2000
    assert not truth.mishaps
    full = GUARD_CLOSED | RECEIVER_READY | DRIVE_HEALTHY
    assert rig.plant.levels & full == full
    assert not rig.plant.drive_status()[0] & CUT


def test_rates_are_what_the_mix_says() -> None:
    """Binomial counts over 6000 pockets, each within 5 standard deviations."""
    rates = {"empty": 0.05, "double": 0.02, "cling": 0.03, "beside": 0.01, "slip": 0.004}
    rig = Rig(FaultMix("test", "", wear_gain=0.0, **rates))  # type: ignore[arg-type]
    pockets = 6000
    for _ in range(pockets // 200):
        rig.run(200, fall_us=1000)
        rig.plant.refill(230)
    rig.wait(3_000_000)
    for name, rate in rates.items():
        spread = 5 * (pockets * rate * (1 - rate)) ** 0.5
        assert rig.plant.truth.mishaps[name] == pytest.approx(pockets * rate, abs=spread), name


def test_everyday_is_mostly_harmless() -> None:
    """2 in 1000 pockets stay empty; nothing that is declared undetectable is in it."""
    rig = Rig("everyday")
    for _ in range(30):
        rig.run(100, fall_us=300_000)
        rig.plant.refill(100)
    assert rig.plant.truth.mishaps["empty"] == pytest.approx(6, abs=6)
    for name in ("everyday", "harsh"):
        mix = MIXES[name]
        assert mix.detectable and not mix.double_together and not mix.beside


def test_mixes_describe_themselves() -> None:
    lines = describe()
    assert len(lines) == len(MIXES)
    assert all(line.split()[0] == name for line, name in zip(lines, MIXES, strict=True))
    assert max(len(line) for line in lines) <= 110
    for mix in MIXES.values():
        assert mix.doc and (mix.name == "none" or mix.why)
    with pytest.raises(ValueError, match="there are: none, everyday"):
        Plant(Description(), 1, "evryday", EventLog())


def test_the_log_s_hash_is_that_of_its_lines() -> None:
    kept, dropped = EventLog(), EventLog(keep=False)
    for log in (kept, dropped):
        for number in range(10_000):
            log.add(number, f"line {number}")
            if number == 5000:
                log.sha256()
    text = "".join(f"{line}\n" for line in kept.lines())
    assert kept.sha256() == dropped.sha256() == hashlib.sha256(text.encode()).hexdigest()
    assert len(kept) == len(dropped) == 10_000
    assert len(dropped.entries) < 5000


def test_a_served_module_s_log_does_not_grow() -> None:
    log = NoLog()
    plant = Plant(Description(), 1, "none", log)
    plant.refill(1)
    assert len(log) == 0 and not log.entries
