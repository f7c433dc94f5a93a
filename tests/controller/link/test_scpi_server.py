"""The line engine: messages, paths, bounds, overlapped operations, device clear."""

import pytest

from controller.link.scpi import MESSAGE_MAX, WAITING_MAX
from controller.link.scpi_output import OUTPUT_MAX
from tests.controller.link.fakefirmware import IDLE, STOPPED, WORK_US
from tests.controller.link.line import IDENTITY, Line, answer, error, talk

IDN = IDENTITY.decode().strip()

# ---- messages and paths


@pytest.mark.parametrize(
    ("data", "out"),
    [
        # scpi-parser, libscpi/test/test_parser.c, testCommandsHandling, with our identity.
        (b"*IDN?\r\n", IDENTITY),
        (b"*IDN?\r\n*IDN?\r\n*IDN?\r\n*IDN?\r\n", IDENTITY * 4),
        (b"*IDN?;*IDN?;*IDN?;*IDN?\r\n", b";".join([IDN.encode()] * 4) + b"\n"),
        (b"*IDN?;*OPC;*IDN?\r\n", b";".join([IDN.encode()] * 2) + b"\n"),
        (b";*IDN?\r\n", IDENTITY),
        (b"\r\n;\r\n;;;\n*IDN?\n", IDENTITY),
        # White space is everything up to the blank but LF (IEEE 488.2 7.4.1.2).
        (b" \t*ESE\x0b\x001\x0c ; \r *ESE?\x1f\n", b"1\n"),
        (b"*idn?\n", IDENTITY),
        # Path: kept after `;`, reset by a leading colon and by every message, untouched by
        # common commands. Examples as in the programming guides of N3301A and 665xA.
        (b"STATus:OPERation?;QUEStionable?\n", b"256;0\n"),
        (b"SYST:ERR?;ERR:COUN?\n", b'0,"No error";0\n'),
        (b"SYST:ERR:NEXT?;COUN?\n", b'0,"No error";0\n'),
        (b"SYST:ERR?;*ESR?;VERS?\n", b'0,"No error";128;1999.0\n'),
        (b"SYST:VERS?;:UNIT:STAT?;MODE?\n", b"1999.0;6,EXECUTE;1,PRODUCTION\n"),
        (b"MAG:LEV?;:mag:lev?\n", b"0,300;0,300\n"),
        (b"EVEN:COUN?\nCOUN?\nEVEN?\n", b"2\n1,20,17,0,0\n"),
    ],
)
def test_messages(data: bytes, out: bytes) -> None:
    said, errors, _ = talk(data)
    assert said == out
    assert [number for number, _ in errors] == ([-113] if b"\nCOUN" in data else [])


def test_an_incomplete_message_waits_for_its_terminator() -> None:
    line = Line()
    assert line.feed(b"*ID") == b""
    assert line.feed(b"N?") == b""
    assert line.feed(b"\n") == IDENTITY


@pytest.mark.parametrize("bad", ["*XYZ", "REQ:OPEN 7", "REQ:OPEN 7,2x", "A&", "*ESE 'x"])
def test_a_message_with_a_command_error_does_nothing_at_all(bad: str) -> None:
    error(f"REQ:OPEN 7,25;:{bad}" if bad[0] != "*" else f"REQ:OPEN 7,25;{bad}")
    error(f"{bad};:REQ:OPEN 7,25")


def test_an_execution_error_stops_its_own_unit_only() -> None:
    out, errors, moves = talk(b"REQ:OPEN 7,0;OPEN 8,25;:*IDN?\nREQ:OPEN 7,0;OPEN 8,25;*ESE?\n")
    assert out == b"0\n"
    assert [number for number, _ in errors] == [-110, -222]
    assert moves == [("request", 8, 25)]


def test_errors_name_key_value_and_allowed_range() -> None:
    assert error("REQ:OPEN 7,0") == (-222, "Data out of range;quantity 0, allowed 1..10000")
    assert error("REQ:OPEN 7,1E4000") == (
        -222,
        "Data out of range;quantity 1E4000, allowed 1..10000",
    )
    assert error("MAIN:JOG -1000001")[1].endswith("ppm -1000001, allowed -1000000..1000000")
    assert error("UNIT:MODE FAST") == (
        -224,
        "Illegal parameter value;mode FAST, allowed PRODuction|MAINtenance|MANual",
    )
    assert error("UNIT:MODE PRODUCT")[0] == -224  # neither the short nor the long form
    assert error("MAIN:PURG MOST")[1].endswith("1..7|MINimum|MAXimum|DEFault")
    assert error("REQ:OPEN 7,MAX")[0] == -148  # parts are never let go by MAXimum
    assert error("REQ:RES? MAX")[0] == -148
    assert error("REQ:RES? 9") == (-230, "Data corrupt or stale;no result for ticket 9")
    assert error("SETT:VAL? beam_dorp_um")[0] == -224


@pytest.mark.parametrize(
    ("text", "pockets"),
    [("3", 3), ("MIN", 1), ("minimum", 1), ("MAX", 7), ("DEF", 7), ("", 7), ("2.5", 3)],
)
def test_numbers_with_words(text: str, pockets: int) -> None:
    _, errors, moves = talk(f"MAIN:PURG {text}\n".encode())
    assert errors == []
    assert moves == [("purge", pockets)]


# ---- bounds


def test_the_longest_message_is_still_read_and_one_byte_more_is_not() -> None:
    # SCPI-1999 volume 2, 21.8.11: -363; that the line recovers is what users of scpi-parser had
    # to ask for (its issue 59).
    longest = b"*IDN?".rjust(MESSAGE_MAX)
    assert talk(longest + b"\n") == (IDENTITY, [], [])
    out, errors, _ = talk(b" " + longest + b"\n*ESE?\n")
    assert out == b"0\n"
    assert errors == [(-363, "Input buffer overrun;message longer than 256 bytes")]


def test_an_overrun_is_one_error_however_long_it_is() -> None:
    out, errors, moves = talk(b"REQ:OPEN 7,25;" * 100 + b"\n*IDN?\n")
    assert out == IDENTITY
    assert [number for number, _ in errors] == [-363]
    assert moves == []


def test_the_end_of_a_long_message_is_not_taken_for_one() -> None:
    line = Line()
    line.feed(b"x" * (MESSAGE_MAX + 1))
    line.feed(b"REQ:OPEN 7,25\n")
    assert line.fw.moves == []
    assert line.ask("*ESR?") == "136"  # power on, device error


def test_a_response_that_does_not_fit_is_dropped_whole() -> None:
    # IEEE 488.2 6.3.1.7: both buffers full; the device says so and goes on.
    out, errors, _ = talk(b"SYST:HELP:HEAD?;HEAD?;HEAD?;HEAD?;*ESE 4\n*ESE?\n")
    assert out == b"4\n"
    assert errors == [(-430, "Query DEADLOCKED;response dropped")]


def test_output_that_is_not_taken_is_bounded() -> None:
    line = Line()
    for _ in range(200):
        line.server.feed(b"*IDN?\n")
    said = line.server.take()
    assert len(said) <= OUTPUT_MAX
    assert said == IDENTITY * (OUTPUT_MAX // len(IDENTITY))
    assert {number for number, _ in line.errors()} == {-430, -350}
    assert line.ask("*IDN?") == IDN


# ---- overlapped operations (IEEE 488.2 10.18, 10.19, 10.39)


def test_opc_sets_its_bit_when_the_request_is_over() -> None:
    line = Line()
    line.ask("*CLS;REQ:OPEN 7,25;*OPC")
    assert line.ask("*ESR?") == "0"
    line.pass_time(WORK_US - 1)
    assert line.ask("*ESR?") == "0"
    line.pass_time(1)
    assert line.ask("*ESR?") == "1"
    assert line.ask("*OPC;*ESR?") == "1"  # nothing under way: at once


@pytest.mark.parametrize("cancel", ["*CLS", "*RST", "\x03"])
def test_a_pending_opc_can_be_cancelled(cancel: str) -> None:
    line = Line()
    line.ask("*CLS;MAIN:JOG 5;*OPC")
    line.ask(cancel)
    line.pass_time(WORK_US)
    assert line.ask("*ESR?") == "0"


def test_opc_query_answers_when_the_request_is_over() -> None:
    line = Line()
    assert line.ask("REQ:OPEN 7,25;PROG?;*OPC?;:REQ:RES?") == ""
    assert line.pass_time(WORK_US - 1) == ""
    assert line.pass_time(1) == "7,25,3,0,25,0,0;1;7,25,0,25,25,25,0,1,0"
    assert line.ask("*OPC?") == "1"


def test_messages_wait_behind_opc_query_in_order() -> None:
    line = Line()
    for piece in (b"REQ:OPEN 7,25;*OPC?\n*E", b"SE 9\n", b"*ESE?\n", b"*IDN", b"?\n"):
        assert line.feed(piece) == b""
    assert line.pass_time(WORK_US) == "1\n9\n" + IDN


def test_wai_holds_up_what_follows_and_answers_nothing() -> None:
    line = Line()
    assert line.ask("MAIN:JOG 5;*WAI;JOG 6;*WAI;*IDN?") == ""
    assert line.fw.moves == [("jog", 5)]
    assert line.pass_time(WORK_US) == ""
    assert line.fw.moves == [("jog", 5), ("jog", 6)]
    assert line.pass_time(WORK_US) == IDN
    assert line.ask("*WAI;*ESE?") == "0"  # nothing under way: at once


def test_what_waits_is_bounded_and_whole_messages_are_lost() -> None:
    line = Line()
    line.ask("MAIN:JOG 5;*WAI")
    line.ask("*CLS")
    message = b"*ESE 1;*ESE 2;*ESE?\n"
    line.feed(message * (WAITING_MAX // len(message) + 3))
    line.feed(b"*ID")  # the beginning of one for which there will be room
    answers = line.pass_time(WORK_US)
    assert set(answers.split("\n")) == {"2"}
    assert len(answers.split("\n")) == (WAITING_MAX - len(b"*CLS\n")) // len(message)
    assert line.feed(b"N?\n") == IDENTITY
    assert line.ask("SYST:ERR:COUN?") == "0"  # the *CLS that waited has run after the overruns


def test_an_overrun_behind_a_hold_is_reported() -> None:
    line = Line()
    line.ask("MAIN:JOG 5;*WAI")
    for _ in range(3):
        line.ask("*ESE 1;" * 30)
    line.pass_time(WORK_US)
    assert [number for number, _ in line.errors()] == [-363]


def test_device_clear_is_heard_during_a_hold() -> None:
    line = Line()
    line.ask("*CLS;REQ:OPEN 7,25;PROG?;*OPC?;*IDN?")
    line.feed(b"UNIT:COMM HOLD\n*ES\x03\nUNIT:COMM STOP\n")
    assert line.fw.moves == [("request", 7, 25), ("command", 3)]
    assert line.ask("*ESR?;*IDN?") == "0;" + IDN  # nothing came of *OPC?, no status was touched
    assert line.pass_time(WORK_US) == ""


def test_device_clear_drops_a_message_that_is_too_long() -> None:
    line = Line()
    line.feed(b"x" * 1000 + b"\x03*IDN?\n")
    assert [number for number, _ in line.errors()] == [-363]
    assert line.feed(b"*ES\x03*IDN?\n") == IDENTITY


def test_device_clear_drops_output_and_works_between_messages_of_one_read() -> None:
    line = Line()
    line.server.feed(b"*IDN?\n*ESE 3\n\x03*ESE?\n")
    assert line.server.take() == b"3\n"


def test_rst_cancels_the_request_and_leaves_registers_and_queues() -> None:
    # IEEE 488.2 10.32 (from memory): no effect on ESE, SRE, output queue and error queue.
    line = Line()
    line.ask("*ESE 7;*SRE 8;*XYZ;")
    line.ask("*XYZ")
    line.ask("*ESE 7;*SRE 8;:REQ:OPEN 7,25")
    assert line.ask("*IDN?;*RST;*OPC?") == IDN + ";1"
    assert line.ask("*ESE?;*SRE?;:SYST:ERR:COUN?;:REQ:RES? 7") == "7;8;2;7,25,0,25,25,25,0,1,0"
    line.ask("*RST")  # none is open: no error
    assert line.ask("SYST:ERR:COUN?") == "2"
    assert line.fw.moves == [("request", 7, 25)]


# ---- refusals and answers


def test_a_refusal_of_the_firmware_goes_to_the_queue() -> None:
    def stopped(line: Line) -> None:
        line.fw.unit.state = STOPPED

    out, errors, moves = talk(b"REQ:OPEN 7,25\n*ESR?\n", stopped)
    assert (out, moves) == (b"144\n", [])
    assert errors == [(-221, "Settings conflict;state is 2")]


def test_unit_commands_by_word() -> None:
    line = Line()
    assert line.ask("UNIT:COMM STOP;STAT?;COMM RES;STAT?;COMMand STARt;STATe?") == (
        "2,STOPPED;4,IDLE;6,EXECUTE"
    )
    assert [number for _, number in line.fw.moves] == [3, 1, 2]
    line.fw.unit.state = IDLE
    assert line.ask("UNIT:MODE MAN;MODE?;MODE maintenance;MODE?") == "3,MANUAL;2,MAINTENANCE"
    assert line.errors() == []


def test_strings_in_answers_are_quoted() -> None:
    line = Line()
    assert line.ask("UNIT:CAUS?") == '0,"",""'
    assert line.ask("UNIT:COMM HOLD;CAUS?") == '21,"the ""sprocket"" is jammed","clear it"'


def test_settings_are_read_by_name_with_or_without_quotes() -> None:
    assert answer('SETT:VAL? "name";VAL? name') == '"m4 nut";"m4 nut"'
    assert answer("SETT:VAL? 'magazine_capacity'") == "300"
    assert answer("SETT:VAL? gear_stages;VAL? recovery_ladder") == "17,51,20,20;0"
    assert answer("SETT:CAT?").startswith('"name","request_quantity_max",')


def test_empty_answers_are_zero() -> None:
    assert answer("REQ:TICK?") == "0"
    assert answer("EVEN?;EVEN?;EVEN?") == "1,20,17,0,0;2,30,13,7,25;0,0,0,0,0"


@pytest.mark.parametrize(
    ("beam", "levels", "failed"), [(-1, 15, 0), (1, 8, 0), (0, 15, 1), (1, 7, 2), (0, 0, 3)]
)
def test_self_test_says_what_is_known_and_moves_nothing(beam, levels, failed) -> None:
    line = Line()
    line.fw.beam_result, line.fw.levels = beam, levels
    assert line.ask("*TST?") == str(failed)
    assert line.fw.moves == []
    assert not line.fw.busy()
