"""Status registers and the error queue, over the line.

Bits: IEEE 488.2 section 11 as in scpi-parser, libscpi/inc/scpi/ieee488.h.  Classes: SCPI-1999
volume 2, 21.8.9 to 21.8.16.  The rules of MSS, of *SRE and of *CLS are from memory of IEEE 488.2.
"""

import pytest

from controller.link.scpi_errors import DETAIL_MAX, QUEUE_DEPTH, ErrorQueue, text
from controller.link.scpi_texts import TEXTS
from controller.link.status import Status
from tests.controller.link.line import Line, answer, talk

# scpi-parser, libscpi/inc/scpi/error.h, those numbers we have.
PUBLISHED_TEXTS = """
-100 Command error
-101 Invalid character
-102 Syntax error
-103 Invalid separator
-108 Parameter not allowed
-109 Missing parameter
-110 Command header error
-111 Header separator error
-112 Program mnemonic too long
-113 Undefined header
-120 Numeric data error
-121 Invalid character in number
-123 Exponent too large
-128 Numeric data not allowed
-138 Suffix not allowed
-141 Invalid character data
-148 Character data not allowed
-151 Invalid string data
-158 String data not allowed
-168 Block data not allowed
-178 Expression data not allowed
-200 Execution error
-203 Command protected
-221 Settings conflict
-222 Data out of range
-224 Illegal parameter value
-230 Data corrupt or stale
-241 Hardware missing
-300 Device specific error
-320 Storage fault
-350 Queue overflow
-363 Input buffer overrun
-400 Query error
-430 Query DEADLOCKED
"""


def test_error_texts_are_the_published_ones() -> None:
    published = {}
    for line in PUBLISHED_TEXTS.strip().splitlines():
        number, _, words = line.partition(" ")
        published[int(number)] = words
    assert published == TEXTS


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (-199, "Command error"),
        (-299, "Execution error"),
        (-399, "Device specific error"),
        (-499, "Query error"),
        (7, "Device specific error"),
        (-900, "Device specific error"),
    ],
)
def test_a_number_without_a_text_has_that_of_its_class(number: int, words: str) -> None:
    assert text(number) == words


def test_the_queue_is_first_in_first_out() -> None:
    assert answer("SYST:ERR?") == '0,"No error"'
    out, errors, _ = talk(b"*XYZ\nSYST:ERR:COUN?\n*ESE\nSYST:ERR?\nSYST:ERR:NEXT?;COUN?\n")
    lines = out.decode().splitlines()
    assert lines == ["1", '-113,"Undefined header;*XYZ"', '-109,"Missing parameter;mask";0']
    assert errors == []


def test_overflow_replaces_the_newest_entry() -> None:
    # scpi-parser, test_parser.c, testErrorQueue: a queue of 4 with -1..-6 put in yields -1, -2,
    # -3, -350 and then 0; the count stays at the depth.
    queue = ErrorQueue()
    for number in range(1, QUEUE_DEPTH + 3):
        stored = queue.push(-number)
        assert stored == (-number if number <= QUEUE_DEPTH else -350)
        assert queue.count() == min(number, QUEUE_DEPTH)
    numbers = [queue.pop()[0] for _ in range(QUEUE_DEPTH + 1)]
    assert numbers == [-number for number in range(1, QUEUE_DEPTH)] + [-350, 0]


def test_overflow_is_itself_a_device_error() -> None:
    line = Line()
    line.ask("*CLS")
    for _ in range(QUEUE_DEPTH):
        line.ask("*XYZ")
    assert line.ask("*ESR?") == "32"
    line.ask("*XYZ")
    assert line.ask("*ESR?") == "40"
    assert line.ask("SYST:ERR:COUN?") == str(QUEUE_DEPTH)


def test_an_entry_is_at_most_255_characters() -> None:
    # SCPI-1999 volume 2, 21.8 (from memory).
    line = Line()
    line.ask("A:" + "B" * 12 + (":" + "B" * 12) * 18)
    [(_number, entry)] = line.errors()
    assert len(entry) <= 255
    assert len(entry) == len("Undefined header;") + DETAIL_MAX


def test_quotes_in_a_detail_are_doubled() -> None:
    out, _, _ = talk(b'*ESE"X"\nSYST:ERR?\n')
    assert out == b'-111,"Header separator error;*ESE"""\n'


@pytest.mark.parametrize(
    ("numbers", "bit"),
    [((-100, -199), 32), ((-200, -299), 16), ((-300, -399, 1, 32767), 8), ((-400, -499), 4)],
)
def test_class_of_an_error_sets_its_bit(numbers: tuple[int, ...], bit: int) -> None:
    for number in numbers:
        status = Status()
        status.standard.read()
        status.error(number)
        assert status.standard.read() == bit


def test_power_on_bit_is_set_at_the_start_and_read_once() -> None:
    assert answer("*ESR?;*ESR?") == "128;0"


def test_enable_masks_are_kept_and_answered() -> None:
    assert answer("*ESE 255;*ESE?;*SRE 255;*SRE?") == "255;191"  # SRE has no bit 6
    assert answer("*ESE #H3C;*ESE?") == "60"
    assert answer("STAT:OPER:ENAB 65535;ENAB?") == "32767"  # bit 15 is always 0
    assert answer("STAT:QUES:ENAB #Q17;ENAB?;:STAT:PRES;QUES:ENAB?") == "15;0"


@pytest.mark.parametrize("message", ["*ESE 256", "*ESE -1", "*SRE 1E9", "STAT:OPER:ENAB 65536"])
def test_masks_have_a_range(message: str) -> None:
    _, errors, _ = talk(message.encode() + b"\n")
    [(number, entry)] = errors
    assert number == -222
    assert entry.startswith("Data out of range;mask " + message.split()[1] + ", allowed 0..")


def test_esb_needs_its_mask_and_mss_needs_sre() -> None:
    line = Line()
    line.ask("*CLS;*XYZ")
    line.ask("*ESE 16")
    assert line.ask("*STB?") == "4"  # error queue only
    line.ask("*ESE 32")
    assert line.ask("*STB?") == "36"  # + ESB
    line.ask("*SRE 32")
    assert line.ask("*STB?") == "100"  # + MSS
    assert line.ask("*STB?") == "100"  # reading clears nothing
    line.ask("*CLS")
    assert line.ask("*STB?") == "0"
    assert line.ask("*ESE?;*SRE?") == "32;32"  # *CLS leaves the masks


def test_mav_is_set_while_a_response_waits() -> None:
    assert answer("*STB?;*STB?") == "0;16"


def test_a_condition_that_rises_is_an_event_until_read() -> None:
    line = Line()
    assert line.ask("STAT:QUES:COND?;EVEN?") == "0;0"
    line.fw.doubtful = True
    line.pass_time(1)
    line.fw.doubtful = False
    line.pass_time(1)
    assert line.ask("STAT:QUES:COND?") == "0"
    line.ask("STAT:QUES:ENAB 512")
    assert line.ask("*STB?") == "8"
    assert line.ask("STAT:QUES?;QUES?") == "512;0"
    assert line.ask("*STB?") == "0"


def test_operation_group_follows_the_request() -> None:
    line = Line()
    line.ask("STAT:OPER:ENAB 512;:STAT:OPER?")
    line.ask("REQ:OPEN 1,5")
    assert line.ask("STAT:OPER:COND?") == str(256 + 512)
    assert line.ask("*STB?") == "128"
    assert line.ask("STAT:OPER?") == "512"
    line.pass_time(10000)
    assert line.ask("STAT:OPER:COND?;EVEN?") == "256;0"
