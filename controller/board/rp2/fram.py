"""The store in FRAM on I2C: byte-addressable memory that a write does not wear out.

Theory of operation
-------------------
A part of 32 KB with 16-bit addresses, as many makers have them: no pages, no write time; a byte is
kept when its acknowledge has come.  The two segments take only a part of it: to erase one means to
write it full of 0xFF, which holds up the main loop for 9 us a byte.  So segments are as small as a
snapshot and some forty records allow, and the bus is as fast as these parts are: a change of
segments must be over before the next pocket but one, or the last record's bounds would not hold.

Transfers are cut into chunks, so that nothing large is allocated.  A bus that does not answer
raises OSError, from the chip's own driver.

A reset, or a dip of the supply that only the chip has felt, may come in the middle of a read.  The
part then goes on to hold the data wire for the rest of its byte, and the bus is dead until
somebody gives it clocks: nine at most, says the standard (UM10204, 3.1.16 "Bus clear").  `find`
does, before the chip's own unit takes the pins over.
"""

ADDRESS = 0x50  # of the part with its address pins at ground
SEGMENT_BYTES = 4096
CHUNK_BYTES = 64
FREQUENCY_HZ = 1000000  # fast mode plus
CLEAR_CLOCKS = 9  # a byte and its acknowledge
_ERASED = b"\xff" * CHUNK_BYTES


class FramStore:
    """`controller.board.ports.Store` behind `i2c`, a `machine.I2C`."""

    size_bytes = SEGMENT_BYTES
    unit_bytes = 1

    def __init__(self, i2c):
        """Raises OSError if there is no such memory on the bus."""
        self._i2c = i2c
        self.read(1, SEGMENT_BYTES - 1, 1)

    def read(self, segment, offset, count):
        data = bytearray(count)
        view = memoryview(data)
        place = segment * SEGMENT_BYTES + offset
        for start in range(0, count, CHUNK_BYTES):
            part = view[start : start + CHUNK_BYTES]
            self._i2c.readfrom_mem_into(ADDRESS, place + start, part, addrsize=16)
        return bytes(data)

    def write(self, segment, offset, data):
        place = segment * SEGMENT_BYTES + offset
        for start in range(0, len(data), CHUNK_BYTES):
            part = data[start : start + CHUNK_BYTES]
            self._i2c.writeto_mem(ADDRESS, place + start, part, addrsize=16)

    def erase(self, segment):
        for start in range(0, SEGMENT_BYTES, CHUNK_BYTES):
            self.write(segment, start, _ERASED)


def find(machine, unit, sda, scl):
    """Return the store on an I2C unit of the chip. Raises OSError if it does not answer."""
    _clear(machine.Pin, sda, scl)
    return FramStore(machine.I2C(unit, sda=sda, scl=scl, freq=FREQUENCY_HZ))


def _clear(modes, sda, scl):
    """Clock out what a part still has to say from before a reset, until it lets go of `sda`."""
    scl.init(modes.OPEN_DRAIN, modes.PULL_UP, value=1)
    for _ in range(CLEAR_CLOCKS):
        if sda.value():
            return
        scl.value(0)  # each a call of the interpreter, so far longer than the half microsecond
        scl.value(1)  # that such a part asks for
