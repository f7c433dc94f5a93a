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
"""

ADDRESS = 0x50  # of the part with its address pins at ground
SEGMENT_BYTES = 4096
CHUNK_BYTES = 64
FREQUENCY_HZ = 1000000  # fast mode plus
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
    return FramStore(machine.I2C(unit, sda=sda, scl=scl, freq=FREQUENCY_HZ))
