"""Why the unit stops, what it says of it, and that nothing waits for ever."""

from controller.cycle import causes
from controller.cycle.requestchart import COUNTING, WAITING
from controller.cycle.verdict import SHORT
from tests.portable.rig import Rig, at_rest, open_in


def test_the_cause_is_who_or_what_stopped_it_and_reset_forgets_it():
    rig = Rig().in_execute()
    for name, cause in (
        ("SUSP", causes.SUSPEND_COMMAND),
        ("HOLD", causes.HOLD_COMMAND),
        ("STOP", causes.STOP_COMMAND),
        ("ABOR", causes.ABORT_COMMAND),
        ("CLE", causes.NO_CAUSE),
    ):
        rig.command(name)
        assert rig.ask("UNIT:CAUS?").startswith(f"{cause},"), name


def test_a_request_that_was_suspended_tells_so():
    rig = open_in(COUNTING)
    rig.tell("UNIT:COMM SUSP")
    assert rig.firmware.request.cause == causes.SUSPEND_COMMAND


def test_patience_ends_a_request_that_nobody_helps():
    rig = Rig(recovery_patience_ms=5_000).in_execute()
    rig.empty = range(1000)
    rig.tell("REQ:OPEN 1,3")
    rig.wait_for(lambda: rig.firmware.request.state == WAITING)
    began_us = rig.now_us
    result = rig.closed()
    assert 5_000_000 <= rig.now_us - began_us <= 5_100_000
    assert result[2:5] == [SHORT, 0, 0]
    assert result[8] == causes.MAGAZINE_EMPTY
    assert rig.state == "SUSPENDED"


def test_a_drive_that_hangs_ends_in_a_state_with_a_cause():
    for command, state in ((None, "HELD"), ("HOLD", "HELD"), ("STOP", "STOPPED")):
        rig = open_in(COUNTING)
        rig.wheel.hung = True
        if command:
            rig.tell("UNIT:COMM " + command)
        at_rest(rig)
        assert rig.state == state
        assert not rig.ask("UNIT:CAUS?").startswith("0,")


def test_an_acting_state_that_hangs_is_an_internal_fault():
    rig = open_in(COUNTING)
    rig.firmware.request.step = lambda now_us, motion, levels: None
    rig.tell("UNIT:COMM HOLD")
    rig.wait_for(lambda: not rig.energised)
    assert rig.ask("UNIT:CAUS?").startswith(f"{causes.INTERNAL_FAULT},")
