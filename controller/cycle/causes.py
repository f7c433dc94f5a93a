"""Why the unit stopped: every cause with its text and its remedy, and the one that came first.

Theory of operation
-------------------
A cause is a number.  Its row says how grave it is, which unit state it leads to (0: none, the unit
stays in service), what happened, and what the person at the bench should do about it, in words that
need no manual.  Where the remedy means hands near the gears it says to isolate the supply first:
the guard switch stops the motor, but no switch and no program is a reason to reach in.

The first cause wins.  A jam makes the drive stall, the index go missing and the retries run out;
only the first of these is worth reading.  It stays readable until somebody clears it, and gives
way only where its remedy would no longer help: to a graver one, because refilling the magazine
does not bring back a unit whose guard has been opened since, and, unless it is a fault, to one
that leads to another state, because a unit that was suspended and then stopped is not unsuspended.

Texts are plain ASCII without quotation marks, so that any link can carry them in a quoted string.
"""

from controller.cycle.unit import ABORTED, HELD, STOPPED, SUSPENDED

NO_CAUSE = 0

# Leads to Aborted: the drive is cut or not to be trusted.
GUARD_OPEN = 11
DRIVE_FAULT = 12
INTERNAL_FAULT = 13
ABORT_COMMAND = 14

# Leads to Held: a fault of the module's own, or a pause somebody asked for.
JAMMED = 21
SLIPPED = 22
POSITION_UNKNOWN = 23
BEAM_DEAD = 24
BEAM_BLOCKED = 25
RETRIES_USED = 26
HOLD_COMMAND = 27
BENCH_STALL = 28

# Leads to Suspended: nothing from upstream, or no way out downstream.
MAGAZINE_EMPTY = 31
RECEIVER_NOT_READY = 32
CHUTE_BLOCKED = 33
SUSPEND_COMMAND = 34

# Leads to Stopped.
STOP_COMMAND = 41
POWER_CUT = 42
RECORD_LOST = 43
RECORD_FAILED = 44

# Leads nowhere: the unit stays in service, but the request or the bag wants a look.
CANCELLED = 51
STRAY_PART = 52
EDGES_LOST = 53
OVER_RUN = 54
EVIDENCE = 55
PHASE_SLIP = 56
PHASE_WEAR = 57
BEAM_DRIFT = 58

NOTICE = 1  # somebody asked for it, or the unit goes on by itself
WARNING = 2  # supply, receiver or bag wants attention before it goes on
FAULT = 3  # the module can't go on until somebody has put it right

_ISOLATE = "Isolate the supply and let the module come to rest before you reach in. "
_RESUME = "close the guard and switch on; then clear if aborted, reset and start."

# (code, severity, unit state it leads to, text, remedy)
CAUSES = (
    (
        GUARD_OPEN,
        FAULT,
        ABORTED,
        "guard open: the interlock has cut the drive",
        _ISOLATE + "With hands and tools out, " + _RESUME,
    ),
    (
        DRIVE_FAULT,
        FAULT,
        ABORTED,
        "the stepper driver reports a fault",
        _ISOLATE + "Check motor cable, driver supply and heat; " + _RESUME,
    ),
    (
        INTERNAL_FAULT,
        FAULT,
        ABORTED,
        "the firmware found itself in a state that should not exist",
        "Save the event record, switch off and on again, and check the last bag by hand.",
    ),
    (
        ABORT_COMMAND,
        NOTICE,
        ABORTED,
        "abort command",
        "Clear, reset and start when the reason for the abort is gone.",
    ),
    (
        JAMMED,
        FAULT,
        HELD,
        "the drive stalls and every move against a jam has been tried",
        _ISOLATE + "Take out the stuck part, look for a chipped pocket; " + _RESUME,
    ),
    (
        SLIPPED,
        FAULT,
        HELD,
        "the sprocket does not follow the motor: pocket index missing or out of place",
        _ISOLATE + "Check set screws, gear mesh and index sensor; " + _RESUME,
    ),
    (
        POSITION_UNKNOWN,
        FAULT,
        HELD,
        "the pocket position could not be registered",
        _ISOLATE + "See that parts feed and the index sensor is clean; " + _RESUME,
    ),
    (
        BEAM_DEAD,
        FAULT,
        HELD,
        "the beam reads clear with its emitter dark, so it would miss every part",
        _ISOLATE + "Check the beam's cable and plug or replace the sensor; " + _RESUME,
    ),
    (
        BEAM_BLOCKED,
        FAULT,
        HELD,
        "the beam reads blocked with nothing falling",
        "With the guard shut, clear and wipe the beam from below, check alignment; then unhold.",
    ),
    (
        RETRIES_USED,
        WARNING,
        HELD,
        "parts are still missing after the last allowed run",
        "Top up the bag by hand; then unhold. If it comes again, isolate the supply and look for "
        "a worn sprocket or parts that feed badly.",
    ),
    (
        HOLD_COMMAND,
        NOTICE,
        HELD,
        "held by the operator",
        "Unhold to go on, or stop.",
    ),
    (
        BENCH_STALL,
        FAULT,
        HELD,
        "the drive has stalled in a move of Maintenance or Manual",
        _ISOLATE + "Take out what is stuck, look for a chipped pocket; " + _RESUME,
    ),
    (
        MAGAZINE_EMPTY,
        WARNING,
        SUSPENDED,
        "no parts come: the magazine is empty, or parts hang in it and can't be shaken loose",
        "Refill the magazine, or free the hanging parts from above with the guard shut; "
        "then unsuspend.",
    ),
    (
        RECEIVER_NOT_READY,
        WARNING,
        SUSPENDED,
        "no bag or nest in place",
        "Put a bag or nest in place; then unsuspend.",
    ),
    (
        CHUTE_BLOCKED,
        WARNING,
        SUSPENDED,
        "the beam stays blocked: parts are backing up below the sprocket",
        "Clear the chute from below, put those parts into the bag; then unsuspend.",
    ),
    (
        SUSPEND_COMMAND,
        NOTICE,
        SUSPENDED,
        "suspended by the host",
        "Unsuspend to go on, or stop.",
    ),
    (
        STOP_COMMAND,
        NOTICE,
        STOPPED,
        "stop command",
        "Reset and start to go on.",
    ),
    (
        POWER_CUT,
        WARNING,
        STOPPED,
        "the power was cut while a request was open",
        "Check the bag by hand against the reported bounds; then reset and start.",
    ),
    (
        RECORD_LOST,
        WARNING,
        STOPPED,
        "the store holds what can't be read: tickets, results or counters may be lost",
        "Check the last bag by hand, and see that the host repeats no old ticket; "
        "then reset and start.",
    ),
    (
        RECORD_FAILED,
        WARNING,
        STOPPED,
        "the store does not keep what is written to it",
        "Check the bag against the result; then reset and start. If requests are still refused, "
        "have the store replaced.",
    ),
    (
        EDGES_LOST,
        WARNING,
        0,
        "the beam switched faster than it can be recorded, so parts may have gone uncounted",
        "Count the bag by hand; keep lamps and loose cables away from the beam.",
    ),
    (
        OVER_RUN,
        WARNING,
        0,
        "the beam saw more parts than the request asked for",
        "Count the bag by hand. If it comes again, isolate the supply and look for a pocket that "
        "takes two parts.",
    ),
    (
        EVIDENCE,
        WARNING,
        0,
        "beam and pockets disagree: a pulse may be one part or two, or belongs to no pocket",
        "Count the bag by hand. If it comes again, isolate the supply and look at the pockets.",
    ),
    (
        CANCELLED,
        NOTICE,
        0,
        "cancelled by the host",
        "Nothing to do; the bag holds what the result says.",
    ),
    (
        STRAY_PART,
        NOTICE,
        0,
        "a part fell after its request was closed",
        "Check the last bag and the present one by hand.",
    ),
    (
        PHASE_SLIP,
        WARNING,
        0,
        "all at once, parts fall at another angle than they were learned to",
        _ISOLATE + "Check set screws, gear mesh and index sensor for what has moved.",
    ),
    (
        PHASE_WEAR,
        WARNING,
        0,
        "little by little, parts have come to fall at another angle than they were learned to",
        _ISOLATE + "Look at the edges of the pockets; change a worn sprocket.",
    ),
    (
        BEAM_DRIFT,
        WARNING,
        0,
        "parts darken the beam for longer or shorter than they were learned to",
        "With the guard shut, wipe the beam from below, check its alignment; then clear the "
        "alarm. If the parts are others now, let it be learned anew.",
    ),
)

_NOTHING = (NO_CAUSE, 0, 0, "none", "")


def cause(code):
    """Return the row of `code` as in `CAUSES`; KeyError if there is no such cause."""
    for row in CAUSES:
        if row[0] == code:
            return row
    if code == NO_CAUSE:
        return _NOTHING
    raise KeyError(code)


class CauseHolder:
    """The first cause since the last clear whose remedy still helps."""

    def __init__(self):
        self.clear()

    def raise_(self, code, now_us):
        """Take a cause; True if it is kept, False if an earlier one stands.

        Raises KeyError for a code that has no row.
        """
        row = cause(code)
        elsewhere = row[2] not in (0, self.leads_to) and self.severity < FAULT
        if row[1] <= self.severity and not elsewhere:
            return False
        self._row = row
        self.since_us = now_us
        return True

    def clear(self):
        """Forget the cause: somebody has dealt with it."""
        self._row = _NOTHING
        self.since_us = 0

    @property
    def code(self):
        """The number of the cause; NO_CAUSE if there is none."""
        return self._row[0]

    @property
    def severity(self):
        """NOTICE, WARNING or FAULT; 0 if there is no cause."""
        return self._row[1]

    @property
    def leads_to(self):
        """The unit state the cause leads to; 0 for none."""
        return self._row[2]

    @property
    def text(self):
        """What happened."""
        return self._row[3]

    @property
    def remedy(self):
        """What the person at the bench should do."""
        return self._row[4]
