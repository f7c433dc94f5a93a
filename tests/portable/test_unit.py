"""The unit chart against the published state model, under both interpreters.

State and command numbers: PackML companion specification OPC 30050, NodeSet v1.01 (states), and the
open implementation of the 2022 edition simatic-ax/lpmlv2022 (states, commands, modes, and where the
mode may change); both agree on all 17 states.  Transitions: ANSI/ISA-TR88.00.02-2015 as published
in the ontology hsu-aut/IndustrialStandard-ODP-PackML; the four of 2022 from lpmlv2022.  The table
here was copied from those, not from the chart.
"""

import gc

from controller.cycle import unit
from controller.cycle.unit import COMMANDS, MODES, STATES, UnitChart

PUBLISHED_STATES = (
    "0 Undefined 1 Clearing 2 Stopped 3 Starting 4 Idle 5 Suspended 6 Execute 7 Stopping "
    "8 Aborting 9 Aborted 10 Holding 11 Held 12 Unholding 13 Suspending 14 Unsuspending "
    "15 Resetting 16 Completing 17 Complete"
)
PUBLISHED_COMMANDS = (
    "0 Undefined 1 Reset 2 Start 3 Stop 4 Hold 5 Unhold 6 Suspend 7 Unsuspend 8 Abort 9 Clear "
    "10 Complete"
)
PUBLISHED_MODES = "0 Invalid 1 Production 2 Maintenance 3 Manual"

# One row a line: from, command or SC, to.  Stop and Abort, legal almost everywhere, are below.
PUBLISHED_2015 = """
Idle Start Starting
Starting SC Execute
Execute SC Completing
Completing SC Complete
Complete Reset Resetting
Stopped Reset Resetting
Resetting SC Idle
Execute Hold Holding
Holding SC Held
Held Unhold Unholding
Unholding SC Execute
Execute Suspend Suspending
Suspending SC Suspended
Suspended Unsuspend Unsuspending
Unsuspending SC Execute
Stopping SC Stopped
Aborting SC Aborted
Aborted Clear Clearing
Clearing SC Stopped
"""
ADDED_2022 = """
Execute Complete Completing
Suspended Complete Completing
Held Complete Completing
Suspended Hold Holding
"""
NOT_STOPPABLE = ("Stopping", "Stopped", "Clearing", "Aborting", "Aborted")
NOT_ABORTABLE = ("Aborting", "Aborted")


def numbered(text):
    """Return {number: name} of a published list."""
    words = text.split()
    return {int(words[i]): words[i + 1] for i in range(0, len(words), 2)}


def published():
    """Return {(from, command or SC): to}, by names, of both editions together."""
    table = {}
    for line in (PUBLISHED_2015 + ADDED_2022).strip().split("\n"):
        if line:
            source, command, target = line.split()
            table[source, command] = target
    for name in numbered(PUBLISHED_STATES).values():
        if name != "Undefined" and name not in NOT_STOPPABLE:
            table[name, "Stop"] = "Stopping"
        if name != "Undefined" and name not in NOT_ABORTABLE:
            table[name, "Abort"] = "Aborting"
    return table


def give(chart, command):
    """Give a command by name, or the state complete."""
    return chart.done() if command == "SC" else chart.command(COMMANDS.index(command))


def chart_in(state):
    """Return a chart led to `state` by the shortest way in the published table, and a list.

    The list takes every (new, old) that the chart reports from there on.
    """
    ways = {"Stopped": []}
    fresh = ["Stopped"]
    while fresh:
        here = fresh.pop(0)
        for (source, command), target in published().items():
            if source == here and target not in ways:
                ways[target] = ways[here] + [command]
                fresh.append(target)
    changes = []
    chart = UnitChart(lambda new, old: changes.append((new, old)))
    for command in ways[state]:
        assert give(chart, command), (state, command)
    assert chart.name() == state
    del changes[:]
    return chart, changes


def test_numbers_of_states_commands_and_modes_are_the_published_ones():
    assert dict(enumerate(STATES)) == numbered(PUBLISHED_STATES)
    assert dict(enumerate(COMMANDS)) == numbered(PUBLISHED_COMMANDS)
    assert dict(enumerate(MODES)) == numbered(PUBLISHED_MODES)


def test_named_constants_are_the_published_numbers():
    for number, name in numbered(PUBLISHED_STATES).items():
        assert getattr(unit, name.upper()) == number
    for number, name in numbered(PUBLISHED_MODES).items():
        assert getattr(unit, name.upper()) == number


def test_there_are_46_transitions_of_2015_and_4_of_2022():
    assert len(published()) == 46 + 4
    assert sum(len(sources) for _, sources, _ in unit.TRANSITIONS) == 46 + 4


def test_every_command_in_every_state_does_what_the_standard_says_or_nothing():
    table = published()
    for state in STATES[1:]:
        for command in COMMANDS + ("SC",):
            chart, changes = chart_in(state)
            legal = (state, command) in table
            assert give(chart, command) is legal, (state, command)
            assert chart.name() == table.get((state, command), state), (state, command)
            assert changes == ([(chart.state, STATES.index(state))] if legal else [])


def test_it_names_the_commands_that_the_standard_has_legal_in_each_state():
    table = published()
    for state in STATES[1:]:
        chart, _ = chart_in(state)
        assert chart.legal() == [name for name in COMMANDS if (state, name) in table], state


def test_numbers_that_are_no_command_are_refused():
    for state in STATES[1:]:
        chart, changes = chart_in(state)
        for number in (-1, 0, len(COMMANDS), 255, -(2**31)):
            assert chart.command(number) is False
            assert chart.name() == state
            assert changes == []


def test_after_power_up_it_is_stopped_and_in_production():
    changes = []
    chart = UnitChart(lambda new, old: changes.append((new, old)))
    assert (chart.state, chart.mode, chart.name()) == (2, 1, "Stopped")
    assert changes == []


def test_the_mode_changes_only_at_rest():
    # lpmlv2022: UnitModeChange is enabled by default in Stopped, Idle and Aborted (mask 0x0214).
    for number in range(1, len(STATES)):
        chart, changes = chart_in(STATES[number])
        allowed = bool(0x0214 >> number & 1)
        for mode in (2, 3, 1):
            before = chart.mode
            assert chart.change_mode(mode) is allowed
            assert chart.mode == (mode if allowed else before)
            assert chart.name() == STATES[number]
            assert changes == []


def test_a_mode_that_does_not_exist_is_refused():
    chart = UnitChart(lambda new, old: None)
    for number in (-1, 0, 4, 31):
        assert chart.change_mode(number) is False
        assert chart.mode == 1


def test_a_change_may_trigger_the_next_one():
    # An acting state with nothing to do completes at once, from within the call.
    seen = []

    def on_change(new, old):
        seen.append((old, new))
        if new in (unit.RESETTING, unit.STARTING):
            assert chart.done()

    chart = UnitChart(on_change)
    assert chart.command(COMMANDS.index("Reset"))
    assert chart.state == unit.IDLE
    assert chart.command(COMMANDS.index("Start"))
    assert chart.state == unit.EXECUTE
    assert seen == [(2, 15), (15, 4), (4, 3), (3, 6)]


def test_an_error_in_the_callback_is_not_taken_for_an_illegal_command():
    def on_change(new, old):
        raise ValueError("broken on purpose")

    chart = UnitChart(on_change)
    try:
        chart.command(COMMANDS.index("Reset"))
    except ValueError:
        pass
    else:
        raise AssertionError("the error was lost")
    assert chart.name() == "Resetting"


def test_the_chart_fits_the_memory_it_was_given():
    # Budget: 45 KB where words and pointers have 32 bits.  This MicroPython has 64, so twice that.
    if not hasattr(gc, "mem_alloc"):
        return  # CPython's objects say nothing about it
    gc.collect()
    before = gc.mem_alloc()
    chart = UnitChart(lambda new, old: None)
    gc.collect()
    assert 0 < gc.mem_alloc() - before < 2 * 45 * 1024
    assert chart.state == unit.STOPPED
