"""Typed answers: the response formats of IEEE 488.2, and words that match the firmware's."""

import pytest

from controller.board import ports
from controller.cycle import requestchart, unit, verdict
from controller.link import authority, handshake, readings
from controller.record import events
from hostsim.answers import Cause, Position, Result, fields, units
from hostsim.errors import ProtocolError
from hostsim.words import (
    EventKind,
    Inputs,
    LinkName,
    Outcome,
    Questionable,
    RequestState,
    UnitMode,
    UnitState,
    WirePhase,
)


@pytest.mark.parametrize(
    ("line", "parts"),
    [
        ("1", ["1"]),
        ("1;2", ["1", "2"]),
        ('0,"No error"', ['0,"No error"']),
        # Detail after a semicolon inside the quotes is SCPI-1999's own form, vol. 2, 21.8.
        ('4;-101,"Invalid character;Test1"', ["4", '-101,"Invalid character;Test1"']),
        ('"a ""quoted;"" word";7', ['"a ""quoted;"" word"', "7"]),
        ("", [""]),
    ],
)
def test_response_units_are_cut_outside_strings(line, parts):
    assert units(line) == parts


@pytest.mark.parametrize(
    ("unit_text", "values"),
    [
        ("4,IDLE", [4, "IDLE"]),
        ("-350", [-350]),
        ('0,"none",""', [0, "none", ""]),
        ('"say ""no"", then 2"', ['say "no", then 2']),  # IEEE 488.2, 8.7.8: doubled quotes
        ('"1"', ["1"]),
    ],
)
def test_fields_keep_numbers_and_strings_apart(unit_text, values):
    assert fields(unit_text) == values


def test_a_result_is_read_field_by_field():
    result = Result.read("7,25,1,20,20,28,2,4321,31")
    assert result.outcome is Outcome.SHORT
    assert (result.ticket, result.quantity, result.lower, result.upper) == (7, 25, 20, 20)
    assert (result.pockets, result.retries, result.seconds, result.cause) == (28, 2, 4.321, 31)
    assert result.missing == 5


def test_a_truth_value_is_one():
    assert Position.read("1,12,16457") == Position(True, 12, 16457)


@pytest.mark.parametrize("text", ["1,2", "7,25,9,20,20,28,2,4321,31", "7,25,1,20,20,28,2,x,31", ""])
def test_a_result_that_does_not_fit_is_refused(text):
    with pytest.raises(ProtocolError):
        Result.read(text)


def test_a_number_is_no_text():
    with pytest.raises(ProtocolError):
        Cause.read("0,1,2")


def test_words_and_numbers_are_those_of_the_firmware():
    assert [str(state) for state in UnitState] == [name.lower() for name in unit.STATES[1:]]
    assert [state.value for state in UnitState] == list(range(1, len(unit.STATES)))
    assert [str(mode) for mode in UnitMode] == [name.lower() for name in unit.MODES[1:]]
    assert [str(state) for state in RequestState] == list(requestchart.STATES)
    assert tuple(link.name for link in LinkName) == authority.LINKS
    assert [str(phase) for phase in WirePhase] == list(handshake.PHASES)
    assert [str(kind).replace("_", "-") for kind in EventKind][1:] == list(events.NAMES)[1:]
    assert [kind.value for kind in EventKind] == list(range(len(events.NAMES)))
    for outcome in Outcome:
        assert getattr(verdict, outcome.name) == outcome


def test_bits_are_those_of_the_firmware():
    assert {bit.name: bit.value for bit in Inputs} == {
        "GUARD_SHUT": ports.GUARD_CLOSED,
        "MAGAZINE_FILLED": ports.MAGAZINE_OK,
        "RECEIVER_THERE": ports.RECEIVER_READY,
        "DRIVE_HEALTHY": ports.DRIVE_HEALTHY,
        "GIVE": ports.GIVE,
    }
    assert {bit.name: bit.value for bit in Questionable} == {
        "PHASE": readings.QUES_PHASE,
        "POSITION": readings.QUES_POSITION,
        "LAST_DOUBTFUL": readings.QUES_DOUBTFUL,
        "STRAY": readings.QUES_STRAY,
        "BEAM": readings.QUES_BEAM,
        "WORN": readings.QUES_WORN,
    }
