"""The functions of the Modbus server: a request's PDU in, the answer's PDU out.

What is wrong with a request is found in the order of the standard's state diagrams (MODBUS
Application Protocol V1.1b3, section 6): function known (exception 1); quantities, values and
lengths as the function defines them (3); addresses (2); and only then is anything carried out, as
a whole or not at all (3, 4, 6).  A write must name exactly one block of registers: half of one, or
parts of two, is no address (2), because its parts could not take effect as one.
"""

import struct

from controller.cycle.unit import EXECUTE
from controller.link.authority import PROTECTED
from controller.link.refusal import ILLEGAL_VALUE, OUT_OF_RANGE, SETTINGS_CONFLICT, Refused

# Exceptions.
ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_DATA = 3
DEVICE_FAILURE = 4
BUSY = 6

# Most items of one request (V1.1b3, section 6).
READ_BITS_MAX = 2000
READ_REGISTERS_MAX = 125
WRITE_COILS_MAX = 1968
WRITE_REGISTERS_MAX = 123
READ_WRITE_MAX = 121  # to be written by function 23

WRITE_COIL = 5
WRITE_REGISTER = 6
WRITE_COILS = 15
WRITE_REGISTERS = 16
READ_WRITE_REGISTERS = 23
BROADCASTS = (WRITE_COIL, WRITE_REGISTER, WRITE_COILS, WRITE_REGISTERS)
WRITES = BROADCASTS + (READ_WRITE_REGISTERS,)
COIL_ON = 0xFF00
COIL_OFF = 0

# Sub-functions of 8, diagnostics.
RETURN_QUERY = 0
CLEAR_COUNTERS = 10
FIRST_COUNTER = 11
CLEAR_OVERRUN = 20

# Function 43, MEI type 14: read device identification.
DEVICE_IDENTIFICATION = 14
BASIC, REGULAR, EXTENDED, ONE_OBJECT = 1, 2, 3, 4
CONFORMITY = 0x83  # extended identification, as a stream and one by one
SERIAL_OBJECT = 0x80  # the first of those that the standard leaves to the product
_LAST_OBJECT = {BASIC: 2, REGULAR: 0x7F, EXTENDED: 0xFF}
PRODUCT_CODE = "TW-D"
PRODUCT_NAME = "Dispensing module"

RUNNING = 0xFF


class Rejected(Exception):  # noqa: N818  an exception reply is an answer, not a fault
    """A request that is answered by an exception. Nothing has changed."""

    def __init__(self, code):
        super().__init__(code)
        self.code = code


class Functions:
    """The function codes in front of one bank."""

    def __init__(self, bank, counters):
        """`counters`: what function 8 reads, an object with `read(sub-function)` and `clear()`."""
        self._bank = bank
        self._counters = counters

    def carry_out(self, pdu):
        """Return the answer's PDU; raises Rejected."""
        function = _FUNCTIONS.get(pdu[0])
        if function is None:
            raise Rejected(ILLEGAL_FUNCTION)
        return pdu[:1] + function(self, pdu)

    # ---- bits -----------------------------------------------------------------------------------

    def _read_coils(self, pdu):
        """Every coil reads 0: what it starts is over as far as the coil goes."""
        _, count = _range(pdu, READ_BITS_MAX, self._bank.coils)
        return _bits([0] * count)

    def _read_inputs(self, pdu):
        start, count = _range(pdu, READ_BITS_MAX, self._bank.inputs)
        return _bits(self._bank.read_inputs(start, count))

    def _write_coil(self, pdu):
        address, value = _two_words(pdu)
        _allow(value in (COIL_ON, COIL_OFF), ILLEGAL_DATA)
        _allow(address < len(self._bank.coils), ILLEGAL_ADDRESS)
        if value == COIL_ON:
            self._attempt(self._bank.write_coil, address)
        return pdu[1:]

    def _write_coils(self, pdu):
        """At most one of them may be set: two operations could not be refused as one."""
        _allow(len(pdu) >= 6, ILLEGAL_DATA)
        start, count, size = struct.unpack_from(">HHB", pdu, 1)
        _allow(1 <= count <= WRITE_COILS_MAX, ILLEGAL_DATA)
        _allow(size == (count + 7) // 8 and len(pdu) == 6 + size, ILLEGAL_DATA)
        _allow(start + count <= len(self._bank.coils), ILLEGAL_ADDRESS)
        chosen = [at for at in range(count) if pdu[6 + at // 8] >> at % 8 & 1]
        _allow(len(chosen) <= 1, ILLEGAL_DATA)
        if chosen:
            self._attempt(self._bank.write_coil, start + chosen[0])
        return pdu[1:5]

    # ---- registers ------------------------------------------------------------------------------

    def _read_registers(self, pdu):
        start, count = _two_words(pdu)
        _allow(1 <= count <= READ_REGISTERS_MAX, ILLEGAL_DATA)
        return self._registers(start, count)

    def _write_register(self, pdu):
        address, _ = _two_words(pdu)
        self._write(self._block(address, 1), pdu[3:])
        return pdu[1:]

    def _write_registers(self, pdu):
        _allow(len(pdu) >= 6, ILLEGAL_DATA)
        start, count, size = struct.unpack_from(">HHB", pdu, 1)
        _allow(1 <= count <= WRITE_REGISTERS_MAX, ILLEGAL_DATA)
        _allow(size == 2 * count and len(pdu) == 6 + size, ILLEGAL_DATA)
        self._write(self._block(start, count), pdu[6:])
        return pdu[1:5]

    def _read_write_registers(self, pdu):
        """Write, then read; nothing is written if the read could not follow."""
        _allow(len(pdu) >= 10, ILLEGAL_DATA)
        start, count, to, size_to, size = struct.unpack_from(">HHHHB", pdu, 1)
        _allow(1 <= count <= READ_REGISTERS_MAX and 1 <= size_to <= READ_WRITE_MAX, ILLEGAL_DATA)
        _allow(size == 2 * size_to and len(pdu) == 10 + size, ILLEGAL_DATA)
        _allow(self._bank.has_registers(start, count), ILLEGAL_ADDRESS)
        self._write(self._block(to, size_to), pdu[10:])
        return self._registers(start, count)

    def _registers(self, start, count):
        words = self._bank.read_registers(start, count)
        _allow(words is not None, ILLEGAL_ADDRESS)
        return bytes([2 * count]) + words

    def _block(self, start, count):
        block = self._bank.writable(start, count)
        _allow(block is not None, ILLEGAL_ADDRESS)
        return block

    def _write(self, block, data):
        self._attempt(self._bank.write_registers, block, data)

    def _attempt(self, call, *values):
        """Make a call that may be refused; the refusal's number says which exception it is."""
        try:
            call(*values)
        except Refused as refused:
            code = self._exception(refused.number)
        else:
            return
        raise Rejected(code)

    def _exception(self, refusal):
        """Return the exception for a refusal: busy is what goes away by itself."""
        if refusal in (OUT_OF_RANGE, ILLEGAL_VALUE):
            return ILLEGAL_DATA
        if refusal == PROTECTED or (refusal == SETTINGS_CONFLICT and self._bank.desk.busy()):
            return BUSY
        return DEVICE_FAILURE

    # ---- the server itself ----------------------------------------------------------------------

    def _diagnose(self, pdu):
        _allow(len(pdu) >= 3, ILLEGAL_DATA)
        sub = pdu[1] << 8 | pdu[2]
        if sub == RETURN_QUERY:
            return pdu[1:]
        value = self._counters.read(sub)
        _allow(value is not None or sub in (CLEAR_COUNTERS, CLEAR_OVERRUN), ILLEGAL_FUNCTION)
        _allow(pdu[3:] == b"\x00\x00", ILLEGAL_DATA)
        if value is not None:
            return pdu[1:3] + struct.pack(">H", value)
        if sub == CLEAR_COUNTERS:
            self._counters.clear()
        return pdu[1:]

    def _report_server(self, pdu):
        """Name and version as the server's id, then whether the unit is in service."""
        _allow(len(pdu) == 1, ILLEGAL_DATA)
        maker, model, _, version = self._bank.desk.identity
        running = RUNNING if self._bank.desk.unit.state == EXECUTE else 0
        name = f"{maker} {model} {version}".encode()
        return bytes([len(name) + 1]) + name + bytes([running])

    def _identify(self, pdu):
        """Read device identification. All of it fits into one answer, so none ever follows."""
        _allow(len(pdu) >= 2, ILLEGAL_DATA)
        _allow(pdu[1] == DEVICE_IDENTIFICATION, ILLEGAL_FUNCTION)
        _allow(len(pdu) == 4 and BASIC <= pdu[2] <= ONE_OBJECT, ILLEGAL_DATA)
        level, first = pdu[2:4]
        objects = self._objects()
        if level == ONE_OBJECT:
            chosen = [item for item in objects if item[0] == first]
            _allow(chosen, ILLEGAL_ADDRESS)
        else:  # a stream begins anew where it is asked to begin after its end
            last = max([item[0] for item in objects if item[0] <= _LAST_OBJECT[level]])
            begin = 0 if first > last else first
            chosen = [item for item in objects if begin <= item[0] <= last]
        answer = pdu[1:3] + bytes([CONFORMITY, 0, 0, len(chosen)])
        for number, text in chosen:
            value = text.encode()
            answer += bytes([number, len(value)]) + value
        return answer

    def _objects(self):
        """(number, text): vendor, product code, version; product, model, application; serial."""
        desk = self._bank.desk
        maker, model, serial, version = desk.identity
        return (
            (0, maker),
            (1, PRODUCT_CODE),
            (2, version),
            (4, PRODUCT_NAME),
            (5, model),
            (6, desk.settings.part_name),
            (SERIAL_OBJECT, serial),
        )


_FUNCTIONS = {
    1: Functions._read_coils,
    2: Functions._read_inputs,
    3: Functions._read_registers,
    4: Functions._read_registers,
    WRITE_COIL: Functions._write_coil,
    WRITE_REGISTER: Functions._write_register,
    8: Functions._diagnose,
    WRITE_COILS: Functions._write_coils,
    WRITE_REGISTERS: Functions._write_registers,
    17: Functions._report_server,
    READ_WRITE_REGISTERS: Functions._read_write_registers,
    43: Functions._identify,
}


def _allow(condition, code):
    if not condition:
        raise Rejected(code)


def _two_words(pdu):
    _allow(len(pdu) == 5, ILLEGAL_DATA)
    return struct.unpack_from(">HH", pdu, 1)


def _range(pdu, most, items):
    """Return (start, count) of a read of `items`."""
    start, count = _two_words(pdu)
    _allow(1 <= count <= most, ILLEGAL_DATA)
    _allow(start + count <= len(items), ILLEGAL_ADDRESS)
    return start, count


def _bits(values):
    """Return a byte count and the bits, the first in the lowest bit of the first byte."""
    packed = bytearray((len(values) + 7) // 8)
    for at in range(len(values)):
        packed[at // 8] |= values[at] << at % 8
    return bytes([len(packed)]) + bytes(packed)
