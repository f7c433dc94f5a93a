"""Client for one dispensing module on a Modbus RTU line.

    with ModbusMaster("/dev/ttyUSB0") as line:
        nuts, washers = ModbusClient(line, 1), ModbusClient(line, 2)
        nuts.make_ready()
        print(nuts.request(8).outcome)

Theory of operation
-------------------
It is the client of the SCPI line (`hostsim.client`) on another link, and answers in the
same types.  Where a block of registers lies and what is in it comes from the firmware's own table
(`controller.link.registers`), so that no address stands here.  A block is read in one exchange,
which the module answers as of one instant, and written in one, which takes effect as a whole.

A module refuses with a bare exception number.  Why it did is in its registers, which are read
then, so `DeviceError` carries the same numbers on both links.
"""

import struct

from controller.cycle import causes, unit
from controller.link import scpi_errors
from controller.link.registers import BLOCKS, COILS, words_of
from hostsim.answers import (
    Authority,
    Cause,
    ChartOf,
    Counters,
    Drift,
    Identity,
    Magazine,
    Progress,
    Result,
    convert,
)
from hostsim.dispenser import Dispenser
from hostsim.errors import DeviceError, ProtocolError
from hostsim.modbus_master import (
    DEVICE_IDENTIFICATION,
    READ_REGISTERS,
    WRITE_AND_READ_REGISTERS,
    WRITE_COIL,
    WRITE_REGISTERS,
    ModbusException,
    ModbusMaster,
)
from hostsim.words import Inputs, LinkName, Questionable, UnitMode, UnitState

FORMATS = "HhIi"  # by kind of a register
BLOCK = {block[1]: block for block in BLOCKS}  # by name
COIL = {coil[0]: address for address, coil in enumerate(COILS)}
COMMANDS = {name.lower(): number for number, name in enumerate(unit.COMMANDS)}
STALE = -230  # SCPI-1999: Data corrupt or stale
REASON_LOST = -200  # SCPI-1999: Execution error; the power went before the reason was read
MEI_IDENTIFICATION = 14
EXTENDED = 3  # all objects there are
COIL_ON = 0xFF00
VENDOR, VERSION, MODEL, PART, SERIAL = 0, 2, 5, 6, 0x80  # objects of the device identification


class ModbusClient(Dispenser):
    """The module with that address on the line of `master`, which stays the caller's.

    `poll_s` is the pause between two looks at an open request.
    """

    def __init__(self, master: ModbusMaster, address: int, *, poll_s: float = 0.2) -> None:
        super().__init__(master.wire, poll_s)
        self.address = address
        self._master = master

    # -- exchange -----------------------------------------------------------------------------

    def read(self, name: str) -> list[int]:
        """The values of a block of registers."""
        question = bytes([READ_REGISTERS]) + span(name)
        return unpacked(name, self._exchange(question))

    def write(self, name: str, *values: int, repeatable: bool = False) -> None:
        """Write a block of registers. DeviceError if that is refused."""
        self._exchange(bytes([WRITE_REGISTERS]) + packed(name, values), repeatable)

    def start(self, coil: str) -> None:
        """Start what a coil stands for. DeviceError if that is refused."""
        self._exchange(struct.pack(">BHH", WRITE_COIL, COIL[coil], COIL_ON), False)

    def _exchange(self, question: bytes, repeatable: bool = True) -> bytes:
        try:
            return self._master.exchange(self.address, question, repeatable=repeatable)
        except ModbusException as refused:
            number = self.read("refusals")[0] or REASON_LOST
            raise DeviceError(number, scpi_errors.text(number)) from refused

    # -- the module ---------------------------------------------------------------------------

    def identity(self) -> Identity:
        """Who made the module, what it is, its serial number, its firmware's version."""
        objects = self._objects()
        return Identity(objects[VENDOR], objects[MODEL], objects[SERIAL], objects[VERSION])

    def part_name(self) -> str:
        return self._objects()[PART]

    def _objects(self) -> dict[int, str]:
        """The objects of the device identification."""
        question = bytes([DEVICE_IDENTIFICATION, MEI_IDENTIFICATION, EXTENDED, 0])
        answer = self._exchange(question)
        objects, at = {}, 7
        for _ in range(answer[6]):
            size = answer[at + 1]
            objects[answer[at]] = answer[at + 2 : at + 2 + size].decode("ascii", "replace")
            at += 2 + size
        return objects

    def state(self) -> UnitState:
        return convert(UnitState, self.read("unit")[0])

    def mode(self) -> UnitMode:
        return convert(UnitMode, self.read("unit")[1])

    def cause(self) -> Cause:
        code = self.read("unit")[2]
        return Cause(code, *words_of_cause(code))

    def inputs(self) -> Inputs:
        """Guard, magazine, receiver and drive, as the module sees them now."""
        return Inputs(self.read("signals")[0])

    def questionable(self) -> Questionable:
        """What is in doubt now."""
        return Questionable(self.read("signals")[2])

    def give(self, command: str) -> None:
        self.write("command", COMMANDS[command])

    def change_mode(self, mode: UnitMode) -> None:
        """Go to another mode. DeviceError unless the unit is stopped, idle or aborted."""
        self.write("mode", mode, repeatable=True)

    def authority(self) -> Authority:
        """Which link is in command, and for how long."""
        owner, local, left_ms = self.read("authority")
        link = convert(LinkName, owner)
        return Authority(link, link.name, bool(local), left_ms)

    # -- requests -----------------------------------------------------------------------------

    def order(self, ticket: int, quantity: int) -> None:
        self.write("request", ticket, quantity, repeatable=True)

    def progress(self) -> Progress:
        return Progress.of(self.read("progress"))

    def result(self, ticket: int) -> Result:
        choice = packed("selection", (ticket,))
        question = bytes([WRITE_AND_READ_REGISTERS]) + span("selected") + choice
        values = unpacked("selected", self._exchange(question))
        if values[0] == 0:
            raise DeviceError(STALE, f"{scpi_errors.text(STALE)};no result for ticket {ticket}")
        return Result.of(values)

    def tickets(self) -> list[int]:
        return [ticket for ticket in self.read("kept") if ticket]

    def cancel_request(self) -> None:
        """Have the open request closed early; what is already out is in its result."""
        self.start("cancel")

    # -- magazine and sprocket ----------------------------------------------------------------

    def load_magazine(self, parts: int) -> None:
        """Tell the module that `parts` more have been put into its magazine."""
        self.write("load", parts)

    def magazine(self) -> Magazine:
        """Parts thought to be in the magazine, and how many it holds."""
        return Magazine.of(self.read("magazine"))

    def counters(self) -> Counters:
        """What the sprocket has done since it was changed."""
        return Counters.of(self.read("sprocket"))

    def drift(self) -> Drift:
        """Whether parts still fall as they were learned to, and what to do if not."""
        code, direction = self.read("drift")
        return Drift(code, *words_of_cause(code), direction)

    def release_phase(self) -> ChartOf:
        """Where the sprocket stands when a pocket lets go, past the nominal edge, in mdeg."""
        return ChartOf.of(self.read("phase"))

    def pulse_width(self) -> ChartOf:
        """How long a part darkens the beam, in us."""
        return ChartOf.of(self.read("width"))


def words_of_cause(code: int) -> tuple[str, str]:
    """Text and remedy of a cause, which a bus does not carry."""
    try:
        _, _, _, text, remedy = causes.cause(code)
    except KeyError:  # a newer firmware than this host knows
        return "unknown cause", "look at the module"
    return text, remedy


def span(name: str) -> bytes:
    """First address and number of registers of a block."""
    return struct.pack(">HH", BLOCK[name][0], words_of(BLOCK[name]))


def layout(name: str) -> str:
    """The registers of a block in the notation of `struct`."""
    return ">" + "".join(FORMATS[row[1]] for row in BLOCK[name][5])


def unpacked(name: str, answer: bytes) -> list[int]:
    """The values of a block, from an answer that carries its registers."""
    size = 2 * words_of(BLOCK[name])
    if len(answer) != 2 + size:
        raise ProtocolError(f"the module answered {len(answer) - 2} bytes of registers, not {size}")
    return list(struct.unpack_from(layout(name), answer, 2))


def packed(name: str, values: tuple[int, ...]) -> bytes:
    """A block to be written, as functions 16 and 23 have it: its span, byte count, registers."""
    data = struct.pack(layout(name), *values)
    return span(name) + bytes([len(data)]) + data
