"""Orders: tickets and the results they led to.

A ticket makes an order unique, so that a host which lost the answer may ask again: the same
ticket with the same quantity is acknowledged and delivered once, with another quantity it is
refused.

Ticket numbers are the host's, and they count up: 1 to TICKET_MAX, then 1 again.  Of two tickets
the newer one is less than half the range ahead of the other (serial number arithmetic, as in RFC
1982).  That is how a ticket asked again long after its result has been dropped is still known to
be an old one, and refused instead of delivered a second time.  0 means "no ticket" and is never
valid.
"""

RESULTS_KEPT = 16  # an integrator's log may lag this many bags behind
TICKET_MAX = 65535  # one 16-bit register on a fieldbus
NEW_AHEAD_MAX = TICKET_MAX // 2


class Result:
    """What became of a request. Plain numbers; outcome and cause as in `request` and `causes`."""

    def __init__(
        self, ticket, quantity, outcome, lower, upper, pockets, retries, duration_ms, cause
    ):
        self.ticket = ticket
        self.quantity = quantity
        self.outcome = outcome
        self.lower = lower
        self.upper = upper
        self.pockets = pockets
        self.retries = retries
        self.duration_ms = duration_ms
        self.cause = cause

    def as_tuple(self):
        """Return all fields, in the order of the constructor's."""
        return (
            self.ticket,
            self.quantity,
            self.outcome,
            self.lower,
            self.upper,
            self.pockets,
            self.retries,
            self.duration_ms,
            self.cause,
        )


class Orders:
    """The newest results, newest first."""

    def __init__(self):
        self._results = []

    def add(self, result):
        """Keep a result, in place of one of the same ticket; the oldest of too many is dropped."""
        for place in range(len(self._results)):
            if self._results[place].ticket == result.ticket:
                self._results[place] = result
                return
        self._results.insert(0, result)
        if len(self._results) > RESULTS_KEPT:
            self._results.pop()

    def is_new(self, ticket):
        """True if `ticket` comes after every ticket so far; any does where there is none."""
        if not self._results:
            return True
        return 0 < (ticket - self._results[0].ticket) % TICKET_MAX <= NEW_AHEAD_MAX

    def find(self, ticket):
        """Return the result of `ticket`, or None; ticket 0 asks for the newest."""
        for result in self._results:
            if ticket in (0, result.ticket):
                return result
        return None

    def oldest_first(self):
        """Return the results that are kept, in the order in which they were added."""
        return list(reversed(self._results))

    def tickets(self):
        """Return the tickets whose results are kept, newest first."""
        return [result.ticket for result in self._results]
