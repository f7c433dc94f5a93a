"""The master of a Modbus RTU line: one question, one answer, and no mistaking one for another.

Theory of operation
-------------------
A frame of Modbus RTU carries no number that would say which question it answers.  An answer that
comes after its time-out would be taken for the answer to the next question of the same kind, and so
a repeated question is the classic way to read the wrong registers.  Therefore a module that has
once not answered in time is out of step, and before it is asked anything else it must send back a
number it has never been sent before (function 8, sub-function 0, which every module has).  Nothing
overtakes on a wire: whatever comes before that number is old.

Every question waits until the line has been silent for 3.5 characters, and drops what it hears
until then.  An answer is looked for anywhere in what comes: by address, function, length, check sum
and by what it must repeat of its question.  What modules of other addresses say is passed over.

Why not pymodbus's client?  It repeats by itself, with no such proof between; it lives in real time
only, where this one talks to simulated modules in virtual time through the same code; and what is
needed of it is the hundred lines below.  It is used where it is better: in the tests, as a master
that shares nothing with the firmware.
"""

import struct
from typing import Self

from controller.link.modbus_frame import crc16, framed
from hostsim.errors import AnswerTimeoutError, LinkError, ModuleError
from hostsim.wires import SerialWire, Wire, come_back

BAUD = 19_200  # default speed and parity of MODBUS over Serial Line V1.02
PARITY = "E"
CHARACTER_BITS = 11
SILENT_CHARACTERS = 3.5
SILENCE_LEAST_S = 0.00175  # what 3.5 characters count as above 19,200 baud
TRIES = 4  # how often a harmless question is asked before its loss is reported
HEARD_BYTES_MAX = 4096  # kept while an answer is looked for: sixteen of the longest frames

READ_REGISTERS = 3
WRITE_COIL = 5
ECHO = 8
WRITE_REGISTERS = 16
WRITE_AND_READ_REGISTERS = 23
DEVICE_IDENTIFICATION = 43
EXCEPTION = 0x80


class ModbusException(ModuleError):  # noqa: N818  what the standard calls it
    """The module answered with an exception; `.code` is 1 to 4 or 6."""

    def __init__(self, code: int) -> None:
        super().__init__(f"the module answered with Modbus exception {code}")
        self.code = code


class ModbusMaster:
    """The line. `port` is a device path or port name, or a `Wire`.

    `timeout_s` bounds the wait for one answer, `reconnect_s` that for a lost line to return.
    Raises LinkError when the port cannot be opened.
    """

    def __init__(
        self,
        port: str | Wire,
        *,
        baud: int = BAUD,
        parity: str = PARITY,
        timeout_s: float = 0.5,
        reconnect_s: float = 10.0,
    ) -> None:
        self.wire = SerialWire(port, baud, parity) if isinstance(port, str) else port
        self._timeout_s = timeout_s
        self._reconnect_s = reconnect_s
        self._silence_s = max(SILENCE_LEAST_S, SILENT_CHARACTERS * CHARACTER_BITS / baud)
        self._in_step: set[int] = set()  # addresses whose next answer can be no old one
        self._echoes = 0
        self._open(0)

    def close(self) -> None:
        """Let go of the line; open requests go on."""
        self.wire.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def exchange(self, address: int, pdu: bytes, *, repeatable: bool = True) -> bytes:
        """Send the question `pdu` (function code first) and return the answer's.

        It is asked again when no answer comes, unless it is not `repeatable`: then LinkError means
        that it may have been heard or not. Raises ModbusException when refused.
        """
        for tries_left in reversed(range(TRIES)):
            asked = False
            try:
                self._get_in_step(address)
                asked = True
                answer = self._ask(address, pdu)
                break
            except LinkError as lost:
                self._in_step.discard(address)
                if not isinstance(lost, AnswerTimeoutError):
                    self._open(self._reconnect_s)
                if not tries_left or (asked and not repeatable):
                    raise
        if answer[0] & EXCEPTION:
            raise ModbusException(answer[1])
        return answer

    def _open(self, within_s: float) -> None:
        self._in_step.clear()
        come_back(self.wire, within_s, lambda: None)

    def _get_in_step(self, address: int) -> None:
        if address not in self._in_step:
            self._echoes = (self._echoes + 1) % 0x10000
            self._ask(address, struct.pack(">BHH", ECHO, 0, self._echoes))
            self._in_step.add(address)

    def _ask(self, address: int, pdu: bytes) -> bytes:
        """Ask once. AnswerTimeoutError if no answer comes."""
        wire = self.wire
        deadline_s = wire.clock_s() + self._timeout_s
        while wire.read(self._silence_s):
            if wire.clock_s() > deadline_s:
                raise AnswerTimeoutError(f"{wire.name} is never silent: is this the baud rate?")
        wire.write(framed(address, pdu))
        deadline_s = wire.clock_s() + self._timeout_s
        heard = b""
        while (left_s := deadline_s - wire.clock_s()) > 0:
            heard = (heard + wire.read(left_s))[-HEARD_BYTES_MAX:]
            answer = find_answer(heard, address, pdu)
            if answer is not None:
                return answer
        raise AnswerTimeoutError(
            f"no answer from address {address} on {wire.name} within {self._timeout_s:g} s: "
            "is a module with this address on it, at this baud rate, speaking Modbus?"
        )


def find_answer(heard: bytes, address: int, question: bytes) -> bytes | None:
    """The PDU of an answer to `question` from `address`, anywhere in `heard`; None if none is."""
    for start in range(len(heard) - 1):
        if heard[start] == address and heard[start + 1] & ~EXCEPTION == question[0]:
            size = answer_size(heard[start + 1 :], question)
            end = start + 1 + size + 2
            if size and end <= len(heard) and crc16(heard, start, end) == 0:
                return heard[start + 1 : end - 2]
    return None


def answer_size(pdu: bytes, question: bytes) -> int:
    """Bytes of the answer's PDU that begins so; 0: no answer to `question`, or not all there.

    Lengths from MODBUS Application Protocol V1.1b3, section 6.
    """
    function = pdu[0]
    if function & EXCEPTION:
        return 2
    if function in (READ_REGISTERS, WRITE_AND_READ_REGISTERS):
        count = struct.unpack_from(">H", question, 3)[0]
        return 2 + 2 * count if pdu[1:2] == bytes([2 * count]) else 0
    if function == DEVICE_IDENTIFICATION:
        return identification_size(pdu) if pdu[1:3] == question[1:3] else 0
    return 5 if pdu[:5] == question[:5] else 0  # all others repeat what they were asked


def identification_size(pdu: bytes) -> int:
    """Bytes of an answer to function 43/14, which tells the length of each object; 0: to come."""
    if len(pdu) < 7:
        return 0
    size = 7
    for _ in range(pdu[6]):
        if len(pdu) < size + 2:
            return 0
        size += 2 + pdu[size + 1]
    return size
