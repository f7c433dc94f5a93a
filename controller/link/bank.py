"""The bank: what registers, coils and discrete inputs hold, and what writing them does.

The tables of `controller.link.registers` say through which call each is read or written; the bank
makes those calls and turns values into words and bits and back.  It checks nothing that has to do
with frames, and knows no function code.  What it reads in one call is as of one instant.

The tables are more than a board need remember: they are borrowed (`controller.borrow`), and what
is not for people is kept.

What the desk refuses is noted, because a bus answers with a bare exception number: the SCPI error
number of the last refusal is itself a register.
"""

import struct

from controller.borrow import borrow
from controller.cycle.orders import RESULTS_KEPT
from controller.link.refusal import OUT_OF_RANGE, Refused
from controller.link.registers import MAP_VERSION

_FORMATS = "HhIi"
# Counts beyond what a register holds stay at its end; nobody should mistake a large one for none.
_LOWEST = (0, -0x8000, 0, -0x80000000)
_HIGHEST = (0xFFFF, 0x7FFF, 0xFFFFFFFF, 0x7FFFFFFF)

_NO_RESULT = (0,) * 9
# Paths of what may change while all is still: by the clock, and with what a robot does.
_FLEETING = ("authority", "wires")


class Bank:
    """Registers and bits in front of one desk; `coils` and `inputs` as far as a frame may ask."""

    def __init__(self, desk):
        self.desk = desk
        tables = borrow("controller.link.registers")
        # (first address, the one behind the last, format of the words, read, write, allowed)
        self._blocks = [
            (
                block[0],
                block[0] + tables.words_of(block),
                ">" + "".join([_FORMATS[row[1]] for row in block[5]]),
                block[3],
                block[4],
                [(row[0], row[5], row[6]) for row in block[5]] if block[4] else None,
            )
            for block in tables.BLOCKS
        ]
        self.coils = [row[1] for row in tables.COILS]
        self.inputs = [row[1:3] for row in tables.INPUTS]
        self._selected = 0
        self._refusal = 0
        self._refused = 0
        self.fleeting = False  # what was read last may be something else while all is still

    # ---- registers ------------------------------------------------------------------------------

    def has_registers(self, start, count):
        """Tell whether every register from `start` on exists."""
        end = start + count
        for block in self._blocks:
            if block[0] <= start < block[1]:
                start = block[1]
        return start >= end

    def read_registers(self, start, count):
        """Return registers as bytes; None if one of them does not exist."""
        end = start + count
        words = b""
        self.fleeting = False
        for block in self._blocks:
            first, last = block[:2]
            if last <= start:
                continue
            if first > start:
                return None
            words += self._words(block)[2 * (start - first) : 2 * (end - first)]
            if end <= last:
                return words
            start = last
        return None

    def writable(self, start, count):
        """Return the number of the block that begins and ends so and can be written; else None."""
        for number in range(len(self._blocks)):
            block = self._blocks[number]
            if block[:2] == (start, start + count) and block[4]:
                return number
        return None

    def write_registers(self, number, data):
        """Write a whole block; raises Refused, and nothing has changed then."""
        layout, _, path, allowed = self._blocks[number][2:]
        values = struct.unpack(layout, data)
        try:
            for place in range(len(values)):
                self._check(allowed[place], values[place])
            self._call(path)(*values)
        except Refused as refused:
            self._note(refused)
            raise

    def _words(self, block):
        first, last, layout, path = block[:4]
        self.fleeting = self.fleeting or path in _FLEETING
        if not path:
            return bytes(2 * (last - first))
        values = list(self._call(path)())
        for place in range(len(values)):
            kind = _FORMATS.find(layout[place + 1])
            if values[place] > _HIGHEST[kind]:
                values[place] = _HIGHEST[kind]
            elif values[place] < _LOWEST[kind]:
                values[place] = _LOWEST[kind]
        return struct.pack(layout, *values)

    def _check(self, allowed, value):
        low, high = [
            getattr(self.desk.settings, bound) if isinstance(bound, str) else bound
            for bound in allowed[1:]
        ]
        if not low <= value <= high:
            raise Refused(OUT_OF_RANGE, f"{allowed[0]} {value}, allowed {low}..{high}")

    # ---- bits -----------------------------------------------------------------------------------

    def read_inputs(self, start, count):
        """Return discrete inputs as a list of 0 and 1; they must exist."""
        bits = []
        path = ""
        word = 0
        for source, mask in self.inputs[start : start + count]:
            if source != path:
                path = source
                word = self._call(path)()
            bits.append(1 if word & mask else 0)
        return bits

    def write_coil(self, address):
        """Start what a coil stands for; raises Refused, and nothing has changed then."""
        try:
            self._call(self.coils[address])()
        except Refused as refused:
            self._note(refused)
            raise

    # ---- what the tables name -------------------------------------------------------------------

    def identity(self):
        version = [int(part) for part in self.desk.identity[3].split(".")]
        return (MAP_VERSION, version[0], version[1], version[2])

    def unit(self):
        desk = self.desk
        return (desk.unit.state, desk.unit.mode, desk.cause()[0], desk.busy())

    def mode(self):
        return (self.desk.unit.mode,)

    def signals(self):
        desk = self.desk
        blocked, tested = desk.beam()
        return (desk.inputs(), desk.operation(), desk.questionable(), blocked, tested)

    def beam_blocked(self):
        return self.desk.beam()[0]

    def refusals(self):
        return (self._refusal, self._refused)

    def order(self):
        """Ticket and quantity of the open or last request, as they were written."""
        return self.desk.progress()[:2]

    def newest(self):
        return self._result(0)

    def select(self, ticket):
        self._selected = ticket

    def selection(self):
        return (self._selected,)

    def selected(self):
        return self._result(self._selected)

    def tickets(self):
        tickets = list(self.desk.results())
        return tickets + [0] * (RESULTS_KEPT - len(tickets))

    def position(self):
        return self.desk.position()[:2]

    def limits(self):
        settings = self.desk.settings
        return (settings.request_quantity_max, settings.sprocket_pockets)

    def authority(self):
        owner, _, local, left_ms = self.desk.owner()
        return (owner, local, left_ms)

    def wires(self):
        return self.desk.wires() + self.desk.wires_fault()[:1]

    def drift(self):
        code, _, _, direction = self.desk.drift()
        return (code, direction)

    def board(self):
        return self.desk.started()[:1] + self.desk.rounds()

    def _result(self, ticket):
        """A result that there is not reads as ticket 0."""
        try:
            return self.desk.result(ticket)
        except Refused:
            return _NO_RESULT

    def _call(self, path):
        """Return the method that a path from here names."""
        target = self
        for name in path.split("."):
            target = getattr(target, name)
        return target

    def _note(self, refused):
        self._refusal = refused.number
        self._refused = (self._refused + 1) & _HIGHEST[0]
