"""Commissioning on modules that are not what their description says.

The full study, over a hundred modules, is `python -m tests.bench.study_commissioning`.
"""

import json
import tomllib
from copy import deepcopy
from dataclasses import replace

import pytest

from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner
from hostsim.client import DispenserClient
from hostsim.config import convert, load
from hostsim.errors import LinkError
from hostsim.guided import partsteps
from hostsim.guided.commission import PROCEDURE, STEPS
from hostsim.guided.people import PlantPerson
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.faults import MIXES, FaultMix
from hostsim.plant.steps import TrainReader
from hostsim.plant.world import World
from hostsim.words import Outcome, UnitState
from tests.hostsim.guided.rig import NUT, SCREW, WASHER, Guide
from tests.hostsim.guided.truths import Hidden, commissioned, covered, hidden

KEYS = [step.key for step in STEPS]
QUICK = {"turns": 2, "parts": 60, "target": 0.9, "trial": 50}


@pytest.fixture
def path(tmp_path):
    return tmp_path / "commission.json"


def sound(config=NUT, **world):
    return Hidden(World.of(config, **world), MIXES["none"])


@pytest.mark.parametrize(("config", "seed"), [(NUT, 3), (NUT, 9), (WASHER, 1), (SCREW, 1)])
def test_what_is_hidden_is_found_within_the_stated_limits(path, config, seed):
    truth = hidden(config, seed)
    guide, ended = commissioned(path, config, seed, truth)
    assert ended.how == "finished"
    missed = [name for name, held in covered(config, truth, guide.record).items() if not held]
    assert missed == []
    assert guide.client.state() is UnitState.STOPPED
    assert guide.client.rate() == 1.0


def test_a_module_without_an_index_sensor_is_measured_as_far_as_it_can_be(path):
    _, ended = commissioned(path, SCREW, 2, sound(SCREW), **QUICK)
    assert ended.how == "finished"
    kept = {step["key"]: step["verdict"] for step in json.loads(path.read_text())["steps"]}
    assert kept["ratio"] == kept["lash"] == "skipped"
    assert {kept[key] for key in KEYS if key not in ("ratio", "lash")} == {"passed"}


@pytest.mark.parametrize("stages", [[[17, 52]], [[16, 51]], [[18, 51]]], ids=str)
def test_a_gear_with_a_tooth_more_or_less_is_named_and_corrected(path, stages):
    values = deepcopy(NUT.values)
    values["gear"]["stages"] = stages
    machine = World.of(convert(values, NUT.path))
    out = path.with_name("measured.toml")
    guide, ended = commissioned(path, NUT, 1, Hidden(machine, MIXES["none"]), **QUICK)
    assert (ended.how, ended.at.key) == ("failed", "ratio")
    steps = machine.steps_per_pocket * machine.pockets
    assert guide.record.value("ratio", "low") < steps < guide.record.value("ratio", "high")
    assert load(out).values["gear"]["stages"] == stages
    # Flashed with what was written, the same module gets through; the old record is kept.
    again, ended = commissioned(path, load(out), 1, Hidden(machine, MIXES["none"]), **QUICK)
    assert ended.how == "finished"
    assert any("other settings" in line for line in again.said)


def test_what_is_written_counts_right_on_the_module_it_was_measured_on(path):
    """The drop a fifth less, the release edge 1.5 degrees earlier, parts slow to slide up."""
    world = World.of(NUT, drop_m=0.016, index_lead_pockets=0.554, feed_drag=0.8)
    _, ended = commissioned(path, NUT, 4, Hidden(world, MIXES["none"]))
    assert ended.how == "finished"
    written = load(path.with_name("measured.toml"))
    assert written.values["sprocket"]["release_deg"] == pytest.approx(28.5, abs=0.3)
    assert written.values["limits"]["velocity_rev_s"] < NUT.values["limits"]["velocity_rev_s"]
    with SimModule(written, 5, machine=world) as module:
        client = DispenserClient(SimLink(module))
        client.make_ready()
        for _ in range(4):
            result = client.request(50)
            assert result.outcome is Outcome.EXACT
            assert result.pockets == 50


def test_parts_that_fall_beside_the_light_are_found_by_the_count_trial(path):
    mix = FaultMix("beside", "", detectable=False, beside=0.06, wear_gain=0.0)
    truth = Hidden(World.of(NUT), mix)
    guide, _ = commissioned(path, NUT, 1, truth, **{**QUICK, "trial": 100})
    assert guide.record.value("trial", "missed") >= 1
    low, high = guide.record.value("trial", "miss_rate")[1:]
    assert low < 0.06 < high
    assert guide.record.value("trial", "twice") == 0


def test_a_yield_that_no_rate_has_ends_with_what_to_look_at(path):
    mix = FaultMix("empty", "", empty=0.2, wear_gain=0.0)
    _, ended = commissioned(path, NUT, 1, Hidden(World.of(NUT), mix), **QUICK)
    assert (ended.how, ended.at.key) == ("failed", "rate")
    assert "slope of the channel" in ended.finding.remedy


def test_nothing_is_written_without_consent_and_the_description_stays(path, tmp_path):
    text = NUT.path.read_text()
    copy = tmp_path / "nut.toml"
    copy.write_text(text)
    options = {**QUICK, "out": None}
    guide = Guide(path, PROCEDURE, load(copy), options=options, answers={"write": False})
    assert guide.run(STEPS).how == "finished"
    assert copy.read_text() == text
    assert guide.record.entries["write"].finding.verdict == "skipped"


def test_with_consent_the_description_itself_is_corrected(path, tmp_path):
    copy = tmp_path / "nut.toml"
    copy.write_text(NUT.path.read_text())
    guide = Guide(path, PROCEDURE, load(copy), options={**QUICK, "out": None})
    assert guide.run(STEPS).how == "finished"
    assert "measured 2026-11-26, was 0.8" in copy.read_text()
    assert tomllib.loads(copy.read_text())["beam"]["early_ms"] > 0


def test_an_interrupted_run_goes_on_with_the_first_step_not_done(path):
    ran = []

    def break_off(session):
        raise LinkError("the cable is out")

    whole = list(STEPS)
    at = KEYS.index("two rates")
    whole[at] = replace(whole[at], run=break_off)
    first = Guide(path, PROCEDURE, options=QUICK)
    with pytest.raises(LinkError):
        first.run(whole)
    steps = first.record.value("ratio", "edge_steps")
    second = Guide(path, PROCEDURE, options=QUICK)
    noted = [replace(step, run=lambda s, step=step: ran.append(step.key) or step.run(s))
             for step in STEPS]  # fmt: skip
    assert second.run(noted).how == "finished"
    assert ran == KEYS[at:]
    assert second.record.value("ratio", "edge_steps") == steps


def test_the_magazine_runs_dry_and_is_filled_up_on_the_way(path):
    values = deepcopy(NUT.values)
    values["magazine"] |= {"capacity": 40, "low_level": 5}
    small = convert(values, NUT.path)
    guide = Guide(path, PROCEDURE, small, options=QUICK)
    assert guide.run(STEPS).how == "finished"
    assert sum("Fill the magazine" in line for line in guide.said) >= 4


def test_rates_at_a_release_are_those_of_the_plants_own_step_times():
    """Of a run over one pocket and of a long one, from the moves' own intervals."""
    s = NUT.settings
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    planner = Planner(
        s.limit_velocity_steps_s, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3
    )
    slowest, fastest = partsteps.release_rates(NUT, 1.0)
    rates = []
    for pockets in (1, 2, 3, 25):
        train = TrainReader().read(planner.move(ratio.target(pockets), 1))
        rates += [train.rate_steps_s(ratio.release(pocket)) for pocket in range(1, pockets + 1)]
    assert slowest == pytest.approx(min(rates), rel=0.02)
    assert fastest == pytest.approx(max(rates), rel=0.001)


class Meddler(PlantPerson):
    """Somebody who does something when so many parts have been counted."""

    def __init__(self, module, deed):
        super().__init__(module)
        self._act = deed

    def live(self, text):
        if self._act and text.startswith(("20 of", "25 of", "30 of")):
            act, self._act = self._act, None
            act(self._module)


def opened_and_shut(module):
    module.plant.guard(False)
    module.run_until(module.now_us + 500_000)
    module.plant.guard(True)


def stopped(module):
    module.tell("UNIT:COMM STOP")


@pytest.mark.parametrize(
    ("deed", "word"), [(opened_and_shut, "guard"), (stopped, "stop")], ids=["guard", "stop"]
)
def test_who_opens_the_guard_or_presses_stop_is_asked_before_anything_turns_again(path, deed, word):
    guide = Guide(path, PROCEDURE, options={**QUICK, "parts": 150})
    guide.session.talk = Meddler(guide.module, deed)
    ended = guide.run(STEPS)
    assert ended.how == "failed" and ended.at.key in ("rate", "two rates")
    assert word in ended.finding.said
    entries = [text for _, text in guide.module.log.entries]
    cut = next(at for at, text in enumerate(entries) if "guard open" in text or "COMM STOP" in text)
    assert not [text for text in entries[cut:] if "drive start" in text]


def test_a_jam_that_wants_hands_ends_the_step_with_its_remedy(path):
    mix = FaultMix("jam", "", jam=0.02, jam_yield=0.0, wear_gain=0.0, person=True)
    guide = Guide(path, PROCEDURE, options=QUICK, faults=mix)
    ended = guide.run(STEPS)
    assert ended.how == "failed"
    assert "Isolate the supply" in ended.finding.remedy


def test_what_is_left_is_counted_at_a_unit_that_is_stopped(path):
    guide = Guide(path, PROCEDURE, options={**QUICK, "trial": 100})
    states = []
    count = guide.person.count

    def look(name, *rest):
        if name == "left":
            states.append(guide.client.state())
        return count(name, *rest)

    guide.person.count = look
    assert guide.run(STEPS).how == "finished"
    assert states == [UnitState.STOPPED] * 2
    # What was reckoned before the magazine was emptied by hand is forgotten.
    assert guide.client.magazine().level == 0


def test_a_trial_asks_anew_after_hands_have_been_in_the_machine(path):
    guide = Guide(path, PROCEDURE, options={**QUICK, "trial": 150})
    asked = []
    agree = guide.person.agree
    guide.person.agree = lambda name, question: asked.append(name) or agree(name, question)
    guide.run(STEPS)
    assert asked.count("begin trial") == 3
