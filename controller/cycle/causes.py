"""Why the unit stopped: the causes by number, and the one that came first.

Theory of operation
-------------------
A cause is a number.  Its row, in `remedies`, says how grave it is, which unit state it leads to (0:
none, the unit stays in service), what happened, and what the person at the bench should do about
it.  All but the texts is kept here; those are fetched when somebody asks for them.

The first cause wins.  A jam makes the drive stall, the index go missing and the retries run out;
only the first of these is worth reading.  It stays readable until somebody clears it, and gives
way only where its remedy would no longer help: to a graver one, because refilling the magazine
does not bring back a unit whose guard has been opened since, and, unless it is a fault, to one
that leads to another state, because a unit that was suspended and then stopped is not unsuspended.
"""

from controller.borrow import borrow

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

_NOTHING = (NO_CAUSE, 0, 0, "none", "")


def cause(code):
    """Return the row of `code` as in `remedies.CAUSES`; KeyError if there is no such cause."""
    if code == NO_CAUSE:
        return _NOTHING
    for row in _table():
        if row[0] == code:
            return row
    raise KeyError(code)


def _table():
    return borrow("controller.cycle.remedies").CAUSES


class CauseHolder:
    """The first cause since the last clear whose remedy still helps."""

    def __init__(self):
        self._rules = {NO_CAUSE: (0, 0)}  # of each code: severity, unit state it leads to
        for row in _table():
            self._rules[row[0]] = row[1:3]
        self.clear()

    def raise_(self, code, now_us):
        """Take a cause; True if it is kept, False if an earlier one stands.

        Raises KeyError for a code that has no row.
        """
        severity, leads_to = self._rules[code]
        elsewhere = leads_to not in (0, self.leads_to) and self.severity < FAULT
        if severity <= self.severity and not elsewhere:
            return False
        self.code = code
        self.since_us = now_us
        return True

    def end_of(self, code):
        """Return the unit state that the cause `code` leads to; 0 for none."""
        return self._rules[code][1]

    def clear(self):
        """Forget the cause: somebody has dealt with it."""
        self.code = NO_CAUSE
        self.since_us = 0

    @property
    def severity(self):
        """NOTICE, WARNING or FAULT; 0 if there is no cause."""
        return self._rules[self.code][0]

    @property
    def leads_to(self):
        """The unit state the cause leads to; 0 for none."""
        return self._rules[self.code][1]

    @property
    def text(self):
        """What happened."""
        return cause(self.code)[3]

    @property
    def remedy(self):
        """What the person at the bench should do."""
        return cause(self.code)[4]
