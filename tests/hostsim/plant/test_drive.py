"""The drive: pulse counts, lash, what is lost and where the rotor settles, guard and driver."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.board.ports import (
    CUT,
    DRIVE_HEALTHY,
    GUARD_CLOSED,
    LEVELS_CHANGED,
    POCKET_INDEX,
    POCKET_INDEX_LEFT,
    RUNNING,
    STALLED,
)
from hostsim.plant.faults import FaultMix
from hostsim.plant.plant import Plant

from .rig import CREEP_STEPS_S, Description, Rig, at_rate, ramped

ALWAYS_JAMS = FaultMix("test", "every part wedges", jam=1.0, jam_yield=1.0, wear_gain=0.0)


def travel_steps(rig: Rig) -> float:
    return round(rig.plant.travel_pockets * rig.world.steps_per_pocket, 6)


def test_a_move_ends_urgently_with_every_pulse_out() -> None:
    rig = Rig()
    move = at_rate(500, 2000)
    rig.start(move)
    assert rig.plant.drive_status() == (RUNNING, 0)
    assert rig.plant.advance(10**9) == 250_000  # 500 steps at 2 kHz; nothing urgent before
    assert rig.plant.woken
    assert rig.plant.drive_status() == (0, 500)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 400_000))
def test_halt_keeps_the_count_exact(halt_us: int) -> None:
    """At a constant 2 kHz exactly floor(t / 500 us) pulses are out after t."""
    rig = Rig()
    rig.start(at_rate(700, 2000))
    rig.wait(halt_us)
    rig.plant.drive_halt()
    flags, issued = rig.plant.drive_status()
    assert issued == min(halt_us // 500, 700)
    assert not flags & RUNNING
    rig.wait(100_000)
    assert rig.plant.drive_status()[1] == issued
    assert travel_steps(rig) == issued


def test_amend_shortens_the_move() -> None:
    rig = Rig()
    move = ramped(20_000)
    rig.start(move)
    rig.wait(500_000)
    cruise = move.cruise_steps - 5000
    rig.plant.drive_amend(cruise)
    rig.rest()
    assert rig.plant.drive_status() == (0, 15_000)
    assert travel_steps(rig) == 15_000
    crossed = 15_000 / rig.world.steps_per_pocket
    assert rig.plant.truth.pockets_passed == round(crossed)


def test_orders_that_no_board_could_carry_out() -> None:
    rig = Rig()
    rig.start(ramped(20_000))
    rig.wait(800_000)
    with pytest.raises(RuntimeError, match="running"):
        rig.start(ramped(100))
    with pytest.raises(RuntimeError, match="already over"):
        rig.plant.drive_amend(0)
    rig.rest()
    rig.plant.drive_enable(False)
    with pytest.raises(RuntimeError, match="released"):
        rig.start(ramped(100))


@given(st.integers(1, 2000))
@settings(max_examples=30, deadline=None)
def test_lash_is_lost_on_every_reversal(back: int) -> None:
    """1.0 degree given as the bound, 0.8 of it real: 0.8 / 360 x 3 x 3200 = 21.33 steps."""
    rig = Rig()
    lash = 0.8 / 360 * 3 * 3200
    rig.start(at_rate(3000, CREEP_STEPS_S))
    rig.rest()
    assert travel_steps(rig) == 3000
    rig.start(at_rate(back, CREEP_STEPS_S, -1))
    rig.rest()
    assert travel_steps(rig) == pytest.approx(3000 - max(0.0, back - lash))
    rig.start(at_rate(back, CREEP_STEPS_S))
    rig.rest()
    assert travel_steps(rig) == pytest.approx(3000)


def test_one_index_edge_per_pocket_at_its_place() -> None:
    """30 degrees before the release edge; pitch 360 / 7, release half a pitch before dwell."""
    rig = Rig()
    rate = 4000
    rig.start(at_rate(13_715, rate))  # 10 pockets
    rig.rest()
    edges = [time_us for time_us, code in rig.changes if code == POCKET_INDEX]
    pitch_steps = 9600 / 7
    places = [(k - 0.5) * pitch_steps - 30 / 360 * 9600 for k in range(1, 13)]
    times = [1e6 * place / rate for place in places if 0 < place <= 13_715]
    assert len(edges) == len(times)
    assert edges == pytest.approx(times, abs=1e6 / rate + 1)
    left = [time_us for time_us, code in rig.changes if code == POCKET_INDEX_LEFT]
    flag_us = 1e6 * rig.world.index_flag_pockets * pitch_steps / rate
    assert left == pytest.approx([time_us + flag_us for time_us in edges[: len(left)]], abs=1e3)
    rig.changes.clear()
    rig.start(at_rate(13_715, rate, -1))  # back: the other edge of the flag comes first
    rig.rest()
    codes = [code for _, code in rig.changes]
    assert codes[:4] == [POCKET_INDEX, POCKET_INDEX_LEFT] * 2


@pytest.mark.parametrize(("steps", "seen"), [(1257, 0), (1258, 1)])
def test_an_edge_that_the_very_last_pulse_brings_is_seen(steps: int, seen: int) -> None:
    """The second flag is met 3/2 pitches less 30 degrees from rest: 1257.14 steps."""
    rig = Rig()
    rig.start(at_rate(steps, CREEP_STEPS_S))
    rig.rest()
    assert [code for _, code in rig.changes].count(POCKET_INDEX) == seen


def test_no_index_edges_without_the_sensor() -> None:
    rig = Rig(index_fitted=False)
    rig.run(5)
    assert not rig.changes


def test_a_jam_stalls_and_the_rotor_settles_whole_cycles_behind() -> None:
    rig = Rig(ALWAYS_JAMS)
    rig.run(6)
    stalled = rig.said("stall input")
    jammed = rig.said("jams")
    assert stalled[0] - jammed[0] == rig.world.stall_report_us
    assert rig.plant.drive_status()[0] & STALLED
    # The first fed pocket, number 3, meets the edge of the opening 1.65 pockets before its dwell.
    assert rig.plant.travel_pockets == pytest.approx(1.35, abs=0.06)
    assert rig.plant.travel_pockets < 1.35
    assert rig.plant.truth.pockets_passed == 1
    # The rotor went back to the last place the field holds it at; the play let the sprocket stay.
    commanded = round(6 * rig.world.steps_per_pocket)
    assert (travel_steps(rig) - commanded) % rig.world.cycle_steps <= rig.world.lash_steps
    rig.start(at_rate(10, 500))
    assert not rig.plant.drive_status()[0] & STALLED  # latched until the next start


def test_the_guard_cuts_in_hardware() -> None:
    rig = Rig()
    rig.start(ramped(20_000))
    rig.wait(500_000)
    before = rig.plant.drive_status()[1]
    rig.plant.guard(False)
    assert rig.plant.advance(10**9) == 500_000 and rig.plant.woken
    flags, issued = rig.plant.drive_status()
    assert flags & CUT and not flags & RUNNING
    assert issued == before
    assert not rig.plant.levels & GUARD_CLOSED
    rig.wait(1_000_000)
    assert rig.plant.drive_status()[1] == before
    # Its momentum carries the rotor on by less than a full step's worth of a pocket.
    assert before <= travel_steps(rig) < before + 100
    rig.start(ramped(1000))
    rig.wait(1_000_000)
    assert rig.plant.drive_status() == (CUT, 0)
    rig.plant.guard(True)
    assert rig.plant.drive_status()[0] & CUT  # until the next start
    lost = travel_steps(rig) - before
    assert lost % rig.world.cycle_steps == pytest.approx(0)
    rig.start(ramped(1000))
    rig.rest()
    assert rig.plant.drive_status() == (0, 1000)
    assert travel_steps(rig) == before + lost + 1000
    assert [code for _, code in rig.changes].count(LEVELS_CHANGED) == 2


def test_a_driver_fault_leaves_pulses_without_motion() -> None:
    rig = Rig(FaultMix("test", "always", drive_fault=1.0))
    rig.start(ramped(20_000))
    rig.rest()
    assert rig.plant.drive_status()[1] == 20_000
    assert not rig.plant.levels & DRIVE_HEALTHY
    stood = travel_steps(rig)
    assert stood < 20_000
    rig.start(ramped(2000))
    rig.rest()
    assert travel_steps(rig) == stood
    rig.plant.reset_drive()
    assert travel_steps(rig) == pytest.approx(stood, abs=rig.world.cycle_steps / 2)


def test_a_released_motor_comes_back_where_it_was() -> None:
    rig = Rig()
    rig.start(ramped(3333))
    rig.rest()
    rig.plant.drive_enable(False)
    rig.plant.drive_enable(True)
    assert travel_steps(rig) == 3333


def test_power_up_away_from_the_dwell_position() -> None:
    rig = Rig()
    plant = Plant(Description(), 1, "none", rig.log, world=rig.world, offset_pockets=0.3)
    plant.drive_enable(True)
    assert plant.travel_pockets == pytest.approx(0.3)
    plant.turn_to_dwell()
    off_steps = plant.travel_pockets * rig.world.steps_per_pocket
    assert abs(off_steps) <= rig.world.cycle_steps / 2  # as near as the energised motor lets it
