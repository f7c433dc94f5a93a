"""Bench moves: whose parts are whose, how the wheel is found, and what ends a move."""

from controller.cycle import causes, unit
from controller.cycle.verdict import DOUBTFUL, EXACT
from tests.portable.rig import Rig
from tests.portable.wheel import PITCH

NO_SENSOR = {"sprocket_index": 0, "sprocket_release_mdeg": 0}
POCKETS = 7


def told(rig, line):
    return [int(field) for field in rig.ask(line).split(",")]


def bench_with_a_bag():
    """A module in Maintenance that has packed a bag of 3 before; its position is lost."""
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 1,3")
    assert rig.closed()[2] == EXACT
    rig.command("STOP")
    return rig.in_execute("MAIN")


def over(rig):
    """Wait until a host would be told so; return how long that took."""
    began_us = rig.now_us
    rig.wait_for(lambda: not rig.firmware.maintenance.busy)
    return rig.now_us - began_us


def at_rest(rig):
    """Wait until the wheel does not turn."""
    rig.wait_for(lambda: not rig.firmware.sprocket.moving)


# ---- parts ----------------------------------------------------------------------------------


def test_the_last_part_of_a_purge_is_no_stray_of_the_last_bag():
    for line in ("MAIN:PURG 7", "MAIN:PURG 1", "MAIN:JOG 1000000", "MAIN:REG"):
        rig = bench_with_a_bag()
        passed = len(rig.passed)
        rig.tell(line)
        over(rig)
        fallen = len(rig.passed) - passed
        assert fallen >= 1, line
        rig.wait(2_000_000)
        assert len(rig.passed) - passed == fallen, line  # over meant that all had fallen
        assert told(rig, "REQ:RES?")[2:5] == [EXACT, 3, 3], line
        assert told(rig, "SPR:COUN?")[0] == 3 + fallen


def test_a_part_that_falls_while_no_pocket_is_passed_belongs_to_the_last_bag():
    rig = bench_with_a_bag()
    rig.tell("MAIN:JOG -200000")
    rig.drop()
    over(rig)
    rig.wait(500_000)
    assert told(rig, "REQ:RES?")[2:5] == [DOUBTFUL, 3, 4]


def test_a_jog_may_follow_while_the_part_of_the_last_one_falls():
    rig = bench_with_a_bag()
    passed = len(rig.passed)
    moves = len(rig.moving_when)
    for _ in range(25):
        rig.tell("MAIN:JOG 100000")
        at_rest(rig)
        assert rig.ask("SYST:ERR?").startswith("0,")
    over(rig)
    assert len(rig.moving_when) - moves == 25
    assert len(rig.passed) - passed in (2, 3)
    assert told(rig, "REQ:RES?")[2] == EXACT


def test_a_jog_may_follow_while_the_part_of_the_last_one_is_in_the_beam():
    rig = bench_with_a_bag()
    dropped = len(rig.wheel.let_go)
    while len(rig.wheel.let_go) == dropped:
        rig.tell("MAIN:JOG 20000")
        at_rest(rig)
    while rig.firmware.reader.open_since_us is None:
        rig.wait(1_000)
    rig.wait(1_000)
    rig.tell("MAIN:JOG 20000")
    assert rig.ask("SYST:ERR?").startswith("0,")
    over(rig)
    rig.wait(500_000)
    assert told(rig, "REQ:RES?")[2:5] == [EXACT, 3, 3]


def test_pockets_that_a_purge_has_left_empty_are_no_misses_of_the_next_request():
    rig = bench_with_a_bag()
    passed = len(rig.wheel.let_go)
    rig.empty = range(passed, passed + POCKETS + 2)  # the magazine was shut meanwhile
    rig.tell(f"MAIN:PURG {POCKETS}")
    over(rig)
    rig.command("STOP")
    rig.in_execute("PROD")
    missed = told(rig, "SPR:COUN?")[3]
    rig.tell("REQ:OPEN 2,5")
    assert rig.closed()[2:5] == [EXACT, 5, 5]
    assert len(rig.wheel.let_go) > passed + POCKETS + 5
    assert told(rig, "SPR:COUN?")[3] == missed


# ---- finding the wheel ----------------------------------------------------------------------


def test_the_wheel_is_found_by_one_command_wherever_it_stands():
    for changes in ({}, NO_SENSOR):
        for at in range(0, PITCH, 19):  # 0: in a dwell
            rig = Rig(at, **changes).in_execute("MAIN")
            rig.tell("MAIN:REG")
            over(rig)
            assert told(rig, "SPR:POS?")[0] == 1, (at, changes)
            assert len(rig.passed) <= 2
            pockets, rest = divmod(rig.wheel.wheel * POCKETS + 1200, 2400)
            assert abs(rest - 1200) <= 4 * POCKETS, (at, pockets)  # in a dwell, to 4 steps
            assert rig.state == "EXECUTE"


def test_a_wheel_that_can_not_be_found_holds_the_unit_with_a_cause():
    rig = Rig(**NO_SENSOR)
    rig.empty = range(100)
    blind = Rig()
    blind.wheel.sensor_works = False
    for lost in (rig, blind):
        lost.in_execute("MAIN").tell("MAIN:REG")
        over(lost)
        lost.wait(100_000)
        assert lost.state == "HELD"
        assert lost.ask("UNIT:CAUS?").startswith(f"{causes.POSITION_UNKNOWN},")
        assert len(lost.wheel.let_go) <= 2


def test_an_interrupted_search_does_not_go_on():
    for line in ("*RST", "UNIT:COMM STOP", "UNIT:COMM HOLD"):
        rig = Rig().in_execute("MAIN")  # in a dwell: one stretch is not enough
        rig.tell("MAIN:REG")
        rig.wait(300_000)
        rig.tell(line)
        over(rig)
        rig.wait(5_000_000)
        assert len(rig.moving_when) == 1, line
        assert rig.ask("UNIT:CAUS?")[:2] != str(causes.POSITION_UNKNOWN)


def test_a_search_that_an_open_guard_has_ended_does_not_go_on_when_it_is_shut():
    rig = Rig().in_execute("MAIN")
    rig.tell("MAIN:REG")
    rig.wait(300_000)
    rig.guard(False)
    rig.guard(True)
    rig.wait(10_000_000)
    assert len(rig.moving_when) == 1
    rig.command("CLE", "RES", "STAR")
    rig.wait(10_000_000)
    assert len(rig.moving_when) == 1


# ---- what ends a move -----------------------------------------------------------------------


def test_a_drive_that_stalls_in_a_bench_move_holds_the_unit():
    for line in ("MAIN:PURG 7", "MAIN:JOG 1000000", "MAIN:REG"):
        rig = Rig().in_execute("MAIN")
        rig.wheel.stall_at = 100
        rig.tell(line)
        over(rig)
        rig.wait(100_000)
        assert rig.state == "HELD", line
        assert rig.ask("UNIT:CAUS?").startswith(f"{causes.BENCH_STALL},")
        assert told(rig, "SPR:COUN?")[4] == 1
        assert len(rig.moving_when) == 1
        rig.wheel.stall_at = None
        rig.command("UNH")
        rig.tell("MAIN:JOG -300000")  # somebody frees it
        assert rig.ask("SYST:ERR?").startswith("0,")


def test_a_wheel_that_does_not_follow_holds_the_unit():
    rig = Rig().in_execute("MAIN")
    rig.tell("MAIN:REG")
    over(rig)
    rig.wheel.sensor_works = False  # the edges of its index do not come
    rig.tell("MAIN:PURG 7")
    over(rig)
    rig.wait(100_000)
    assert rig.state == "HELD"
    assert rig.ask("UNIT:CAUS?").startswith(f"{causes.SLIPPED},")


def test_reset_and_stop_end_a_purge_within_what_is_under_way():
    for line, state in (("*RST", "EXECUTE"), ("UNIT:COMM STOP", "STOPPED")):
        rig = bench_with_a_bag()
        rig.tell("MAIN:PURG 7")
        rig.wait(3_000_000)
        issued = rig.wheel.issued
        rig.tell(line)
        at_rest(rig)
        assert rig.wheel.issued - issued <= 64, line  # the pulses a drive may have in flight
        while rig.firmware.service.unit.state == unit.STOPPING:
            rig.wait(1_000)
        if state == "STOPPED":  # which it says only when all is over
            assert not rig.firmware.maintenance.busy
        over(rig)
        fallen = len(rig.passed)
        rig.wait(2_000_000)
        assert rig.state == state
        assert len(rig.passed) == fallen
        assert told(rig, "REQ:RES?")[2] == EXACT


def test_an_open_guard_ends_a_purge_and_its_parts_are_still_its_own():
    rig = bench_with_a_bag()
    rig.tell("MAIN:PURG 7")
    rig.wait(3_000_000)
    rig.guard(False)
    over(rig)
    rig.wait(2_000_000)
    assert rig.state == "ABORTED"
    assert told(rig, "REQ:RES?")[2] == EXACT
