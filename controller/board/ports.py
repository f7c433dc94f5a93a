"""Ports: the small interfaces between the firmware and whatever it runs on.

Theory of operation
-------------------
The firmware owns no hardware.  It is handed one `Ports` object whose members have the methods
below, and nothing else of the outside world.  A board implements them on pins and timers; the
host implements them in front of a simulated module; a test may hand in anything with the same
methods (they are duck-typed: the classes here are documentation, not base classes one must use).

What a port may tell is what a sensor could tell.  None of them can say how many parts fell.

Units are in the names.  Time stamps are microseconds of `Clock`, an integer that only grows.
One tick of step timing is 1 / TICK_HZ second (`controller.motion.words`).
"""

# Bits of Inputs.levels(): 1 is the safe or ready side, so a cut wire reads as "not".
GUARD_CLOSED = 1  # guard shut and the hardware interlock chain healthy
MAGAZINE_OK = 2  # the magazine's low-level sensor still sees parts
RECEIVER_READY = 4  # bag or nest in place
DRIVE_HEALTHY = 8  # the stepper driver reports no fault
GIVE = 16  # the robot's request wire of the hard-wired hand-shake

# Bits of Outputs.set(): the answer wires of the hard-wired hand-shake.
OUT_READY = 1
OUT_DONE = 2
OUT_FAULT = 4

# Codes of Inputs.drain(): what changed.
POCKET_INDEX = 1  # rising edge of the pocket index sensor (one per pocket)
LEVELS_CHANGED = 2  # any bit of levels()
POCKET_INDEX_LEFT = 3  # falling edge of the pocket index sensor

# Why a board has started, as in Board.started().
POWER_UP = 0
COMMANDED = 1  # a host has asked for it
EXCEPTION = 2  # the firmware raised one, and the board has reset itself
HUNG = 3  # the watchdog has reset it

# Bits of Drive.status()[0].
RUNNING = 1  # a move is being carried out
STALLED = 2  # stall input seen since the last start(); latched until the next start()
CUT = 4  # the interlock has cut the drive (guard), whatever the firmware wants


class Drive:
    """The stepper. At most one move at a time; counts are of pulses really issued."""

    def start(self, move):
        """Begin `move` (`controller.motion.words.Move`) now. The drive must be at rest, enabled."""

    def amend(self, cruise_steps):
        """Set the running move's total cruise steps to a smaller number; return True.

        The caller sees to it that the new end of cruise lies at least IN_FLIGHT_STEPS
        (`controller.motion.words`) past the pulses issued so far.  Time passes between its look and
        this call: a drive that can't obey any more returns False, and the move goes on unchanged.
        """

    def halt(self):
        """No further pulse from this instant; the position count stays exact, inertia may not."""

    def enable(self, on):
        """Energise (True) or release (False) the motor; release is refused by nothing."""

    def status(self):
        """Return (flags, issued): flag bits above; pulses issued since the last start()."""


class Beam:
    """The through-beam sensor under the release edge."""

    def drain(self):
        """Return the edges since the last call, oldest first: a list of (time_us, blocked)."""

    def read(self):
        """Return (blocked, lost): present level (0 or 1); edges lost to a full ring so far."""

    def test(self, on):
        """Switch the test output: while on, the emitter is dark and the beam must read blocked."""


class Inputs:
    """Switches and sensors with a level, and the pocket index sensor."""

    def levels(self):
        """Return the present level bits (GUARD_CLOSED ...).

        GUARD_CLOSED and DRIVE_HEALTHY hold a lapse: either reads 0 until the next `drain` if it has
        been 0 since the last one, however short that was.  No guard is opened unseen.
        """

    def drain(self):
        """Return changes since the last call, oldest first: a list of (time_us, code)."""


class Line:
    """A byte stream to a host. Framing is the link's business."""

    def read(self):
        """Return the bytes that have come since the last call (b"" if none)."""

    def write(self, data):
        """Queue bytes for sending; never blocks."""


class Outputs:
    """Wires to a robot that has no bus."""

    def set(self, bits):
        """Drive the wires: OUT_READY, OUT_DONE, OUT_FAULT."""


class Store:
    """Memory that outlives the power: two segments of `size_bytes` each; erased bytes read 0xFF.

    `unit_bytes` is what a cut in the middle of a write may damage: every byte of the units that
    the write touches, old ones included.  1 for byte-addressable memory, where only the bytes
    being written are at risk; a page or a block for flash.  A write goes to erased bytes only.
    Both calls return when the memory holds what they were told.
    """

    size_bytes = 0
    unit_bytes = 1

    def read(self, segment, offset, count):
        """Return `count` bytes of `segment` (0 or 1) from `offset`."""

    def write(self, segment, offset, data):
        """Write `data` over erased bytes."""

    def erase(self, segment):
        """Set every byte of `segment` to 0xFF; a cut may leave it in any condition."""


class Clock:
    """Time. Only the entry point reads it; everything below is handed `now_us`."""

    def now_us(self):
        """Return microseconds since power-up as an integer that only grows."""


class Trace:
    """Where the firmware says what it does, for logs and pictures. It takes no part in control."""

    def note(self, time_us, kind, a, b):
        """Take one event: a kind from `controller.record.events` and two integers."""


class Board:
    """What the firmware runs on. This class is itself the board that has nothing to tell."""

    serial = "0"  # unique; IEEE 488.2: "0" where it is not known
    hung_us = 0  # before a start that is HUNG the drive may have run on for so long, unwatched

    def rounds(self):
        """Return (us of the longest round since power-up, rounds that took too long)."""
        return (0, 0)

    def started(self):
        """Return (code, text): why it has started last; what the last fault was, "" if none."""
        return (POWER_UP, "")

    def restart(self, into_prompt):
        """Start anew once answers are out, or stop in the interpreter's prompt; False: can't."""
        return False


class Ports:
    """One of each, under the names the firmware uses."""

    def __init__(self, drive, beam, inputs, outputs, line, bus, store, clock, trace, board=None):
        """`line` carries SCPI, `bus` the fieldbus; both are `Line`."""
        self.drive = drive
        self.beam = beam
        self.inputs = inputs
        self.outputs = outputs
        self.line = line
        self.bus = bus
        self.store = store
        self.clock = clock
        self.trace = trace
        self.board = board or Board()
