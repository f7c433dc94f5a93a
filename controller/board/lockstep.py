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


class Lockstep:
    """The picture and the orders; `ports` is what the firmware is given."""

    def __init__(self, now_us):
        self.now_us = now_us
        self.orders: list = []  # (code, argument) in the order given
        self.notes: list = []  # (time_us, kind, a, b)
        self.said = b""  # bytes for the host
        self.drive = _Drive(self.orders)
        self.beam = _Beam(self.orders)
        self.inputs = _Inputs()
        self.heard = b""  # bytes from the host
        self.ports = Ports(self.drive, self.beam, self.inputs, self, _Clock(self), self)

    def show(self, now_us, levels, flags, issued, blocked, lost):
        """Fill in the picture; edges and changes are appended to by the caller."""
        self.now_us = now_us
        self.inputs.bits = levels
        self.drive.flags = flags
        self.drive.issued = issued
        self.beam.blocked = blocked
        self.beam.lost = lost

    # Line and Trace are the picture itself.

    def read(self):
        heard = self.heard
        self.heard = b""
        return heard

    def write(self, data):
        self.said += data

    def note(self, time_us, kind, a, b):
        self.notes.append((time_us, kind, a, b))


class _Clock:
    def __init__(self, picture):
        self._picture = picture

    def now_us(self):
        return self._picture.now_us


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
