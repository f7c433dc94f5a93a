"""Recording and replaying: what was counted live is counted again from the file."""

from dataclasses import replace
from pathlib import Path

import pytest

from hostsim.config import load
from hostsim.dispensing import dispense
from hostsim.engine import InProcess
from hostsim.module import SimModule
from hostsim.recorder import Recorder
from hostsim.replay import replay
from hostsim.timeline import timeline
from hostsim.trace import (
    CLOSE,
    DARK,
    EDGE,
    OPEN,
    RELEASE,
    TEST,
    Row,
    TraceError,
    read_trace,
    write_trace,
)

CONFIGS = Path(__file__).parents[2] / "configs"
NUT = load(CONFIGS / "m4_nut.toml")
HEAD = "time_us,what,a,b\n"


def recorded(config, faults, seed, quantity=15, requests=4):
    recorder = Recorder(InProcess())
    with SimModule(config, seed, faults, recorder) as module:
        return recorder, list(dispense(module, quantity, requests))


@pytest.mark.parametrize("faults", ["none", "empty", "jam", "noise", "bounce", "double", "harsh"])
@pytest.mark.parametrize("name", ["m4_nut", "m4x12_socket_screw"])
def test_a_recount_comes_to_the_bounds_the_module_reported(faults, name, tmp_path):
    config = load(CONFIGS / f"{name}.toml")
    recorder, deliveries = recorded(config, faults, seed=5)
    write_trace(tmp_path / "trace.csv", recorder.trace())
    recounts = list(replay(read_trace(tmp_path / "trace.csv"), config.settings))
    assert [each.ticket for each in recounts] == [each.result.ticket for each in deliveries]
    for recount, delivery in zip(recounts, deliveries, strict=True):
        assert (recount.said_lower, recount.said_upper) == (
            delivery.result.lower,
            delivery.result.upper,
        )
        assert recount.agrees, recount.findings


def test_what_stood_in_the_beam_is_no_part():
    recorder, _ = recorded(NUT, "lodge", seed=1)
    recounts = list(replay(recorder.trace(), NUT.settings))
    assert any(finding.what == "stuck" for each in recounts for finding in each.findings)
    assert all(recount.agrees for recount in recounts)


def test_the_self_test_is_not_counted():
    """Two requests without faults: 30 parts and nothing else, though each begins with a test."""
    recorder, _ = recorded(NUT, "none", seed=1, requests=2)
    assert [row.a for row in recorder.trace() if row.what == DARK] == [1, 0, 1, 0]
    recounts = replay(recorder.trace(), NUT.settings)
    findings = [finding for recount in recounts for finding in recount.findings]
    assert [finding.what for finding in findings] == ["good"] * 30


def test_every_pulse_is_accounted_for():
    recorder, _ = recorded(NUT, "noise", seed=2)
    recounts = list(replay(recorder.trace(), NUT.settings))
    found = [each.what for recount in recounts for each in recount.findings]
    assert found.count("good") > 50 and found.count("short") > 4
    for recount in recounts:
        lower = 0
        for finding in recount.findings:
            counted = finding.lower - lower
            assert counted == 1 or finding.what != "good"
            assert counted == 0 or finding.what in ("good", "late", "long")
            lower = finding.lower
        assert lower == recount.lower


def test_a_part_by_hand():
    """One pocket, one part that falls at sqrt(2h/g) later, for a drop of 20 mm: 63.9 ms."""
    fall_us = 63_868
    rows = [
        Row(0, OPEN, 1, 1),
        Row(1_000, TEST, 1, 0),
        Row(100_000, RELEASE, 1, 0),
        Row(100_000 + fall_us, EDGE, 1, 0),
        Row(100_000 + fall_us + 8_000, EDGE, 0, 0),
        Row(300_000, CLOSE, 1, 1),
    ]
    (recount,) = replay(rows, NUT.settings)
    assert recount.agrees
    (finding,) = recount.findings
    assert (finding.what, finding.lower, finding.upper) == ("good", 1, 1)
    assert finding.why == "dark 8.00 ms, 63.9 ms after pocket 1 let go"
    assert [bounds[1:] for bounds in recount.bounds] == [(0, 0), (0, 1), (1, 1)]


def test_a_silent_pocket_is_open_until_the_beam_is_proven():
    rows = [
        Row(0, OPEN, 1, 1),
        Row(100_000, RELEASE, 1, 0),
        Row(2_000_000, TEST, 1, 0),
        Row(2_100_000, CLOSE, 0, 0),
    ]
    (recount,) = replay(rows, NUT.settings)
    assert [each.what for each in recount.findings] == ["silent", "empty"]
    assert [(each.lower, each.upper) for each in recount.findings] == [(0, 1), (0, 0)]
    unproven = [row._replace(a=0) if row.what == TEST else row for row in rows]
    (recount,) = replay(unproven, NUT.settings)
    assert (recount.lower, recount.upper, recount.agrees) == (0, 1, False)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "line 1: must be time_us,what,a,b"),
        ("time,what\n", "line 1: must be"),
        (HEAD + "1,open,1\n", "line 2: has 3 fields"),
        (HEAD + "1,shut,1,5\n", "line 2: 'shut' is none of open"),
        (HEAD + "1,open,1,5\nx,edge,1,\n", "line 3: time_us, a and b"),
        (HEAD + "5,open,1,5\n4,edge,1,\n", "line 3: goes back in time"),
        (HEAD + "1,open,1,5\n2,open,2,5\n", "at 2 us a request is opened while one is open"),
        (HEAD + "1,open,7,5\n2,edge,1,\n", "ends before the request of ticket 7 is closed"),
    ],
)
def test_a_file_that_is_no_trace_is_refused_with_its_line(text, complaint, tmp_path):
    path = tmp_path / "trace.csv"
    path.write_text(text)
    with pytest.raises(TraceError) as refusal:
        list(replay(read_trace(path), NUT.settings))
    assert complaint in str(refusal.value)


def test_a_recorder_changes_nothing():
    def fingerprint(engine):
        with SimModule(NUT, 11, "harsh", engine) as module:
            list(dispense(module, 10, 3))
            return module.log.sha256()

    assert fingerprint(Recorder(InProcess())) == fingerprint("inprocess")


def test_a_timeline_holds_one_request_and_no_other():
    recorder, deliveries = recorded(NUT, "everyday", seed=3, requests=2)
    facts = timeline(recorder, NUT.settings, deliveries[1])
    assert sum(made for _, move, made in facts.moves) == sum(
        move.steps for _, move, _ in facts.moves
    )
    assert facts.bounds[0][1:] == (0, 0)
    assert facts.bounds[-1][1:] == (15, 15)
    assert len([pulse for pulse in facts.pulses if pulse[1] == 0]) == 15
    assert all(facts.begin_us <= time_us <= facts.end_us for time_us, _ in facts.edges)
    assert replace(facts, begin_us=0).second(1_500_000) == 1.5
