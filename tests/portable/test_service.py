"""The unit's service: what may move the motor, what stops it, and what becomes of a request."""

from controller.board.ports import DRIVE_HEALTHY, GUARD_CLOSED, RECEIVER_READY
from controller.cycle import causes, unit
from controller.cycle.requestchart import (
    COUNTING,
    FREEING,
    OPEN_STATES,
    REGISTERING,
    TESTING,
    VERIFYING,
    WAITING,
)
from controller.cycle.verdict import EXACT, INTERRUPTED, SHORT
from tests.portable.rig import QUANTITY, Rig, at_rest, help_out, open_in

SETTINGS_CONFLICT = -221


def true_bounds(rig):
    """The bounds of the request hold what has really passed since it was opened."""
    request = rig.firmware.request
    until_us = rig.now_us if request.is_open else request.closed_us
    truth = len([at_us for at_us in rig.passed if rig.opened_us < at_us <= until_us])
    lower, upper = rig.firmware.bounds()
    return lower <= truth <= upper <= QUANTITY


# ---- before anything has been started -------------------------------------------------------


def test_after_power_up_the_motor_is_free_and_stays_so():
    rig = Rig()
    rig.wait(1_000_000)
    assert rig.state == "STOPPED"
    for line in ("REQ:OPEN 1,5", "MAIN:JOG 100000", "MAIN:PURG 1", "MAIN:REG", "MAIN:IND"):
        assert rig.refused(line) == SETTINGS_CONFLICT, line
    rig.command("RES")
    assert rig.refused("REQ:OPEN 1,5") == SETTINGS_CONFLICT
    assert not rig.energised
    assert rig.moving_when == []


def test_start_energises_and_gives_the_rotor_time_to_settle():
    rig = Rig()
    rig.command("RES")
    rig.tell("UNIT:COMM STAR")
    assert rig.energised
    began_us = rig.now_us
    rig.wait_for(lambda: rig.firmware.service.unit.state == unit.EXECUTE)
    assert rig.now_us - began_us >= 100_000


def test_with_the_guard_open_or_the_drive_faulty_nothing_can_be_cleared_reset_or_started():
    for bit in (GUARD_CLOSED, DRIVE_HEALTHY):
        rig = Rig()
        rig.level(bit, False)
        assert rig.state == "ABORTED"  # from Stopped, too
        for name in ("CLE", "RES", "STAR"):
            assert rig.refused("UNIT:COMM " + name) == SETTINGS_CONFLICT
        rig.level(bit, True)
        rig.command("CLE", "RES", "STAR")
        assert rig.state == "EXECUTE"


# ---- commands, in every state of an open request --------------------------------------------


def test_hold_and_suspend_bring_every_request_to_rest_and_help_brings_it_to_its_end():
    for state in OPEN_STATES:
        for away, back in (("HOLD", "UNH"), ("SUSP", "UNS")):
            rig = open_in(state)
            if state != WAITING:  # the module has suspended itself there
                rig.tell("UNIT:COMM " + away)
            at_rest(rig)
            assert true_bounds(rig), state
            assert rig.energised
            moves = len(rig.moving_when)
            rig.wait(2_000_000)
            assert len(rig.moving_when) == moves
            help_out(rig)
            rig.command("UNS" if state == WAITING else back)
            assert rig.closed()[2] == EXACT, state
            assert set(rig.moving_when) == {unit.EXECUTE}


def test_stop_closes_every_request_with_bounds_and_frees_the_motor():
    for state in OPEN_STATES:
        rig = open_in(state)
        rig.tell("UNIT:COMM STOP")
        at_rest(rig)
        assert rig.state == "STOPPED"
        result = rig.closed()
        assert result[2] in (EXACT, SHORT), state
        assert result[3] == result[4]
        assert true_bounds(rig), state
        assert not rig.energised
        assert set(rig.moving_when) <= {unit.EXECUTE}


def test_a_motor_that_was_released_has_lost_its_place():
    for name in ("STOP", "ABOR"):
        rig = Rig().in_execute()
        rig.tell("REQ:OPEN 1,3")
        rig.closed()
        assert rig.firmware.sprocket.known
        rig.command(name)
        assert not rig.energised
        assert not rig.firmware.sprocket.known, name


def test_abort_stops_at_once_and_closes_every_request_as_interrupted():
    for state in OPEN_STATES:
        rig = open_in(state)
        rig.tell("UNIT:COMM ABOR")
        assert not rig.energised
        assert rig.wheel.end_us is None
        at_rest(rig)
        result = rig.closed()
        assert result[2] == INTERRUPTED
        assert result[8] in (causes.ABORT_COMMAND, causes.MAGAZINE_EMPTY)
        assert true_bounds(rig), state


def test_complete_lets_a_request_go_on_to_its_end_or_gives_up_one_that_waits():
    for state in OPEN_STATES:
        rig = open_in(state)
        help_out(rig)
        rig.tell("UNIT:COMM COMP")
        at_rest(rig)
        assert rig.state == "COMPLETE"
        assert rig.closed()[2] == (SHORT if state == WAITING else EXACT), state
        assert set(rig.moving_when) <= {unit.EXECUTE, unit.COMPLETING}


def test_complete_gives_a_long_request_the_time_it_takes():
    slow = {"limit_velocity_steps_s": 400, "limit_start_stop_steps_s": 400}
    rig = Rig(**slow).in_execute()
    rig.tell("REQ:OPEN 1,40")
    rig.wait_for(lambda: rig.firmware.request.state == COUNTING)
    rig.tell("UNIT:COMM COMP")
    began_us = rig.now_us
    assert rig.closed()[2:5] == [EXACT, 40, 40]
    assert rig.now_us - began_us > 33_000_000  # longer than any state may take by itself
    rig.wait(100_000)
    assert rig.state == "COMPLETE"


def test_complete_waits_for_no_person():
    rig = Rig(recovery_ladder=()).in_execute()
    rig.tell("REQ:OPEN 1,20")
    rig.wait_for(lambda: rig.firmware.request.state == COUNTING)
    rig.tell("UNIT:COMM COMP")
    rig.wheel.stall_at = rig.wheel.issued + 1
    rig.wait(2_000_000)
    assert rig.state == "COMPLETE"
    result = rig.closed()
    assert result[2] == SHORT
    assert result[8] == causes.JAMMED


def test_cancel_closes_every_request_and_leaves_the_unit_in_service():
    for state in OPEN_STATES:
        rig = open_in(state)
        rig.tell("REQ:CANC")
        result = rig.closed()
        assert result[2] in (EXACT, SHORT), state
        assert true_bounds(rig), state
        if state != WAITING:
            assert rig.state == "EXECUTE"


def test_the_mode_stays_and_no_second_request_is_taken_while_one_is_open():
    for state in OPEN_STATES:
        rig = open_in(state)
        assert rig.refused("UNIT:MODE MAIN") == SETTINGS_CONFLICT
        assert rig.refused("REQ:OPEN 9,3") == SETTINGS_CONFLICT
        assert rig.refused("MAIN:JOG 100000") == SETTINGS_CONFLICT


# ---- guard, drive and bag -------------------------------------------------------------------


def test_an_open_guard_means_still_until_reset_and_start_in_every_state_of_a_request():
    for state in OPEN_STATES:
        rig = open_in(state)
        moves = len(rig.moving_when)
        rig.guard(False)
        assert rig.wheel.end_us is None
        assert not rig.energised
        at_rest(rig)
        assert rig.closed()[2] == INTERRUPTED
        assert true_bounds(rig), state
        rig.guard(True)
        help_out(rig)
        rig.wait(2_000_000)
        assert rig.state == "ABORTED"
        rig.command("CLE", "RES")
        assert not rig.energised
        assert len(rig.moving_when) == moves
        rig.command("STAR")
        rig.tell("REQ:OPEN 5,4")
        assert rig.closed()[2:5] == [EXACT, 4, 4]


def test_a_guard_that_was_open_for_an_instant_is_known_by_the_drive():
    rig = open_in(COUNTING)
    rig.wheel.cut()  # and shut again before anybody could look
    at_rest(rig)
    assert rig.state == "ABORTED"
    assert rig.ask("UNIT:CAUS?").startswith(f"{causes.GUARD_OPEN},")
    assert rig.closed()[2] == INTERRUPTED
    assert not rig.energised


def test_a_drive_fault_aborts_in_every_state_of_a_request():
    for state in OPEN_STATES:
        rig = open_in(state)
        rig.level(DRIVE_HEALTHY, False)
        assert not rig.energised
        at_rest(rig)
        assert rig.state == "ABORTED"
        assert rig.ask("UNIT:CAUS?").startswith(f"{causes.DRIVE_FAULT},")
        assert rig.closed()[2] == INTERRUPTED


def test_an_open_guard_aborts_from_every_state_the_unit_rests_in():
    ways = {
        "STOPPED": (),
        "IDLE": ("RES",),
        "EXECUTE": ("RES", "STAR"),
        "HELD": ("RES", "STAR", "HOLD"),
        "SUSPENDED": ("RES", "STAR", "SUSP"),
        "COMPLETE": ("RES", "STAR", "COMP"),
    }
    for state, commands in ways.items():
        rig = Rig()
        rig.command(*commands)
        assert rig.state == state
        rig.guard(False)
        rig.wait(200_000)
        assert rig.state == "ABORTED", state
        assert rig.ask("UNIT:CAUS?").startswith(f"{causes.GUARD_OPEN},")
        assert not rig.energised


def test_without_a_bag_the_unit_suspends_and_goes_on_by_itself_when_it_is_back():
    for state in (TESTING, REGISTERING, COUNTING, VERIFYING, FREEING):
        rig = open_in(state)
        rig.level(RECEIVER_READY, False)
        at_rest(rig)
        assert rig.state == "SUSPENDED", state
        assert rig.ask("UNIT:CAUS?").startswith(f"{causes.RECEIVER_NOT_READY},")
        assert true_bounds(rig), state
        help_out(rig)
        rig.level(RECEIVER_READY, True)
        rig.wait(200_000)
        assert rig.state == "EXECUTE"
        assert rig.closed()[2] == EXACT


def test_a_bag_brings_no_unit_back_that_somebody_has_held_or_suspended():
    for commands, state in ((("HOLD",), "HELD"), (("SUSP",), "SUSPENDED")):
        rig = Rig().in_execute()
        rig.command(*commands)
        rig.level(RECEIVER_READY, False)
        rig.level(RECEIVER_READY, True)
        rig.wait(1_000_000)
        assert rig.state == state
