"""The desk: what is granted, what is refused and why, and what the numbers mean."""

from controller.board.ports import GUARD_CLOSED, RECEIVER_READY
from controller.cycle import causes, requestchart
from tests.portable.rig import ALL_READY, DARK_US, FALL_US, Rig
from tests.portable.wheel import FLAG, LEAD

# SCPI-1999 volume 2, 21.8.10.
SETTINGS_CONFLICT = -221
OUT_OF_RANGE = -222
ILLEGAL_VALUE = -224
DATA_STALE = -230

IN_SERVICE, REQUEST_OPEN, MOVING, WAITING, FREEING = 256, 512, 1024, 2048, 4096
POSITION_UNKNOWN, LAST_DOUBTFUL, STRAY, BEAM_FAILED, WORN = 256, 512, 1024, 2048, 4096


def numbers(answer):
    return [int(field) for field in answer.split(",")]


def operation(rig):
    return int(rig.ask("STAT:OPER:COND?"))


def questionable(rig):
    return int(rig.ask("STAT:QUES:COND?"))


# ---- requests -------------------------------------------------------------------------------


def test_a_request_is_delivered_once_however_often_it_is_asked_for():
    rig = Rig().in_execute()
    for _ in range(3):
        rig.tell("REQ:OPEN 7,4")
        rig.wait(50_000)
    assert rig.closed()[:5] == [7, 4, 0, 4, 4]
    rig.tell("REQ:OPEN 7,4")
    assert rig.ask("SYST:ERR?").startswith("0,")
    rig.wait(2_000_000)
    assert len(rig.passed) == 4


def test_a_ticket_with_another_quantity_is_refused_open_or_closed():
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 7,4")
    assert rig.refused("REQ:OPEN 7,5") == ILLEGAL_VALUE
    rig.closed()
    assert rig.refused("REQ:OPEN 7,5") == ILLEGAL_VALUE
    rig.wait(1_000_000)
    assert len(rig.passed) == 4


def test_an_old_ticket_whose_result_is_gone_is_refused():
    rig = Rig().in_execute()
    for ticket in range(1, 20):
        rig.tell(f"REQ:OPEN {ticket},1")
        rig.closed()
    assert rig.refused("REQ:OPEN 1,1") == DATA_STALE
    assert rig.refused("REQ:RES? 1") == DATA_STALE
    assert numbers(rig.ask("REQ:RES? 19"))[:3] == [19, 1, 0]
    assert numbers(rig.ask("REQ:TICK?")) == list(range(19, 3, -1))
    assert len(rig.passed) == 19


def test_quantity_and_ticket_have_their_ranges():
    rig = Rig(request_quantity_max=20).in_execute()
    for line in ("REQ:OPEN 0,1", "REQ:OPEN 65536,1", "REQ:OPEN 1,0", "REQ:OPEN 1,21"):
        assert rig.refused(line) == OUT_OF_RANGE, line
    assert rig.moving_when == []


def test_nothing_to_cancel_and_no_result_are_said():
    rig = Rig().in_execute()
    assert rig.refused("REQ:CANC") == SETTINGS_CONFLICT
    assert rig.refused("REQ:RES?") == DATA_STALE


def test_progress_tells_the_bounds_as_they_grow():
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 3,8")
    before = [0, 0]
    while rig.firmware.request.is_open:
        ticket, quantity, _, lower, upper, _, _ = numbers(rig.ask("REQ:PROG?"))
        assert (ticket, quantity) == (3, 8)
        assert lower <= len(rig.passed) <= upper
        assert before <= [lower, upper]
        before = [lower, upper]
        rig.wait(20_000)
    assert before == [8, 8]


# ---- who may do what, when ------------------------------------------------------------------


def test_each_wish_belongs_to_a_mode():
    wishes = {
        "REQ:OPEN 1,1": "PROD",
        "MAIN:JOG 100000": "MAIN",
        "MAIN:PURG 1": "MAIN",
        "MAIN:REG": "MAIN",
        "MAIN:BEAM": "MAIN",
        "MAIN:IND": "MAN",
    }
    for mode in ("PROD", "MAIN", "MAN"):
        for wish, belongs in wishes.items():
            rig = Rig().in_execute(mode)
            if mode == belongs:
                rig.tell(wish)
                assert rig.ask("SYST:ERR?").startswith("0,"), (mode, wish)
            else:
                assert rig.refused(wish) == SETTINGS_CONFLICT, (mode, wish)
                assert rig.moving_when == []


def test_no_bench_move_outside_execute():
    for commands in ((), ("RES",), ("RES", "STAR", "HOLD"), ("RES", "STAR", "COMP")):
        rig = Rig()
        rig.tell("UNIT:MODE MAIN")
        rig.command(*commands)
        for wish in ("MAIN:JOG 100000", "MAIN:PURG 1", "MAIN:REG", "MAIN:BEAM"):
            assert rig.refused(wish) == SETTINGS_CONFLICT, (commands, wish)
        assert rig.moving_when == []


def test_one_bench_move_at_a_time():
    rig = Rig().in_execute("MAIN")
    rig.tell("MAIN:PURG 3")
    for wish in ("MAIN:JOG 100000", "MAIN:PURG 1", "MAIN:REG", "MAIN:BEAM", "SPR:CHAN"):
        assert rig.refused(wish) == SETTINGS_CONFLICT, wish
    assert len(rig.moving_when) == 1


def test_the_mode_changes_only_at_rest():
    allowed = {
        (): True,
        ("RES",): True,
        ("ABOR",): True,
        ("RES", "STAR"): False,
        ("RES", "STAR", "HOLD"): False,
        ("RES", "STAR", "SUSP"): False,
        ("RES", "STAR", "COMP"): False,
    }
    for commands, may in allowed.items():
        rig = Rig()
        rig.command(*commands)
        rig.tell("UNIT:MODE MAIN")
        assert rig.ask("SYST:ERR?").startswith("0,") == may, commands
        assert rig.ask("UNIT:MODE?") == ("2,MAINTENANCE" if may else "1,PRODUCTION")


def test_jogs_have_their_range_a_least_step_and_a_way_back():
    rig = Rig().in_execute("MAIN")
    for line in ("MAIN:JOG 0", "MAIN:JOG 1000001", "MAIN:JOG -1000001", "MAIN:JOG 1000"):
        assert rig.refused(line) == OUT_OF_RANGE, line
    assert rig.refused("MAIN:JOG -600000") == SETTINGS_CONFLICT
    for _ in range(2):
        rig.tell("MAIN:JOG -200000")
        assert rig.ask("SYST:ERR?").startswith("0,")
        rig.wait(2_000_000)
    rig.tell("MAIN:JOG -200000")
    refusal = rig.ask("SYST:ERR?")
    assert refusal.startswith(f"{SETTINGS_CONFLICT},")
    assert len(rig.moving_when) == 2
    rig.tell("MAIN:JOG " + refusal.split("allowed ")[1].split(" ")[0])  # what it says is taken
    assert rig.ask("SYST:ERR?").startswith("0,")
    rig.wait(2_000_000)
    rig.tell("MAIN:JOG 1000")
    least = rig.ask("SYST:ERR?").split("allowed ")[1].split(" ")[0]
    rig.tell("MAIN:JOG " + least)
    assert rig.ask("SYST:ERR?").startswith("0,")
    assert len(rig.moving_when) == 4


def test_a_purge_is_a_turn_at_most():
    rig = Rig().in_execute("MAIN")
    assert rig.refused("MAIN:PURG 8") == OUT_OF_RANGE
    assert rig.refused("MAIN:PURG 0") == OUT_OF_RANGE


def test_the_magazine_holds_what_it_holds():
    rig = Rig(magazine_capacity=100)
    rig.tell("MAG:LOAD 60")
    assert rig.refused("MAG:LOAD 41") == OUT_OF_RANGE
    assert rig.refused("MAG:LOAD 0") == OUT_OF_RANGE
    assert rig.ask("MAG:LEV?") == "60,100"
    rig.tell("MAG:LOAD 40")
    assert rig.ask("MAG:LEV?") == "100,100"


def test_who_has_counted_or_emptied_the_magazine_says_so():
    rig = Rig(magazine_capacity=100)
    rig.tell("MAG:LOAD 60")
    rig.tell("MAG:LEV 0")
    assert rig.ask("MAG:LEV?") == "0,100"
    rig.tell("MAG:LOAD 100")
    for parts in ("101", "-1"):
        assert rig.refused("MAG:LEV " + parts) == OUT_OF_RANGE
    assert rig.ask("MAG:LEV?") == "100,100"


# ---- what it says ---------------------------------------------------------------------------


def test_the_operation_bits_say_what_goes_on():
    rig = Rig()
    assert operation(rig) == 0
    rig.in_execute()
    assert operation(rig) == IN_SERVICE
    rig.tell("REQ:OPEN 1,5")
    rig.wait(500_000)
    assert operation(rig) == IN_SERVICE | REQUEST_OPEN | MOVING
    rig.closed()
    rig.empty = range(1000)
    rig.tell("REQ:OPEN 2,5")
    rig.wait_for(lambda: rig.firmware.request.state == requestchart.FREEING)
    assert operation(rig) & FREEING
    rig.wait_for(lambda: rig.firmware.request.state == requestchart.WAITING)
    rig.wait(100_000)
    assert operation(rig) == REQUEST_OPEN | WAITING  # Suspended for want of parts


def test_the_questionable_bits_say_what_is_in_doubt():
    rig = Rig(sprocket_rated_pieces=1_000)
    assert questionable(rig) == POSITION_UNKNOWN
    rig.in_execute()
    rig.tell("REQ:OPEN 1,5")
    rig.closed()
    assert questionable(rig) == 0
    rig.dead = 0
    rig.tell("REQ:OPEN 2,5")
    rig.wait(1_000_000)
    assert questionable(rig) == BEAM_FAILED
    assert rig.ask("UNIT:CAUS?").startswith(f"{causes.BEAM_DEAD},")
    rig.firmware.counters.pieces = 1_000
    assert questionable(rig) & WORN


def test_inputs_beam_and_position_are_read_as_they_are():
    rig = Rig()
    assert rig.ask("SENS:INP?") == str(ALL_READY)
    rig.level(RECEIVER_READY, False)
    assert rig.ask("SENS:INP?") == str(ALL_READY & ~RECEIVER_READY)
    rig.level(RECEIVER_READY, True)
    assert rig.ask("MAIN:BEAM?") == "0,-1"
    rig.in_execute()
    assert rig.ask("SPR:POS?") == "0,0,0"
    rig.tell("REQ:OPEN 1,5")
    rig.closed()
    known, pocket, steps = numbers(rig.ask("SPR:POS?"))
    assert (known, pocket) == (1, 5)
    assert abs(steps - 5 * 2400 // 7) <= 1
    assert rig.ask("MAIN:BEAM?") == "0,1"


def test_every_counted_part_can_be_read_out_as_it_was_measured():
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 1,3")
    rig.closed()
    rig.wait(100_000)
    while rig.ask("SENS:PART?") != "0,0,0,0,0":  # the search has found the position by then
        pass
    rig.tell("REQ:OPEN 2,20")
    rig.closed()
    assert rig.ask("SENS:PART:COUN?") == "20"
    sequences = []
    for pocket in range(4, 24):
        sequence, *measured = numbers(rig.ask("SENS:PART?"))
        sequences.append(sequence)
        assert measured[0] == pocket
        assert abs(measured[1] - FALL_US) < 1_000  # three steps: the sensor finds the wheel to one
        assert measured[2] == DARK_US
        # v^2 / 2 a = 94 steps, less than from dwell to release: the wheel is at its limit there.
        assert abs(measured[3] - 3_464) < 5
    assert sequences == list(range(sequences[0], sequences[0] + 20))
    rig.tell("SPR:RATE 200000")  # opened well before its edge is passed; the delay is from the edge
    rig.tell("REQ:OPEN 3,3")
    rig.closed()
    while rig.ask("SENS:PART:COUN?") != "0":
        _, _, delay_us, _, rate_steps_s = numbers(rig.ask("SENS:PART?"))
        assert abs(delay_us - FALL_US) < 5_000
        assert abs(rate_steps_s - 3_464 // 5) < 5
    assert rig.ask("SENS:PART?") == "0,0,0,0,0"


def test_a_part_whose_release_is_not_known_to_the_step_is_not_told():
    rig = Rig(sprocket_index=0, sprocket_release_mdeg=0).in_execute()
    rig.tell("REQ:OPEN 1,1")
    assert rig.closed()[2] == 0
    assert rig.ask("SENS:PART:COUN?") == "0"


def test_the_index_sensor_is_read_out_at_every_change_in_steps_of_the_motor():
    rig = Rig().in_execute("MAIN")
    rig.tell("MAIN:PURG 7")
    rig.wait(20_000_000)
    edges = []
    while rig.ask("SENS:IND:COUN?") != "0":
        edges.append(numbers(rig.ask("SENS:IND?")))
    assert rig.ask("SENS:IND?") == "0,0,0"
    assert [edge[0] for edge in edges] == list(range(1, len(edges) + 1))
    assert [edge[2] for edge in edges] == [1, 0] * (len(edges) // 2)
    came = [steps for _, steps, level in edges if level]
    left = [steps for _, steps, level in edges if not level]
    assert len(came) == 7
    # A seventh of 2400 steps apart; where they lie is the wheel's: LEAD before each release edge.
    for place in range(7):
        assert abs(came[place] - ((place + 1) * 2400 // 7 - 2400 // 14 - LEAD + 2400 // 7)) <= 2
        assert abs(left[place] - came[place] - FLAG) <= 1
    rig.tell("MAIN:JOG -200000")
    rig.wait(3_000_000)
    rig.tell("MAIN:JOG 1000000")
    rig.wait(5_000_000)
    again = []
    while rig.ask("SENS:IND:COUN?") != "0":
        again.append(numbers(rig.ask("SENS:IND?")))
    assert abs(again[0][1] - came[-1]) <= 1  # the same edge: forward again, it is where it was


def test_a_new_sprocket_starts_its_counters_anew_and_its_position_is_unknown():
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 1,5")
    rig.closed()
    assert numbers(rig.ask("SPR:COUN?"))[0] == 5
    assert rig.refused("SPR:CHAN") == SETTINGS_CONFLICT  # not in Production
    rig.command("COMP", "RES")
    rig.tell("UNIT:MODE MAIN")
    rig.tell("SPR:CHAN")
    assert numbers(rig.ask("SPR:COUN?"))[:4] == [0, 200_000, 0, 0]
    assert rig.ask("SPR:POS?").startswith("0,")


def test_a_refusal_says_what_was_asked_and_what_stands_in_the_way():
    rig = Rig()
    rig.tell("REQ:OPEN 1,1")
    assert "state is STOPPED" in rig.ask("SYST:ERR?")
    rig.tell("UNIT:COMM STAR")
    assert "START not legal in STOPPED, allowed RESET|ABORT" in rig.ask("SYST:ERR?")
    rig.tell("REQ:RES?")
    assert "no request has closed yet" in rig.ask("SYST:ERR?")
    rig.tell("MAG:LOAD 250")
    rig.tell("MAG:LOAD 5")
    assert "parts 5, none allowed: level 250 of 250" in rig.ask("SYST:ERR?")
    rig.level(GUARD_CLOSED, False)
    rig.tell("UNIT:COMM CLE")
    assert "CLEAR refused, guard open" in rig.ask("SYST:ERR?")
    rig.tell("UNIT:COMM RES")
    assert "RESET not legal in ABORTED, allowed CLEAR" in rig.ask("SYST:ERR?")
