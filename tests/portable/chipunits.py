"""The units of a chip for tests: fakes with the shape of `machine`, `time`, `select`, `sys`, `gc`.

They are handed in, never patched.  Shapes and rules are those of the documentation and the rp2 port
of MicroPython 1.28: `UART` (buffers, `txdone`), `Timer` (hard, periodic), `I2C.readfrom_mem_into`
and `writeto_mem`, `WDT`, `mem32`, `select.poll` on standard input and output.  What would wait on
a chip fails here.
"""

from tests.portable.chip import (
    FRAM_BYTES,
    TICKS_PERIOD,
    PinMaker,
    Reset,
    Signal,
)

EIO = 5


# The period itself is no small integer on 32 bits: to reckon with it would take memory.
TICKS_MASK = TICKS_PERIOD - 1
TICKS_HALF = TICKS_PERIOD // 2


class Time:
    """As the module `time`, with a counter that goes round."""

    def __init__(self, chip):
        self._chip = chip

    def ticks_us(self):
        self._chip.spend(self._chip.call_us)
        return self._chip.now_us & TICKS_MASK

    def ticks_ms(self):
        return self._chip.now_us // 1000 & TICKS_MASK

    def ticks_diff(self, end, start):
        ahead = end - start
        if ahead >= TICKS_HALF:
            return ahead - TICKS_MASK - 1
        return ahead if ahead >= -TICKS_HALF else ahead + TICKS_MASK + 1


class Uart:
    """A UART: bytes leave one by one, `bits` bit times each; a write of too much would wait."""

    def __init__(self, chip, number, baud, bits=8, parity=None, stop=1, txbuf=256, **more):
        self._chip = chip
        self.baud = baud
        self.parity = parity
        self.frame_bits = 1 + bits + (parity is not None) + stop
        self._room = txbuf
        self._incoming = b""
        self.sent = []  # (time_us of the end of its last stop bit, byte)
        self._busy_until_us = 0
        self.accepts = txbuf  # a test may have it take less at once
        chip.uarts[number] = self

    @property
    def byte_us(self):
        return -(-self.frame_bits * 1000000 // self.baud)

    def hear(self, data):
        """The far end sends."""
        self._incoming += data

    def any(self):
        self._chip.spend(self._chip.call_us)
        return len(self._incoming)

    def read(self, count):
        self._chip.spend(self._chip.call_us)
        data, self._incoming = self._incoming[:count], self._incoming[count:]
        return data or None

    def write(self, data):
        self._chip.spend(self._chip.call_us)
        waiting = len([1 for end_us, _ in self.sent if end_us > self._chip.now_us])
        assert waiting + len(data) <= self._room, "this write would wait"
        if self._chip.dead:
            return None
        taken = data[: self.accepts]
        for byte in taken:
            start_us = max(self._busy_until_us, self._chip.now_us)
            self._busy_until_us = start_us + self.byte_us
            self.sent.append((self._busy_until_us, byte))
        return len(taken) or None

    def txdone(self):
        self._chip.spend(self._chip.call_us)
        return self._busy_until_us <= self._chip.now_us


class Timer:
    """As `machine.Timer()`; hard and periodic."""

    PERIODIC = 1

    def __init__(self, chip):
        self._chip = chip
        self.due_us = None
        self.period_us = 0
        self.callback = None
        chip.timers.append(self)

    def init(self, mode, period, tick_hz, callback, hard):
        assert mode == self.PERIODIC and hard
        self.period_us = period * 1000000 // tick_hz
        self.callback = callback
        self.due_us = self._chip.now_us + self.period_us

    def deinit(self):
        self.due_us = None


class I2c:
    """A bus with one FRAM at 0x50; 9 clocks a byte and the address before them."""

    def __init__(self, chip, number, sda=None, scl=None, freq=400000):
        self._chip = chip
        self._byte_us = 9 * 1000000 // freq

    def _begin(self, address, size):
        chip = self._chip
        if address != 0x50 or not chip.fram_answers or chip.fram_holds or chip.dead:
            raise OSError(EIO)
        self._chip.spend(size * self._byte_us)

    def readfrom_mem_into(self, address, place, buffer, addrsize=8):
        assert addrsize == 16 and len(buffer) <= 64 and place + len(buffer) <= FRAM_BYTES
        self._begin(address, 4 + len(buffer))
        buffer[:] = self._chip.fram[place : place + len(buffer)]

    def writeto_mem(self, address, place, data, addrsize=8):
        assert addrsize == 16 and len(data) <= 64 and place + len(data) <= FRAM_BYTES
        for at in range(len(data)):  # the power may go between any two bytes
            self._begin(address, 1 if at else 4)
            self._chip.fram[place + at] = data[at]


class Watchdog:
    """As `machine.WDT`."""

    def __init__(self, chip, timeout):
        assert 0 < timeout <= 8388  # of the RP2040, as the documentation has it
        self._chip = chip
        self._timeout_us = timeout * 1000
        self.feed()

    def feed(self):
        self._chip.bites_us = self._chip.now_us + self._timeout_us


class Memory32:
    """As `machine.mem32`, of the watchdog's scratch words."""

    def __init__(self, chip):
        self._chip = chip

    def __getitem__(self, address):
        return self._chip.memory.get(address, 0)

    def __setitem__(self, address, word):
        assert address in (0x4005800C, 0x40058010, 0x400D800C, 0x400D8010), "somebody else's"
        if not self._chip.dead:
            small = 0 <= word <= TICKS_MASK  # then as it is, which takes no memory
            self._chip.memory[address] = word if small else word & 0xFFFFFFFF


class Machine:
    """As the module `machine`."""

    PWRON_RESET, WDT_RESET = 1, 3

    def __init__(self, chip, cause=1):
        self._chip = chip
        self._cause = cause
        self.Pin = PinMaker(chip)
        self.Signal = Signal
        self.UART = lambda number, baud, **more: Uart(chip, number, baud, **more)
        self.I2C = lambda number, **more: I2c(chip, number, **more)
        self.Timer = lambda: Timer(chip)
        self.WDT = lambda timeout: Watchdog(chip, timeout)
        self.mem32 = Memory32(chip)

    def unique_id(self):
        return b"\xe6\x61\x41\x04\x03\x2b\x71\x2a"

    def freq(self):
        return 125000000

    def reset_cause(self):
        return self._cause

    def reset(self):
        raise Reset()

    def idle(self):
        """Until the next interrupt, a millisecond at most."""
        if self._chip.before_idle is not None:
            self._chip.before_idle()
        until_us = self._chip.now_us + 1000
        if self._chip.events:
            until_us = min(until_us, max(self._chip.events[0][0], self._chip.now_us + 1))
        self._chip.go_to(until_us)


class Stream:
    """Standard input and output of a chip on USB, and the host at the other end."""

    def __init__(self, chip):
        self._chip = chip
        self.incoming = b""
        self.said = b""
        self.room = 256  # bytes that fit until the host reads
        self.listens = True  # the host takes everything at once
        self.buffer = self

    def readinto(self, buffer):
        assert len(buffer) <= len(self.incoming), "this read would wait"
        buffer[:] = self.incoming[: len(buffer)]
        self.incoming = self.incoming[len(buffer) :]
        return len(buffer)

    def write(self, data):
        assert self.room >= len(data), "this write would wait"
        self._chip.spend(self._chip.call_us)
        if not self._chip.dead:
            self.said += bytes(data)
            if not self.listens:
                self.room -= len(data)
        return len(data)


class Poll:
    """As `select.poll()`, for one stream."""

    def __init__(self):
        self._stream = None
        self._flag = 0

    def register(self, stream, flag):
        self._stream = stream
        self._flag = flag

    def ipoll(self, timeout_ms):
        assert timeout_ms == 0, "this poll would wait"
        stream = self._stream
        if (self._flag == Select.POLLIN and stream.incoming) or (
            self._flag == Select.POLLOUT and stream.room
        ):
            return ((stream, self._flag),)
        return ()  # which takes no memory, as on the board


class Select:
    """As the module `select`."""

    POLLIN, POLLOUT = 1, 4

    def poll(self):
        return Poll()


class Sys:
    """As the module `sys`, as far as a board reads it."""

    def __init__(self, stream, chip_name="RP2350"):
        self.stdin = self.stdout = stream
        self.implementation = Implementation("Board with " + chip_name)


class Implementation:
    def __init__(self, machine):
        self._machine = machine


class Garbage:
    """As the module `gc` of MicroPython; a test says how much there is."""

    def __init__(self):
        self.alloc = 100000
        self.free = 100000
        self.collections = 0

    def collect(self):
        self.collections += 1

    def mem_alloc(self):
        return self.alloc

    def mem_free(self):
        return self.free
