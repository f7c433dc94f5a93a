"""The unit chart against an independent PackML machine: packmlpy 1.0.0 (2015 edition).

Its transitions carry names, and only names are compared: packmlpy numbers its states in an order
of its own (Idle 0, Starting 1 ...), which is not that of the PackTags.
"""

from hypothesis import given, settings
from hypothesis import strategies as st
from packmlpy.statemachine.definitions import ActingStateNames, StateNames, transitions

from controller.cycle.unit import COMMANDS, DONE, STATES, STOPPED, TRANSITIONS, UnitChart

# What the 2022 edition adds: as published by the open implementation simatic-ax/lpmlv2022.
ADDED_2022 = {
    ("Execute", "Complete", "Completing"),
    ("Suspended", "Complete", "Completing"),
    ("Held", "Complete", "Completing"),
    ("Suspended", "Hold", "Holding"),
}


def theirs() -> set[tuple[str, str, str]]:
    """Return packmlpy's table as (from, command or SC, to); it names each state's SC apart."""
    return {
        (
            row["source"].name,
            "SC" if row["trigger"].endswith("_sc") else row["trigger"].capitalize(),
            row["dest"].name,
        )
        for row in transitions
    }


def ours() -> set[tuple[str, str, str]]:
    return {
        (STATES[source], command, STATES[target])
        for command, sources, target in TRANSITIONS
        for source in sources
    }


def test_the_table_is_that_of_2015_plus_the_four_of_2022() -> None:
    assert len(theirs()) == 46
    assert ours() - theirs() == ADDED_2022
    assert theirs() - ours() == set()


def test_the_states_are_the_same_17() -> None:
    assert set(STATES[1:]) == {state.name for state in StateNames}
    assert len(STATES[1:]) == 17


def test_state_complete_is_for_acting_states_only() -> None:
    acting = {
        STATES[source]
        for command, sources, _ in TRANSITIONS
        for source in sources
        if command == DONE
    }
    assert acting == {state.name for state in ActingStateNames}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-2, len(COMMANDS) + 1) | st.just(DONE), max_size=60))
def test_any_sequence_of_commands_walks_the_published_table(story: list[int | str]) -> None:
    table = {(source, command): target for source, command, target in theirs() | ADDED_2022}
    changes: list[tuple[int, int]] = []
    chart = UnitChart(lambda new, old: changes.append((new, old)))
    expected = STATES[STOPPED]
    for number in story:
        before = expected
        if isinstance(number, str):
            command = DONE
            taken = chart.done()
        else:
            command = COMMANDS[number] if 0 <= number < len(COMMANDS) else ""
            taken = chart.command(number)
        expected = table.get((before, command), before)
        assert taken is ((before, command) in table)
        assert chart.name() == expected
    for (_, old), (new, _) in zip(changes[1:], changes[:-1], strict=True):
        assert old == new  # every change starts where the one before it ended
