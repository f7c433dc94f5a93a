"""The board's lines: RS-485 direction, partial writes, a host that does not read."""

from controller.board.rp2.uart import RELEASE_LOOK_US, UART_BYTES, UartLine
from controller.board.rp2.usb import READ_BYTES, SEND_BYTES, UsbLine
from tests.portable.chip import Chip
from tests.portable.chipunits import Machine, Select, Stream, Sys

BUS_BYTES = 1024
SEND = 2


class Pair:
    """An RS-485 line at 19200 baud, 8E1."""

    def __init__(self, baud=19_200, accepts=UART_BYTES):
        self.chip = Chip()
        machine = Machine(self.chip)
        self.uart = machine.UART(0, baud, bits=8, parity=0, stop=1, txbuf=UART_BYTES)
        self.uart.accepts = accepts
        pin = machine.Pin(SEND, machine.Pin.OUT, value=0)
        self.line = UartLine(self.uart, BUS_BYTES, machine.Signal(pin), machine.Timer())
        self.send = self.chip.pins[SEND]
        self.taken_us = None  # when the first byte went to the UART
        write = self.uart.write

        def first(data):
            assert self.send.level == 1, "a byte without the pair in hand"
            if self.taken_us is None:
                self.taken_us = self.chip.now_us
            return write(data)

        self.uart.write = first

    def wait(self, span_us, turn_us=None):
        """Let time pass, with the main loop away or coming round every `turn_us`."""
        end_us = self.chip.now_us + span_us
        while self.chip.now_us < end_us:
            self.chip.spend(min(turn_us or span_us, end_us - self.chip.now_us))
            if turn_us:
                self.line.poll()

    def bytes_sent(self):
        return bytes([byte for _, byte in self.uart.sent])


def test_the_pair_is_taken_before_the_first_byte_and_let_go_after_the_last_stop_bit():
    for baud in (1_200, 19_200, 115_200):
        pair = Pair(baud)
        pair.wait(10_000, 1_000)
        message = bytes(range(200))
        pair.line.write(message)
        pair.wait(300 * pair.uart.byte_us, 500)
        assert pair.bytes_sent() == message
        (up_us, up), (down_us, down) = pair.send.log
        assert (up, down) == (1, 0)
        assert up_us <= pair.taken_us
        last_us = pair.uart.sent[-1][0]
        assert last_us <= down_us <= last_us + RELEASE_LOOK_US + 10, baud


def test_the_pair_is_let_go_though_the_main_loop_is_away():
    pair = Pair()
    pair.line.write(b"x" * 16)
    pair.wait(100_000)  # no turn of the main loop at all
    last_us = pair.uart.sent[-1][0]
    down_us, level = pair.send.log[-1]
    assert level == 0 and last_us <= down_us <= last_us + RELEASE_LOOK_US + 10
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of silence, 1.75 ms above 19200 baud.
    assert down_us - last_us < 1_750


def test_the_timer_runs_only_while_something_is_sent():
    pair = Pair()
    timer = pair.chip.timers[0]
    assert timer.due_us is None
    pair.line.write(b"x")
    assert timer.due_us is not None
    pair.wait(5_000, 500)
    assert timer.due_us is None
    pair.line.write(b"y")
    assert timer.due_us is not None
    pair.wait(5_000, 500)
    assert timer.due_us is None and pair.bytes_sent() == b"xy"


def test_what_a_uart_takes_only_in_part_goes_out_whole_with_the_pair_held():
    for accepts in (1, 7, 100):
        pair = Pair(115_200, accepts=accepts)
        message = bytes([n % 251 for n in range(300)])
        pair.line.write(message)
        pair.wait(400_000, 200)
        assert pair.bytes_sent() == message
        assert [level for _, level in pair.send.log] == [1, 0]


def test_more_than_the_uart_holds_goes_out_in_turns():
    pair = Pair(115_200)
    message = bytes([n % 251 for n in range(BUS_BYTES)])
    pair.line.write(message[:100])
    pair.line.write(message[100:])
    pair.wait(400_000, 1_000)
    assert pair.bytes_sent() == message
    assert pair.line.dropped == 0


def test_a_message_that_finds_no_room_is_dropped_whole():
    pair = Pair()
    pair.line.write(b"a" * 600)
    pair.line.write(b"b" * 1000)
    pair.line.write(b"c" * 10)
    assert pair.line.dropped == 1
    pair.wait(2_000_000, 1_000)
    assert pair.bytes_sent() == b"a" * 600 + b"c" * 10


def test_a_line_without_direction_needs_neither_pin_nor_timer():
    chip = Chip()
    uart = Machine(chip).UART(1, 115_200, txbuf=UART_BYTES)
    line = UartLine(uart, 4096)
    line.write(b"z" * 2_000)
    for _ in range(1_000):
        chip.spend(1_000)
        line.poll()
    assert len(uart.sent) == 2_000
    uart.hear(b"*IDN?\n")
    assert line.look()
    assert line.read() == b"*IDN?\n"
    assert not line.look() and line.read() == b""


def test_what_comes_after_the_look_waits_for_the_next_one():
    chip = Chip()
    uart = Machine(chip).UART(1, 115_200, txbuf=UART_BYTES)
    line = UartLine(uart, 4096)
    uart.hear(b"ab")
    assert line.look()
    uart.hear(b"cd")
    assert line.look()
    assert line.read() == b"ab"
    assert line.read() == b""
    assert line.look()
    assert line.read() == b"cd"


# ---- USB -----------------------------------------------------------------------------------------


def usb(most_bytes=4096):
    stream = Stream(Chip())
    return stream, UsbLine(Select(), Sys(stream), most_bytes)


def test_all_bytes_come_through_usb_both_ways_and_nothing_waits():
    stream, line = usb()
    every = bytes(range(256))
    assert not line.look() and line.read() == b""
    stream.incoming = every
    heard = b""
    while line.look():
        piece = line.read()
        assert 0 < len(piece) <= READ_BYTES
        heard += piece
    assert heard == every
    line.write(every)
    for _ in range(-(-256 // SEND_BYTES)):
        line.poll()
    assert stream.said == every


def test_a_host_that_does_not_read_holds_up_nobody_and_gets_whole_messages_later():
    stream, line = usb(1_000)
    stream.listens = False
    stream.room = 100
    messages = [bytes([97 + number]) * 200 for number in range(8)]
    for message in messages:
        line.write(message)
        line.poll()
    assert len(stream.said) == 100
    assert line.dropped > 0
    stream.listens = True
    stream.room = 100
    for _ in range(100):
        line.poll()
    said = stream.said
    while said:
        assert said[:200] in messages
        said = said[200:]
    assert len(stream.said) == (len(messages) - line.dropped) * 200


def test_a_host_that_has_gone_holds_up_the_main_loop_once():
    # MicroPython 1.28: with the port open and the cable pulled `poll` tells of room, and a write of
    # a byte that finds none takes nothing after MICROPY_HW_USB_CDC_TX_TIMEOUT, 500 ms.
    stream, line = usb()
    write = stream.write
    held_up = []

    def gone(data):
        held_up.append(bytes(data))
        return 0

    stream.write = gone
    line.write(b"for nobody" * 20)
    for _ in range(10):
        line.poll()
    assert len(held_up) == 1 and line.dropped == 1
    stream.write = write
    line.write(b"abc")
    line.poll()
    assert stream.said == b"abc"
