"""Ports in lock-step: the firmware's whole outside world as a picture taken at one instant.

Theory of operation
-------------------
Where the world is simulated, or sits at the other end of a pipe, the firmware cannot ask it things
in the middle of a round.  So before each round the host fills in a picture: the time, the levels,
the edges since last time.  During the round the firmware's orders are written down in
`Lockstep.orders`; after it the host carries them out.  World and firmware thus meet only between
rounds, which makes a run repeatable to the byte whichever interpreter the firmware is in.

An order shows at once in what the firmware reads back, as it would on pins: after start() the
drive runs and has issued nothing.
"""

from controller.board.ports import RUNNING, Ports

# Orders, as (code, argument).
START = 1  # a Move
AMEND = 2  # cruise steps
HALT = 3
ENABLE = 4  # 0 or 1
TEST = 5  # 0 or 1
OUTPUTS = 6  # bits of the wires to a robot
WRITE = 7  # (segment, offset, bytes) for the store
ERASE = 8  # segment of the store


class Lockstep:
    """The picture and the orders; `ports` is what the firmware is given."""

    def __init__(self, now_us, segments, unit_bytes):
        """`segments`: the two segments of the store as they are at power-up, as bytes."""
        self.now_us = now_us
        self.orders: list = []  # (code, argument) in the order given
        self.notes: list = []  # (time_us, kind, a, b)
        self.drive = _Drive(self.orders)
        self.beam = _Beam(self.orders)
        self.inputs = _Inputs()
        self.line = _Line()
        self.bus = _Line()
        self.store = _Store(self.orders, segments, unit_bytes)
        self.ports = Ports(
            self.drive,
            self.beam,
            self.inputs,
            _Outputs(self.orders),
            self.line,
            self.bus,
            self.store,
            _Clock(self),
            self,
        )

    def show(self, now_us, levels, flags, issued, blocked, lost):
        """Fill in the picture; edges and changes are appended to by the caller."""
        self.now_us = now_us
        self.inputs.bits = levels
        self.drive.flags = flags
        self.drive.issued = issued
        self.beam.blocked = blocked
        self.beam.lost = lost

    def clear(self):
        """Forget what the round has put down, once it has been carried out."""
        self.orders.clear()
        self.notes = []
        self.line.said = b""
        self.bus.said = b""

    def note(self, time_us, kind, a, b):
        self.notes.append((time_us, kind, a, b))


class _Clock:
    def __init__(self, picture):
        self._picture = picture

    def now_us(self):
        return self._picture.now_us


class _Line:
    def __init__(self):
        self.heard = b""  # from the host
        self.said = b""  # to the host

    def read(self):
        heard = self.heard
        self.heard = b""
        return heard

    def write(self, data):
        self.said += data


class _Outputs:
    def __init__(self, orders):
        self._orders = orders

    def set(self, bits):
        self._orders.append((OUTPUTS, bits))


class _Store:
    """A copy of the store; what is written to it is ordered from the host as well."""

    def __init__(self, orders, segments, unit_bytes):
        self._orders = orders
        self._segments = [bytearray(segments[0]), bytearray(segments[1])]
        self.size_bytes = len(segments[0])
        self.unit_bytes = unit_bytes

    def read(self, segment, offset, count):
        return bytes(self._segments[segment][offset : offset + count])

    def write(self, segment, offset, data):
        self._segments[segment][offset : offset + len(data)] = data
        self._orders.append((WRITE, (segment, offset, bytes(data))))

    def erase(self, segment):
        self._segments[segment] = bytearray(b"\xff" * self.size_bytes)
        self._orders.append((ERASE, segment))


class _Drive:
    def __init__(self, orders):
        self._orders = orders
        self.flags = 0
        self.issued = 0

    def start(self, move):
        self._orders.append((START, move))
        self.flags = RUNNING
        self.issued = 0

    def amend(self, cruise_steps):
        self._orders.append((AMEND, cruise_steps))
        return True  # no time passes in a round

    def halt(self):
        self._orders.append((HALT, 0))
        self.flags &= ~RUNNING

    def enable(self, on):
        self._orders.append((ENABLE, 1 if on else 0))

    def status(self):
        return (self.flags, self.issued)


class _Beam:
    def __init__(self, orders):
        self._orders = orders
        self.edges = []
        self.blocked = 0
        self.lost = 0

    def drain(self):
        edges = self.edges
        self.edges = []
        return edges

    def read(self):
        return (self.blocked, self.lost)

    def test(self, on):
        self._orders.append((TEST, 1 if on else 0))


class _Inputs:
    def __init__(self):
        self.bits = 0
        self.changes = []

    def levels(self):
        return self.bits

    def drain(self):
        changes = self.changes
        self.changes = []
        return changes
