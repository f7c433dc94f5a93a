"""The unit's service: what is done in each state of the unit chart, and what takes it there.

Theory of operation
-------------------
The chart (`unit`) says what may follow what.  Here stands what happens on entering a state (one
table) and when an acting state has done its work (another).  Three sources move the unit: the
host's commands, the request that can't go on (`halt_unit`), and the inputs: an open guard, a cut
or faulty drive abort at once, whatever else is going on.

After an abort or a stop the motor is released, and with it the knowledge of where the sprocket
stands.  Nothing but Reset and Start, given by a host in that order, energises it again.  Only one
thing resumes by itself: a unit suspended for want of a bag, when the bag is there.

The firmware is no safety function: the guard switch has to cut the drive in hardware.
"""

from controller.board.ports import CUT, DRIVE_HEALTHY, GUARD_CLOSED, RECEIVER_READY
from controller.cycle import causes, unit
from controller.cycle.maintenance import Maintenance
from controller.cycle.request import Request
from controller.cycle.verdict import INTERRUPTED, SHORT
from controller.record import events as ev

# The driver's current has settled and the rotor has snapped to its step this long after enabling.
ENABLE_SETTLE_US = 100000
# An acting state that takes longer than this beyond the longest wait settings allow hangs.
ACTING_LIMIT_US = 30000000

_COMMAND_FOR = {
    unit.HELD: unit.HOLD,
    unit.SUSPENDED: unit.SUSPEND,
    unit.ABORTED: unit.ABORT,
    unit.STOPPED: unit.STOP,
}
# Refused while the guard is open or the drive faulty.
_NEEDS_SAFE = (unit.RESET, unit.START, unit.CLEAR)
_CUTTING = (unit.ABORTING, unit.ABORTED)
# Why the unit is in these states if nothing graver has taken it there: somebody has said so.
_COMMANDED = {
    unit.STOPPING: causes.STOP_COMMAND,
    unit.HOLDING: causes.HOLD_COMMAND,
    unit.SUSPENDING: causes.SUSPEND_COMMAND,
    unit.ABORTING: causes.ABORT_COMMAND,
}


class Service:
    """Owns the unit chart and the cause of its stop; stepped by the firmware."""

    _request: Request
    _maintenance: Maintenance

    def __init__(self, settings, drive, sprocket, events):
        self._drive = drive
        self._sprocket = sprocket
        self._events = events
        self.unit = unit.UnitChart(self._changed)
        self.cause = causes.CauseHolder()
        self._limit_us = ACTING_LIMIT_US + settings.recovery_chute_ms * 1000
        self._now_us = 0
        self._since_us = 0
        self._levels = 0
        self._enter = {
            unit.ABORTING: self._enter_aborting,
            unit.STOPPING: self._enter_stopping,
            unit.HOLDING: self._enter_pausing,
            unit.SUSPENDING: self._enter_pausing,
            unit.COMPLETING: self._enter_completing,
            unit.STARTING: self._enter_starting,
            unit.EXECUTE: self._enter_execute,
            unit.STOPPED: self._release,
            unit.CLEARING: self._forget_cause,
            unit.RESETTING: self._forget_cause,
            unit.UNHOLDING: self._forget_cause,
            unit.UNSUSPENDING: self._forget_cause,
        }
        self._finished = {
            unit.CLEARING: self._at_once,
            unit.RESETTING: self._at_once,
            unit.UNHOLDING: self._at_once,
            unit.UNSUSPENDING: self._at_once,
            unit.STARTING: self._energised,
            unit.HOLDING: self._paused,
            unit.SUSPENDING: self._paused,
            unit.COMPLETING: self._wound_up,
            unit.STOPPING: self._wound_up,
            unit.ABORTING: self._wound_up,
        }

    def attach(self, request, maintenance):
        """Name the rooms whose motion the unit's states begin and end."""
        self._request = request
        self._maintenance = maintenance

    # ---- what moves the unit --------------------------------------------------------------------

    @property
    def acting(self):
        """True in a state that ends by itself."""
        return self.unit.state in self._finished

    @property
    def safe(self):
        """True while guard and drive let the unit be reset and started."""
        return self._levels & GUARD_CLOSED != 0 and self._levels & DRIVE_HEALTHY != 0

    def command(self, number, now_us):
        """Obey a host's command; False if it is not legal in this state or not safe."""
        self._now_us = now_us
        if number in _NEEDS_SAFE and not self.safe:
            return False
        return self.unit.command(number)

    def halt_unit(self, cause, now_us):
        """Take the unit to the state that `cause` leads to; wind the request up if it can't."""
        self._now_us = now_us
        self._raise(cause)
        command = _COMMAND_FOR.get(self.cause.end_of(cause))
        if command is not None and not self.unit.command(command):
            self._request.finish(cause, SHORT)

    def watch(self, now_us, levels, flags):
        """Look at guard and drive; called first whenever the firmware goes on."""
        self._now_us = now_us
        self._levels = levels
        if self.unit.state in _CUTTING:
            return
        if not levels & GUARD_CLOSED or (flags & CUT and self._sprocket.moving):
            self._abort(causes.GUARD_OPEN)
        elif not levels & DRIVE_HEALTHY:
            self._abort(causes.DRIVE_FAULT)

    def _abort(self, cause):
        self._raise(cause)
        self.unit.command(unit.ABORT)

    def _raise(self, cause):
        if self.cause.raise_(cause, self._now_us):
            self._events.note(self._now_us, ev.CAUSE, cause)

    # ---- following it ---------------------------------------------------------------------------

    def step(self, now_us):
        """End the acting state if its work is done; resume what resumes by itself."""
        self._now_us = now_us
        finished = self._finished.get(self.unit.state)
        if finished is not None:
            if finished():
                self.unit.done()
            elif now_us > self._since_us + self._limit_us and self.unit.state != unit.COMPLETING:
                self._abort(causes.INTERNAL_FAULT)
        elif (
            self.unit.state == unit.SUSPENDED
            and self.cause.code == causes.RECEIVER_NOT_READY
            and self._levels & RECEIVER_READY
        ):
            self.unit.command(unit.UNSUSPEND)

    def deadline_us(self):
        """Return when an acting state is over by time, or None."""
        if self.unit.state == unit.STARTING:
            return self._since_us + ENABLE_SETTLE_US
        return None

    def _changed(self, new, old):
        self._since_us = self._now_us
        self._events.note(self._now_us, ev.UNIT_STATE, new, old)
        if new in _COMMANDED:
            self._raise(_COMMANDED[new])
        enter = self._enter.get(new)
        if enter is not None:
            enter()

    def _enter_aborting(self):
        self._sprocket.halt()
        self._drive.enable(False)
        self._maintenance.stop()
        self._request.finish(self.cause.code, INTERRUPTED)

    def _enter_stopping(self):
        self._maintenance.stop()
        self._request.finish(self.cause.code, SHORT)

    def _enter_pausing(self):
        self._maintenance.stop()
        self._request.pause(self.cause.code)

    def _enter_completing(self):
        self._maintenance.stop()
        if self._request.at_rest:
            self._request.finish(causes.CANCELLED, SHORT)

    def _enter_starting(self):
        self._sprocket.believe_index(True)
        self._drive.enable(True)

    def _enter_execute(self):
        self._request.resume()

    def _release(self):
        self._drive.enable(False)
        self._sprocket.lose()

    def _forget_cause(self):
        self.cause.clear()

    def _at_once(self):
        return True

    def _energised(self):
        return self._now_us >= self._since_us + ENABLE_SETTLE_US

    def _still(self):
        return not self._sprocket.moving and not self._maintenance.busy

    def _paused(self):
        return self._request.at_rest and self._still()

    def _wound_up(self):
        return not self._request.is_open and self._still()
