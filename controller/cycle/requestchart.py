"""The request chart: how one request for a quantity goes from opened to closed.

Theory of operation
-------------------
A request lives inside the unit's Execute.  It tests the beam, makes sure where the sprocket stands,
then counts: one run over all the pockets still owed, a wait until the last part must have fallen, a
verdict, and another run for what is missing.  A run with the position unknown is a search: the
request registers until the position is found, and goes on counting in the same run.

Evidence of a jam is judged at rest, when all that fell has been counted.  It leads through the
freeing ladder and back to the test of the beam.  What the module can't put right by itself waits
for help, and when help has come starts over with that test too.  `close` is legal in every open
state, and only there.

The numbers are those of the progress query and of the event record.
"""

from controller.cycle.chart import Chart

NONE = 0  # no request since power-up
TESTING = 1  # the beam's self-test
REGISTERING = 2  # finding the pocket position
COUNTING = 3  # a run is under way
SETTLING = 4  # at rest; the last parts may still be falling
VERIFYING = 5  # judging what was seen
FREEING = 6  # the ladder of moves against a jam
WAITING = 7  # for a person or for supply
CLOSED = 8  # has its outcome

STATES = (
    "none",
    "testing",
    "registering",
    "counting",
    "settling",
    "verifying",
    "freeing",
    "waiting",
    "closed",
)

OPEN_STATES = (TESTING, REGISTERING, COUNTING, SETTLING, VERIFYING, FREEING, WAITING)

TRANSITIONS = (
    ("open", (NONE, CLOSED), TESTING),
    ("beam_ok_known", (TESTING,), COUNTING),
    ("beam_ok_lost", (TESTING,), REGISTERING),
    ("registered", (REGISTERING,), COUNTING),
    ("run_ended", (REGISTERING, COUNTING), SETTLING),
    ("settled", (SETTLING,), VERIFYING),
    ("more", (VERIFYING,), COUNTING),
    ("lost", (VERIFYING,), REGISTERING),
    ("jammed", (VERIFYING,), FREEING),
    ("freed", (FREEING,), TESTING),
    ("help", (TESTING, REGISTERING, VERIFYING, FREEING), WAITING),
    ("helped", (WAITING,), TESTING),
    ("close", OPEN_STATES, CLOSED),
)


class RequestChart(Chart):
    """The state of the request; `fire(trigger)` as in `Chart`. Starts with no request."""

    def __init__(self, on_change):
        """`on_change(new_state, old_state)` is called after every change of state."""
        super().__init__(range(NONE, CLOSED + 1), TRANSITIONS, NONE, on_change)

    def is_open(self):
        """Return True while a request is neither absent nor closed."""
        return self.state in OPEN_STATES

    def name(self):
        """Return the name of the present state."""
        return STATES[self.state]
