"""Every cause with its text and its remedy, for people; `causes` has the numbers and the rules.

Nothing but data: it is borrowed (`controller.borrow`) when somebody asks what a cause means.

What happened, and what the person at the bench should do about it, in words that need no manual.
Where the remedy means hands near the gears it says to isolate the supply first: the guard switch
stops the motor, but no switch and no program is a reason to reach in.

Texts are plain ASCII without quotation marks, so that any link can carry them in a quoted string.
"""

from controller.cycle.causes import (
    ABORT_COMMAND,
    BEAM_BLOCKED,
    BEAM_DEAD,
    BEAM_DRIFT,
    BENCH_STALL,
    CANCELLED,
    CHUTE_BLOCKED,
    DRIVE_FAULT,
    EDGES_LOST,
    EVIDENCE,
    FAULT,
    GUARD_OPEN,
    HOLD_COMMAND,
    INTERNAL_FAULT,
    JAMMED,
    MAGAZINE_EMPTY,
    NOTICE,
    OVER_RUN,
    PHASE_SLIP,
    PHASE_WEAR,
    POSITION_UNKNOWN,
    POWER_CUT,
    RECEIVER_NOT_READY,
    RECORD_FAILED,
    RECORD_LOST,
    RETRIES_USED,
    SLIPPED,
    STOP_COMMAND,
    STRAY_PART,
    SUSPEND_COMMAND,
    WARNING,
)
from controller.cycle.unit import ABORTED, HELD, STOPPED, SUSPENDED

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
        "Add nothing to the bag: unhold for the rest, or order it anew if the request has closed. "
        "If it comes again, isolate the supply and look for a worn sprocket or parts that feed "
        "badly.",
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
        "Put a bag or nest in place; the unit then unsuspends by itself.",
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
