"""The verdict: what the evidence of one verification means, and what a request amounted to.

Theory of operation
-------------------
Two pure functions over the tally and the evidence that a request has gathered.  `decide` says
what to do next, in an order that is the whole of the recovery policy:

1. nothing more may be sent: close;
2. somebody, or a missing bag, has broken the request off: wait for them, or close;
3. the drive has stalled or the index went missing: free it, rung by rung;
4. pockets stayed silent in a row: the magazine is empty, or parts hang in it and want shaking;
5. searches without a trace of the position, or too many runs: ask a person;
6. parts are simply missing: run again for them.

`judge` turns bounds into an outcome: `exact` only when both bounds are the quantity.
"""

from controller.cycle import causes

# What to do.
CLOSE, BREAK_OFF, FREE, SHAKE, ASK, AGAIN = range(6)

# Outcomes of a request.
EXACT, SHORT, DOUBTFUL, INTERRUPTED = range(4)

# Searches of one request that may end with the position still unknown before a person is asked.
# Each creeps a pitch; a wheel of few pockets is round by then, and an empty magazine shows sooner.
SEARCHES_MAX = 8


class Evidence:
    """What a request has seen besides its pulses and pockets."""

    def __init__(self):
        self.ending = None  # outcome somebody wants it to close with: SHORT or INTERRUPTED
        self.paused = False  # the unit has left Execute for a while
        self.seen = 0  # parts seen when the last decision was made
        self.start_over()

    def start_over(self):
        """A person has helped: what was held against the machine is forgiven."""
        self.runs = 0
        self.searches = 0  # runs begun with the position unknown
        self.jam = causes.NO_CAUSE  # evidence against the drive, not yet acted upon
        self.stuck = False  # the beam stayed blocked longer than any part takes

    @property
    def broken_off(self):
        """True when the request may not go on for now, or for good."""
        return self.paused or self.ending is not None


def decide(tally, evidence, settings, supplied):
    """Return (what to do, cause). `supplied`: something is there to drop parts into."""
    if tally.owed == 0:
        return CLOSE, causes.NO_CAUSE
    if evidence.broken_off or not supplied:
        return BREAK_OFF, causes.NO_CAUSE
    if evidence.jam != causes.NO_CAUSE:
        return FREE, evidence.jam
    if tally.silent_run >= settings.recovery_silent:
        return SHAKE, causes.MAGAZINE_EMPTY
    if evidence.searches >= SEARCHES_MAX:
        return ASK, causes.POSITION_UNKNOWN
    if evidence.runs >= settings.recovery_runs:
        return ASK, causes.RETRIES_USED
    return AGAIN, causes.NO_CAUSE


def judge(tally, ending):
    """Return (outcome, cause) of a request; cause NO_CAUSE where the outcome speaks for itself."""
    if ending == INTERRUPTED:
        return INTERRUPTED, causes.NO_CAUSE
    if tally.lower > tally.quantity:
        return DOUBTFUL, causes.OVER_RUN
    if not tally.exact:
        return DOUBTFUL, causes.EVIDENCE
    return EXACT if tally.lower == tally.quantity else SHORT, causes.NO_CAUSE
