"""The lexical part: numbers against `decimal`, and any bytes against a grammar in a regex."""

import re
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.link.refusal import Refused
from controller.link.scpi_lexer import CHARACTER, NUMBER_MAX, NUMERIC, STRING, scan
from tests.controller.link.grammar import well_formed
from tests.controller.link.line import answer, error


def datum(text: str) -> tuple:
    [(_header, [found])] = scan(b"A " + text.encode())
    return found


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # scpi-parser, libscpi/test/test_parser.c, testSCPI_ParamInt32 and testParamNumber.
        ("10", 10),
        ("#B101010", 42),
        ("#H101010", 1052688),
        ("#Q10", 8),
        ("2147483647", 2147483647),
        ("-2147483647", -2147483647),
        ("#Q20", 16),
        ("#H20", 32),
        ("#B11", 3),
        ("#HFFFFFF", 0xFFFFFF),
        ("1.2", 1),
        ("1.2e-1", 0),
        # HP 8360 Series User's Handbook, p. 1-83, examples of numeric parameters.
        ("100", 100),
        ("100.", 100),
        ("-1.23", -1),
        ("4.56e 3", 4560),
        ("-7.89E-01", -1),
        ("+256", 256),
        (".5", 1),
        # Hioki 3166 Instruction Manual p. 188: 5 and above is rounded up, all three set 10.
        ("10.2", 10),
        ("1.04E1", 10),
        ("9.5", 10),
        ("9.49999999999999999999999", 9),
        # Ours: rounding is symmetrical, and what is too large is clamped, not computed.
        ("-9.5", -10),
        ("00000000000000000000000000000000000012", 12),
        ("0e32000", 0),
        ("1e32000", NUMBER_MAX),
        ("-1e32000", -NUMBER_MAX),
        ("1e-32000", 0),
        ("9999999999.4", 9999999999),
        ("99999999999", NUMBER_MAX),
        ("#HFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFF", NUMBER_MAX),
    ],
)
def test_numbers(text: str, value: int) -> None:
    assert datum(text) == (NUMERIC, value, text)


def test_a_device_rounds() -> None:
    # HP 8360 Series User's Handbook, p. 1-83: "sending *ESE 10.123 is the same as sending *ESE 10".
    assert answer("*ESE 10.123;*ESE?") == "10"


@given(st.decimals(min_value=-(10**9), max_value=10**9, allow_nan=False))
@example(Decimal("0.5"))
@example(Decimal("-0.49999"))
@example(Decimal("1E+3"))
def test_rounding_agrees_with_decimal(number: Decimal) -> None:
    text = str(number)[:200]
    expected = Decimal(text).to_integral_value(ROUND_HALF_UP)
    assert datum(text)[1] == int(expected)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # scpi-parser, libscpi/test/test_parser.c, testSCPI_ParamCopyText.
        ("'abc'", "abc"),
        ('"abc"', "abc"),
        ("'a'", "a"),
        ("'a''c'", "a'c"),
        ("'a\"c'", 'a"c'),
        ('"a""c"', 'a"c'),
        ('"a\'c"', "a'c"),
        ('""', ""),
        ('";,"', ";,"),
    ],
)
def test_strings(text: str, value: str) -> None:
    assert datum(text) == (STRING, value, text)


def test_character_data_is_compared_in_upper_case_and_quoted_as_written() -> None:
    assert datum("Beam_Drop_um") == (CHARACTER, "BEAM_DROP_UM", "Beam_Drop_um")


@pytest.mark.parametrize(
    ("message", "number"),
    [
        # Examples in the error definitions of SCPI-1999 volume 2, 21.8.9, as printed in the HP
        # 70004A manual, p. 8-3 and 8-4; *EMC and *GMC are not ours, so *ESE stands for them.
        ("SETUP&", -101),
        ("*ESE 1:CH1:VOLTS 5", -103),
        ("*ESE 0,1", -108),
        ("*ESE", -109),
        ('*ESE"MACRO"', -111),
        ("*XYZ", -113),
        ("*ESE #Q9", -121),
        ("*ESE 1E32001", -123),
        # scpi-parser, libscpi/test/test_parser.c, testErrorHandling and testSCPI_ParamInt32.
        ("IDN?", -113),
        ("*SRE", -109),
        ("*ESE 10.5V", -138),
        ("*ESE 10 V", -138),
        # The rest by the definitions of the numbers.
        ("*IDN? 12", -108),
        ("\x80", -101),
        ("*ESE \xff", -101),
        ("*ESE $", -101),
        ("SYST:HELP:SYNT? '\x7f'", -101),
        ("*ESE 1,", -102),
        ("*ESE ,1", -102),
        ("*ESE #", -102),
        ("*ESE #X1", -102),
        ("*ESE 1 2", -103),
        ("REQ::OPEN 1,2", -110),
        ("::REQ:OPEN 1,2", -110),
        ("REQ:OPEN: 1,2", -110),
        ("REQ?:OPEN 1,2", -110),
        (":*IDN?", -110),
        ("*", -110),
        ("?", -110),
        ("1REQ:OPEN 1,2", -110),
        ("REQ:OPEN,1,2", -111),
        ("ABCDEFGHIJKLM", -112),
        ("*ESE +", -120),
        ("*ESE 1E", -120),
        ("*ESE #H", -120),
        ("*ESE 1.2.3", -121),
        ("*ESE 1-2", -121),
        ("*ESE #B12", -121),
        ("*ESE ON", -148),
        ("UNIT:MODE 2", -128),
        ("UNIT:MODE MAN&", -141),
        ("SYST:HELP:SYNT? 'unit:mode", -151),
        ("*ESE '1'", -158),
        ("SYST:HELP:SYNT? 1", -128),
        ("*ESE #15HELLO", -168),
        ("*ESE (@1)", -178),
    ],
)
def test_command_errors(message: str, number: int) -> None:
    assert error(message)[0] == number


ALPHABET = [*"aZ_09*:?;,+-.eE#HQB'\" \t\r\n@(&~", "\x00", "\x7f", "\x80", "\xff"]


@given(st.text(st.sampled_from(ALPHABET), max_size=24))
@example("a#H1")
@example("a 1e")
@example("a 'x''")
@example("a:b?;*c 1,'x''y' , #hF ;;")
def test_accepts_exactly_what_the_grammar_does(text: str) -> None:
    agrees_with_grammar(text.encode("latin-1"))


@given(st.binary(max_size=256))
def test_any_bytes_are_read_or_refused(message: bytes) -> None:
    agrees_with_grammar(message)


def agrees_with_grammar(message: bytes) -> None:
    try:
        units = scan(message)
    except Refused as refused:
        assert -199 <= refused.number <= -100
        too_long = refused.number in (-112, -123)  # what a grammar has no word for
        assert too_long or not well_formed(message)
    else:
        assert well_formed(message)
        for header, _data in units:
            assert re.fullmatch(r"[*A-Z0-9_:?]+", header)
