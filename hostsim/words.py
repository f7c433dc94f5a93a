"""Numbers that mean something, as words: what a module answers on either link.

Theory of operation
-------------------
The numbers of unit states and modes are the PackTags numbers of ANSI/ISA-TR88.00.02; all others
are the module's own.  A host must not need the firmware to be installed, so they stand here a
second time; a test holds the two copies together.
"""

from enum import IntEnum, IntFlag


class Word(IntEnum):
    """A number with a word people read: `EXECUTE` prints as "execute"."""

    def __str__(self) -> str:
        return self.name.lower()


class UnitState(Word):
    """State of the unit (PackTags `StateCurrent`)."""

    CLEARING = 1
    STOPPED = 2
    STARTING = 3
    IDLE = 4
    SUSPENDED = 5
    EXECUTE = 6
    STOPPING = 7
    ABORTING = 8
    ABORTED = 9
    HOLDING = 10
    HELD = 11
    UNHOLDING = 12
    SUSPENDING = 13
    UNSUSPENDING = 14
    RESETTING = 15
    COMPLETING = 16
    COMPLETE = 17


class UnitMode(Word):
    """Mode of the unit (PackTags `UnitModeCurrent`)."""

    PRODUCTION = 1
    MAINTENANCE = 2
    MANUAL = 3


class RequestState(Word):
    """Where the open request stands."""

    NONE = 0
    TESTING = 1
    REGISTERING = 2
    COUNTING = 3
    SETTLING = 4
    VERIFYING = 5
    FREEING = 6
    WAITING = 7
    CLOSED = 8


class LinkName(Word):
    """The links a module may be commanded by, one at a time."""

    NONE = 0
    LINE = 1
    BUS = 2
    WIRES = 3


class WirePhase(Word):
    """Where the hard-wired hand-shake stands."""

    START = 0
    IDLE = 1
    READY = 2
    BUSY = 3
    LEFT = 4
    UNMET = 5
    DONE = 6
    FAULT = 7


class Outcome(Word):
    """How a request ended. Only EXACT needs no look into the bag."""

    EXACT = 0
    SHORT = 1
    DOUBTFUL = 2
    INTERRUPTED = 3


class StartReason(Word):
    """Why a board has started."""

    POWER_UP = 0
    COMMANDED = 1
    EXCEPTION = 2
    HUNG = 3


class EventKind(Word):
    """What an entry of the module's event memory tells."""

    NONE = 0
    UNIT_STATE = 1
    UNIT_MODE = 2
    REQUEST_STATE = 3
    RUN_START = 4
    RUN_END = 5
    PULSE = 6
    POCKET = 7
    CAUSE = 8
    FREEING = 9
    BEAM_TEST = 10
    BOUNDS = 11
    POSITION = 12
    REQUEST_OPEN = 13
    REQUEST_CLOSED = 14
    MAGAZINE = 15
    SLIP = 16
    BOOT = 17
    RELEASE = 18
    CREEP_RELEASE = 19
    WIRES = 20
    STORE = 21
    RESTART = 22
    DRIFT = 23


class Inputs(IntFlag):
    """Input levels; all but GIVE are set on their good side."""

    GUARD_SHUT = 1
    MAGAZINE_FILLED = 2  # its sensor still sees parts
    RECEIVER_THERE = 4  # a bag or nest is in place
    DRIVE_HEALTHY = 8
    GIVE = 16  # a robot's wire of the hard-wired hand-shake


class Questionable(IntFlag):
    """What is in doubt about module or bag; nothing while 0."""

    PHASE = 1 << 6  # parts fall otherwise than learned: ask for the drift
    POSITION = 1 << 8  # position unknown, as always before the first request
    LAST_DOUBTFUL = 1 << 9  # the last result is doubtful
    STRAY = 1 << 10  # a part fell while no request was open
    BEAM = 1 << 11  # the beam failed its last test
    WORN = 1 << 12  # the sprocket is past its rated pieces
