"""No malformed input moves the motor, and the next good frame is understood.

Every message here began as one that does move the motor, and was then spoiled in a way that leaves
no doubt that it is not one any more; or it is noise.  The real firmware hears it in a whole module,
ready to move, and what counts are the orders at the drive.  (What the line makes of 200,000 bytes
of noise, with nothing behind it, is tested beside the link.)
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.board import BUS
from hostsim.engine import InProcess
from hostsim.module import SimModule
from hostsim.recorder import Recorder
from tests.controller.link.bus import frame
from tests.controller.link.test_modbus_functions import COMMAND, order, pdu
from tests.invariants.bench import CONFIGS, EXECUTE, SECOND_US, Bench
from tests.invariants.effort import effort

ETX = b"\x03"
MESSAGE_MAX = 256
# Mode of the unit -> messages that move the motor in it.
MOVING = {
    "PROD": ["REQ:OPEN 1,5", "REQuest:OPEN 1, 5", ":REQ:OPEN #H1,5;PROG?"],
    "MAIN": ["MAIN:JOG 500000", "MAIN:JOG -3E5", "MAINtenance:PURGe 3", "MAIN:REG", "MAIN:PURG"],
    "MAN": ["MAIN:IND", "MAINtenance:INDex"],
}
CASES = [(mode, message.encode()) for mode, messages in MOVING.items() for message in messages]
CASE = st.sampled_from(CASES)


class Ready:
    """A module in Execute in that unit mode, that moves as soon as it is told to."""

    def __init__(self, mode: str) -> None:
        self.recorder = Recorder(InProcess())
        self.module = SimModule(CONFIGS["m4_nut"], 1, "none", self.recorder)
        self.bench = Bench(self.module)
        self.module.tell(f"UNIT:MODE {mode}")
        self.bench.ready()
        assert self.recorder.moves == []

    def say(self, data: bytes, pieces: list[int]) -> None:
        """Send bytes in pieces of these lengths, as a line brings them; the rest at once."""
        for length in pieces:
            self.module.write(data[:length])
            self.bench.wait(87 * length)
            data = data[length:]
        self.module.write(data)
        self.bench.wait(SECOND_US // 5)

    def check_still(self) -> None:
        """Nothing has moved, and what is said properly now is understood."""
        assert self.recorder.moves == []
        self.module.read()
        assert self.module.ask("*CLS;*IDN?", SECOND_US).startswith("Tallywheel,nut module,")
        assert self.bench.ask("UNIT:STAT?", SECOND_US) == [EXECUTE]
        assert self.recorder.moves == []

    def check_moves(self, message: bytes) -> None:
        """A good message still moves."""
        self.say(message + b"\n", [])
        assert self.recorder.moves != []


@st.composite
def spoiled(draw: st.DrawFn, message: bytes) -> bytes:
    """A message that was good, in one of the ways in which lines and hosts spoil them."""
    header, space, data = message.partition(b" ")
    at = draw(st.integers(0, len(message) - 1))
    in_header = draw(st.integers(1, len(header) - 1))
    how = draw(st.sampled_from(SPOILERS))
    if how == "bit 7":  # wrong parity
        return message[:at] + bytes([message[at] | 0x80]) + message[at + 1 :]
    if how == "byte lost":
        return header[: in_header - 1] + header[in_header:] + b"Q" * (in_header == 1) + space + data
    if how == "byte more":
        return header[:in_header] + draw(st.sampled_from(b"QXZ_9")).to_bytes() + header[in_header:]
    if how == "torn off":
        return header[:in_header]
    if how == "cleared away":
        return message[: at + 1] + ETX
    if how == "too long":
        return message + b" " * MESSAGE_MAX
    if how == "good, then bad":
        return message + b";" + draw(st.sampled_from((b"NOPE", b"*IDN", b"UNIT:COMM", b'"', b",")))
    if how == "one datum too many":
        return message + (b"," if space else b" ") + b"1,1,1"
    if how == "text for a number":
        return header + b" ONE,FIVE"
    return header + b" 999999999,999999999"  # out of range, or too many


SPOILERS = (
    "bit 7",
    "byte lost",
    "byte more",
    "torn off",
    "cleared away",
    "too long",
    "good, then bad",
    "one datum too many",
    "text for a number",
    "out of range",
)


@effort(30)
@given(case=CASE, pieces=st.lists(st.integers(1, 20), max_size=4), data=st.data())
def test_a_spoiled_message_moves_nothing(
    case: tuple[str, bytes], pieces: list[int], data: st.DataObject
) -> None:
    mode, message = case
    ready = Ready(mode)
    for _ in range(4):
        ready.say(data.draw(spoiled(message)) + b"\n", pieces)
        ready.check_still()
    ready.check_moves(message)


@effort(25)
@given(
    mode=st.sampled_from(list(MOVING)),
    noise=st.lists(
        st.one_of(
            st.binary(max_size=300),
            st.text("REQUSTOPNMAIJGL:;*?,# 019\"'", max_size=300).map(str.encode),
        ),
        min_size=1,
        max_size=8,
    ),
    pieces=st.lists(st.integers(1, 100), max_size=4),
)
def test_noise_moves_nothing(mode: str, noise: list[bytes], pieces: list[int]) -> None:
    """No draw of these alphabets spells a whole message: they lack a letter of every verb."""
    ready = Ready(mode)
    for burst in noise:
        ready.say(burst + b"\n", pieces)
    ready.check_still()


@pytest.mark.parametrize(("mode", "message"), CASES)
def test_the_messages_do_move_while_they_are_good(mode: str, message: bytes) -> None:
    """A control."""
    Ready(mode).check_moves(message)


# ---- the bus --------------------------------------------------------------------------------

ADDRESS = 1
RESET, START = 1, 2


def on_the_bus() -> tuple[SimModule, Recorder]:
    """A module that its bus has brought to Execute."""
    recorder = Recorder(InProcess())
    module = SimModule(CONFIGS["m4_nut"], 1, "none", recorder)
    for command in (RESET, START):
        module.board.write(frame(pdu(6, COMMAND, command), ADDRESS), BUS)
        module.run_until(module.now_us + SECOND_US)
    assert module.board.read(BUS) != b""
    return module, recorder


@effort(25)
@given(flips=st.lists(st.sets(st.integers(0, 8 * 15 - 1), min_size=1, max_size=3), max_size=8))
def test_a_frame_with_up_to_three_wrong_bits_moves_nothing(flips: list[set[int]]) -> None:
    """CRC-16 tells any three: its Hamming distance is 4 over much longer frames than these."""
    module, recorder = on_the_bus()
    good = frame(order(1, 5), ADDRESS)
    assert len(good) == 15
    for bits in flips:
        number = int.from_bytes(good)
        for bit in bits:
            number ^= 1 << bit
        module.board.write(number.to_bytes(len(good)), BUS)
        module.run_until(module.now_us + SECOND_US // 10)
        assert recorder.moves == []
        assert module.board.read(BUS) == b""
    module.board.write(good, BUS)
    module.run_until(module.now_us + SECOND_US)
    assert recorder.moves != []
