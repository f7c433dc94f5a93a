"""The unit chart: states, commands and modes of ANSI/ISA-TR88.00.02 (PackML), complete.

Theory of operation
-------------------
Numbers are those of the PackTags `StateCurrent`, `CntrlCmd` and `UnitModeCurrent`; a number is a
position in the tuples below.  The transitions are the 46 of the 2015 edition, and what the 2022
edition adds to them: the Complete command, and Hold from Suspended.  A command that is not legal
in the present state is refused and changes nothing.

What the states mean on a dispensing module:

- Execute: in service; requests are taken.
- Suspended: nothing comes from upstream, or parts can't leave downstream (no fault of ours).
- Held: a fault of the module's own that a person has to see to, or an operator's pause.
- Aborted: guard open, drive fault, internal fault.
- Stopped: after power-up, and on command.  The standard leaves the initial state open; a machine
  that has just got its power must not move, so it is Stopped until it is told to reset and start.

Acting states (`-ing`, and Execute) end with `done()`, which the standard calls state complete, SC.
"""

from controller.cycle.chart import Chart

UNDEFINED = 0
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

STATES = (
    "Undefined",
    "Clearing",
    "Stopped",
    "Starting",
    "Idle",
    "Suspended",
    "Execute",
    "Stopping",
    "Aborting",
    "Aborted",
    "Holding",
    "Held",
    "Unholding",
    "Suspending",
    "Unsuspending",
    "Resetting",
    "Completing",
    "Complete",
)

# Position is the number of the command; its name is the trigger in the table.
COMMANDS = (
    "Undefined",
    "Reset",
    "Start",
    "Stop",
    "Hold",
    "Unhold",
    "Suspend",
    "Unsuspend",
    "Abort",
    "Clear",
    "Complete",
)
# The numbers of those that the firmware gives itself, or asks for by name.
RESET, START, STOP, HOLD, UNHOLD, SUSPEND, UNSUSPEND, ABORT, CLEAR = range(1, 10)
DONE = "SC"

INVALID = 0
PRODUCTION = 1
MAINTENANCE = 2
MANUAL = 3
MODES = ("Invalid", "Production", "Maintenance", "Manual")

# The unit mode may change only at rest (the default of the 2022 edition).
MODE_CHANGE_STATES = (STOPPED, IDLE, ABORTED)

# Where Stop is heard: everywhere but in the stopped and aborted states and on the way to them.
_STOPPABLE = (
    STARTING,
    IDLE,
    SUSPENDED,
    EXECUTE,
    HOLDING,
    HELD,
    UNHOLDING,
    SUSPENDING,
    UNSUSPENDING,
    RESETTING,
    COMPLETING,
    COMPLETE,
)
# Where Abort is heard: everywhere but in Aborting and Aborted.
_ABORTABLE = _STOPPABLE + (CLEARING, STOPPED, STOPPING)

TRANSITIONS = (
    ("Reset", (STOPPED, COMPLETE), RESETTING),
    (DONE, (RESETTING,), IDLE),
    ("Start", (IDLE,), STARTING),
    (DONE, (STARTING,), EXECUTE),
    (DONE, (EXECUTE,), COMPLETING),
    ("Complete", (EXECUTE, SUSPENDED, HELD), COMPLETING),
    (DONE, (COMPLETING,), COMPLETE),
    ("Hold", (EXECUTE, SUSPENDED), HOLDING),
    (DONE, (HOLDING,), HELD),
    ("Unhold", (HELD,), UNHOLDING),
    (DONE, (UNHOLDING,), EXECUTE),
    ("Suspend", (EXECUTE,), SUSPENDING),
    (DONE, (SUSPENDING,), SUSPENDED),
    ("Unsuspend", (SUSPENDED,), UNSUSPENDING),
    (DONE, (UNSUSPENDING,), EXECUTE),
    ("Stop", _STOPPABLE, STOPPING),
    (DONE, (STOPPING,), STOPPED),
    ("Abort", _ABORTABLE, ABORTING),
    (DONE, (ABORTING,), ABORTED),
    ("Clear", (ABORTED,), CLEARING),
    (DONE, (CLEARING,), STOPPED),
)


class UnitChart:
    """State and mode of the unit. Starts in Stopped, Production."""

    def __init__(self, on_change):
        """`on_change(new_state, old_state)` is called after every change of state."""
        self.mode = PRODUCTION
        self._chart = Chart(range(CLEARING, COMPLETE + 1), TRANSITIONS, STOPPED, on_change)

    @property
    def state(self):
        """The number of the present state."""
        return self._chart.state

    def name(self):
        """Return the name of the present state."""
        return STATES[self._chart.state]

    def command(self, number):
        """Obey a command by its number; False, and nothing changed, if it is not legal here."""
        if not UNDEFINED < number < len(COMMANDS):
            return False
        return self._chart.fire(COMMANDS[number])

    def legal(self):
        """Return the names of the commands that are legal here, in the order of their numbers."""
        here = [name for name, sources, _ in TRANSITIONS if self.state in sources]
        return [name for name in COMMANDS if name in here]

    def done(self):
        """The present acting state has finished its work; False if the state is a waiting one."""
        return self._chart.fire(DONE)

    def change_mode(self, number):
        """Change to a unit mode by its number; False, and nothing changed, if not legal here."""
        if self.state not in MODE_CHANGE_STATES or not INVALID < number < len(MODES):
            return False
        self.mode = number
        return True
