"""The core of the SCPI line, under both interpreters.

Published cases: scpi-parser, libscpi/test (messages, header patterns, numbers), the error
definitions of SCPI-1999 as printed in the HP 70004A manual, p. 8-3 and 8-4, and for rounding the HP
8360 Series User's Handbook, p. 1-83.
"""

from controller.link.scpi import MESSAGE_MAX, ScpiServer
from controller.link.scpi_header import matches, short_form
from controller.link.scpi_lexer import NUMBER_MAX, scan

IDENTITY = b"Tallywheel,nut,0,1\n"


class Bunch:
    """Whatever attributes it is given."""

    def __init__(self, **values):
        for name, value in values.items():
            setattr(self, name, value)


class Firmware:
    """As much of the firmware as these cases ask for."""

    def __init__(self):
        self.settings = Bunch(request_quantity_max=10000, sprocket_pockets=7)
        self.identity = ("Tallywheel", "nut", "0", "1")
        self.unit = Bunch(state=6, mode=1)
        self.under_way = False
        self.moves = []

    def busy(self):
        return self.under_way

    def operation(self):
        return 256

    def questionable(self):
        return 0

    def open_request(self, ticket, quantity):
        self.moves.append((ticket, quantity))
        self.under_way = True

    def purge(self, pockets):
        self.moves.append(pockets)

    def command(self, number):
        self.moves.append(f"command {number}")

    def cause(self):
        return (0, 'no "cause"', "")


def said(data, step):
    """Feed bytes in pieces of a size; return what came, and the firmware."""
    fw = Firmware()
    server = ScpiServer(fw)
    out = b""
    for at in range(0, len(data), step):
        server.feed(data[at : at + step])
        server.poll(at)
        out += server.take()
    return out, fw


def answer(data):
    whole, fw = said(data, len(data))
    single, other = said(data, 1)
    assert whole == single
    assert fw.moves == other.moves
    return whole


def errors(message):
    out = answer(message + b"\nSYST:ERR?\nSYST:ERR:COUN?\n")
    assert out.endswith(b"\n0\n"), out
    return int(out.split(b",")[0])


def number(text):
    return scan(b"A " + text)[0][1][0][1]


def test_messages():
    assert answer(b"*IDN?\r\n*idn?\n") == IDENTITY * 2
    assert answer(b"*IDN?;*OPC;*IDN?\n") == IDENTITY[:-1] + b";" + IDENTITY
    assert answer(b";;\n;*IDN?\n") == IDENTITY
    assert answer(b"*ESR?;*ESR?;*STB?\n") == b"128;0;16\n"


def test_paths():
    assert answer(b"SYST:ERR?;VERS?;*ESE?;ERR:COUN?\n") == b'0,"No error";1999.0;0;0\n'
    assert answer(b"SYST:VERS?;:UNIT:STAT?;MODE?\n") == b"1999.0;6,EXECUTE;1,PRODUCTION\n"
    assert answer(b"UNIT:CAUS?\n") == b'0,"no ""cause""",""\n'


def test_headers():
    assert matches("ABcc:AACddd", "AB:AAC")
    assert matches("ABcc:AACddd", "ABCC:AACDDD")
    assert not matches("ABcc:AACddd", "ABCC:AACDD")
    assert not matches("ABcc:AACddd", "A:AAC")
    assert matches("[:ABcc]:AACddd?", "AAC?")
    assert not matches("[:ABcc]:AACddd?", "AAC")
    assert [short_form(word) for word in ("AUTO", "FORMAT", "DELAY")] == ["AUTO", "FORM", "DEL"]


def test_numbers():
    assert number(b"#H101010") == 1052688
    assert number(b"#Q20") == 16
    assert number(b"#B101010") == 42
    assert number(b"4.56e 3") == 4560
    assert number(b"-7.89E-01") == -1
    assert number(b"2147483647") == 2147483647
    assert number(b"1E32000") == NUMBER_MAX
    assert number(b"0.49999999999999999999") == 0
    assert answer(b"*ESE 10.123;*ESE?\n") == b"10\n"


def test_command_errors():
    assert errors(b"SETUP&") == -101
    assert errors(b"*ESE 1:CH1:VOLTS 5") == -103
    assert errors(b"*ESE 0,1") == -108
    assert errors(b"*ESE") == -109
    assert errors(b'*ESE"MACRO"') == -111
    assert errors(b"ABCDEFGHIJKLM") == -112
    assert errors(b"*XYZ") == -113
    assert errors(b"*ESE #Q9") == -121
    assert errors(b"*ESE 10.5V") == -138
    assert errors(b"\xff\x80") == -101


def test_a_damaged_message_moves_nothing():
    out, fw = said(b"REQ:OPEN 7,25;*XYZ\nREQ:OPEN 7,25x\nREQ:OPEN 7;:REQ:OPEN 7,2\n*IDN?\n", 7)
    assert out == IDENTITY
    assert fw.moves == []


def test_ranges():
    out = answer(b"REQ:OPEN 7,0\nSYST:ERR?\n")
    assert out == b'-222,"Data out of range;quantity 0, allowed 1..10000"\n'
    out, fw = said(b"MAIN:PURG;PURG MIN;PURG 2.5;:UNIT:COMM ABOR\n", 5)
    assert fw.moves == [7, 1, 3, "command 8"]


def test_overrun():
    data = b" " * MESSAGE_MAX + b"REQ:OPEN 7,25\n*IDN?\nSYST:ERR?\n"
    out = answer(data)
    assert out.startswith(IDENTITY + b'-363,"Input buffer overrun')


def test_overlapped():
    fw = Firmware()
    server = ScpiServer(fw)
    server.feed(b"REQ:OPEN 7,25;*OPC?\n*IDN?\n")
    server.poll(1)
    assert server.take() == b""
    fw.under_way = False
    server.poll(2)
    assert server.take() == b"1\n" + IDENTITY
    server.feed(b"REQ:OPEN 8,25;*WAI\n*IDN?\n\x03UNIT:COMM STOP\n")
    assert fw.moves == [(7, 25), (8, 25), "command 3"]
    assert server.take() == b""


def test_noise():
    server = ScpiServer(Firmware())
    state = 1
    noise = bytearray(64)
    for _ in range(60):
        for at in range(64):
            state = (state * 1103515245 + 12345) & 0x7FFFFFFF
            noise[at] = state >> 16 & 0xFF
        server.feed(bytes(noise))
        server.poll(0)
    server.feed(b"\n*IDN?\n")
    assert server.take().endswith(IDENTITY)
    assert server.fw.moves == []
