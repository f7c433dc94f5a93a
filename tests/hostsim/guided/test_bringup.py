"""Bring-up: a sound module gets through; a wiring mistake is found at its step, with a remedy."""

import json

import pytest

from controller.board import lockstep
from hostsim.errors import LinkError
from hostsim.guided.bringup import PROCEDURE, STEPS
from hostsim.guided.conversation import AGAIN, LeftError
from hostsim.guided.people import PlantPerson
from hostsim.plant.wiring import Wiring
from hostsim.words import LinkName, UnitState
from tests.hostsim.guided.rig import NUT, SCREW, Guide

KEYS = [step.key for step in STEPS]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bringup.json"


@pytest.mark.parametrize("config", [NUT, SCREW], ids=["with index", "without index"])
def test_a_sound_module_gets_through_and_is_left_at_rest(path, config):
    guide = Guide(path, PROCEDURE, config)
    assert guide.run(STEPS).how == "finished"
    assert guide.client.state() is UnitState.STOPPED
    kept = json.loads(path.read_text())
    assert [step["key"] for step in kept["steps"]] == KEYS
    assert {step["verdict"] for step in kept["steps"]} == {"passed"}
    assert kept["finished"] > kept["begun"]


MISTAKES = [
    ({"driver_fault": True}, "inputs", "fault output"),
    ({"guard_inverted": True}, "inputs", "wrong way round"),
    ({"guard_bridged": True}, "guard", "bridged"),
    ({"beam_reads": 0}, "beam by hand", "cable"),
    ({"beam_reads": 1}, "beam by hand", "wipe"),
    ({"test_open": True}, "beam by test", "test output"),
    ({"motor_reversed": True}, "first move", "Swap the two wires"),
    ({"motor_open": True}, "first move", "windings"),
    ({"index_open": True}, "slow turn", "index sensor"),
]


@pytest.mark.parametrize(
    ("mistake", "key", "words"), MISTAKES, ids=[str(next(iter(row[0].items()))) for row in MISTAKES]
)
def test_a_wiring_mistake_is_found_at_its_step_with_a_remedy(path, mistake, key, words):
    guide = Guide(path, PROCEDURE, wiring=Wiring(**mistake))
    ended = guide.run(STEPS)
    assert (ended.how, ended.at.key) == ("failed", key)
    assert words in ended.finding.remedy
    assert "Isolate the supply" in ended.finding.remedy
    assert list(guide.record.entries) == KEYS[: KEYS.index(key) + 1]
    assert guide.client.state() in (UnitState.STOPPED, UnitState.ABORTED)


def test_a_unit_that_would_start_with_the_guard_open_is_told_and_stopped(path):
    guide = Guide(path, PROCEDURE)
    guide.client.give = lambda command: None  # takes every command
    ended = guide.run(STEPS)
    assert ended.at.key == "guard" and "Do not use this module" in ended.finding.remedy


def test_nothing_turns_before_the_first_move_and_no_step_is_made_with_the_guard_open(path):
    guide = Guide(path, PROCEDURE)
    starts = []
    carry_out = guide.module.board._orders[lockstep.START]

    def note(move):
        starts.append((guide.module.plant.levels & 1, list(guide.record.entries)))
        carry_out(move)

    guide.module.board._orders[lockstep.START] = note
    guide.run(STEPS)
    assert starts and all(shut for shut, _ in starts)
    assert min(len(done) for _, done in starts) == KEYS.index("first move")


def test_after_the_repair_it_goes_on_where_it_stopped(path):
    assert Guide(path, PROCEDURE, wiring=Wiring(motor_reversed=True)).run(STEPS).how == "failed"
    repaired = Guide(path, PROCEDURE)
    assert repaired.run(STEPS).how == "finished"
    assert any("Going on with what was begun on 2026-11-26 09:00 UTC" in it for it in repaired.said)
    assert not any("card" in line for line in repaired.said)


def test_the_guard_is_looked_at_anew_after_a_repair_that_left_it_bridged(path):
    assert Guide(path, PROCEDURE, wiring=Wiring(motor_reversed=True)).run(STEPS).how == "failed"
    mended = Guide(path, PROCEDURE, wiring=Wiring(guard_bridged=True))
    before = mended.module.plant.travel_pockets
    ended = mended.run(STEPS)
    assert (ended.how, ended.at.key) == ("failed", "guard")
    assert mended.module.plant.travel_pockets == before
    assert Guide(path, PROCEDURE).run(STEPS).how == "finished"


def test_once_nothing_is_left_that_turns_the_guard_is_let_alone(path):
    guide = Guide(path, PROCEDURE)
    assert guide.run(STEPS).how == "finished"
    guide.said.clear()
    assert guide.run(STEPS).how == "finished"
    assert not any("Open the guard" in line for line in guide.said)


def test_who_has_missed_the_first_move_is_shown_it_again_after_being_asked(path):
    guide = Guide(path, PROCEDURE)
    asked = []
    choose, agree = guide.person.choose, guide.person.agree

    def look(name, question, answers):
        asked.append(name)
        return AGAIN if asked.count(name) < 3 else choose(name, question, answers)

    guide.person.choose = look
    guide.person.agree = lambda name, question: asked.append(name) or agree(name, question)
    assert guide.run(STEPS).how == "finished"
    assert asked[2:8] == ["begin first move", "direction"] * 3


def test_a_person_who_is_not_ready_leaves_and_nothing_turns(path):
    guide = Guide(path, PROCEDURE, answers={"begin first move": False})
    before = guide.module.plant.travel_pockets
    ended = guide.run(STEPS)
    assert (ended.how, ended.at.key) == ("left", "first move")
    assert guide.module.plant.travel_pockets == before


def test_where_hands_are_wanted_first_the_question_comes_after_them(path):
    guide = Guide(path, PROCEDURE)
    told = []
    ask_for, agree = guide.person.ask_for, guide.person.agree
    guide.person.ask_for = lambda deed, text: told.append("deed") or ask_for(deed, text)
    guide.person.agree = lambda name, question: told.append(name) or agree(name, question)
    guide.run(STEPS)
    assert told[-3:] == ["deed", "deed", "begin one part"]


def test_a_part_that_is_not_in_the_bag_fails_the_last_step(path):
    guide = Guide(path, PROCEDURE, answers={"bag": 0})
    ended = guide.run(STEPS)
    assert ended.at.key == "one part" and "0 are in the bag" in ended.finding.said


def test_another_description_than_the_module_runs_with_is_told_by_its_keys(path):
    guide = Guide(path, PROCEDURE, NUT)
    guide.session.config = SCREW
    ended = guide.run(STEPS)
    assert ended.at.key == "identity"
    assert "sprocket_pockets" in ended.finding.said and "name" in ended.finding.said


class Gone(PlantPerson):
    """Somebody who pulls the cable at the slow turn."""

    def agree(self, name, question):
        if name == "begin slow turn":
            raise LinkError("the cable is out")
        return super().agree(name, question)


def test_a_lost_line_keeps_what_was_done(path):
    guide = Guide(path, PROCEDURE)
    guide.session.talk = Gone(guide.module)
    with pytest.raises(LinkError):
        guide.run(STEPS)
    assert json.loads(path.read_text())["steps"][-1]["key"] == "first move"
    assert guide.client.state() is UnitState.STOPPED
    assert guide.client.authority().link is LinkName.LINE


def test_somebody_who_stops_in_the_middle_of_a_step_is_let_go(path):
    guide = Guide(path, PROCEDURE)

    def leave(deed, text):
        raise LeftError

    guide.person.wait_for = leave
    assert guide.run(STEPS).how == "left"
