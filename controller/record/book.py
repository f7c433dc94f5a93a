"""The book: what the module remembers of its work, whatever becomes of the power.

Theory of operation
-------------------
Every record carries the counters as they stand.  Most also carry a result:

    OPEN     the last will of a request that is not closed: what its result is to be, should the
             power go now.  The first one is in the store before the request is acknowledged, let
             alone before it moves anything; later ones are its checkpoints
    CLOSED   a result, in the store before any host can read it, and again when a stray part has
             changed it afterwards
    TOTALS   nothing: only the counters were worth a record
    LEARNED  no counters: what the charts of `counting.phase` have learned, or are to forget

So nothing has to be worked out at power-up, nor written: if the last word about a request is a
will, the will is its result, `interrupted`.  Its ticket is known like any other: asked again, it
is acknowledged and not delivered.  Every power-up says so again, until the next request is put
down.

What a will promises.  Lower bound: the parts seen when it was written; they are in the bag.  Upper
bound: at most one part, and a second one where it has not been judged yet, for every pocket that
may have let go before the next will is written.  `_most_out` adds them up:

    upper     the tally's own bound: pockets that may have let go, less those proven empty
    empty     those, because their part may cling, and fall when nobody looks
    stage     pockets passed before the next will, which is written after `record_checkpoint`; a
              run is never longer than what is owed, so the last stage may be shorter
    LATE      one more may have let go before a round has noticed
    COAST     a wheel without power runs on less than a pocket, so over one release at most
    seconds   a pocket may have held two parts, and the second was not yet seen.  Once it is seen
              it raises the tally's bound and is put down at once; so this is one for each pocket
              let go within the time a part may take to fall and to be told from the next

While the request waits for help nothing turns: then only what clings, and seconds of pockets whose
parts have left no proper trace (a blocked chute), can still fall.  A will written at rest is tight
for that reason, and is replaced before the next move.

A will is due when more may be out than the last one allows, when evidence came that belongs to no
pocket, or when rest makes a tighter one possible.
"""

import struct

from controller.cycle.causes import POWER_CUT
from controller.cycle.orders import RESULTS_KEPT, Result
from controller.cycle.verdict import INTERRUPTED
from controller.record.journal import SEAL_BYTES, Journal, framed_bytes, span

OPEN, CLOSED, TOTALS, LEARNED = 1, 2, 3, 4  # kinds of records; 0 is the journal's

_TOTALS = "<8I"  # as in `Counters.as_tuple`
_RESULT = "<HIBIIIHIB"  # as in `Result.as_tuple`
_LEARNED = "<IiIiI"  # as in `Phase.learned`
TOTALS_BYTES = struct.calcsize(_TOTALS)
RESULT_BYTES = struct.calcsize(_RESULT)
LEARNED_BYTES = struct.calcsize(_LEARNED)
RECORD_BYTES = framed_bytes(TOTALS_BYTES + RESULT_BYTES)  # the longest
_PAYLOAD_BYTES = {
    OPEN: RESULT_BYTES + TOTALS_BYTES,
    CLOSED: RESULT_BYTES + TOTALS_BYTES,
    TOTALS: TOTALS_BYTES,
    LEARNED: LEARNED_BYTES,
}
# All results, a will, what has been learned, and the seal.
SNAPSHOT_BYTES = (RESULTS_KEPT + 1) * RECORD_BYTES + framed_bytes(LEARNED_BYTES) + SEAL_BYTES
WORD_MAX = 0xFFFFFFFF
HALF_WORD_MAX = 0xFFFF

LATE = 1  # a round comes at every release; its edge may be early by less than a pocket
COAST = 1
# A stray part changes a result that is closed, and is put down.  More of them than this are no
# parts but something that flickers in the beam, which must not wear the store out.
STRAYS_RECORDED_MAX = 16

# What has become of the store.
SOUND, MISSING, LOST, FAILED = range(4)


class Book:
    """Results, counters and the open request, kept in a store."""

    def __init__(self, store, settings, windows, counters, orders, phase):
        """A store without room for a snapshot and a record is taken for none: MISSING."""
        self._journal = Journal(store, SNAPSHOT_BYTES)
        self._every = settings.record_checkpoint
        self._cruise_us = windows.cruise_us
        self._seconds = (windows.late_us + windows.stuck_us) // windows.cruise_us + 1 + COAST
        self._counters = counters
        self._orders = orders
        self._phase = phase
        self._will = None
        self._promised = 0  # upper bound of the will
        self._extra = 0  # evidence without a pocket that it knows of
        self._strays = 0  # of the newest result
        self._lifetime = 0  # parts seen up to the last record
        unit = store.unit_bytes
        room = store.size_bytes - span(SNAPSHOT_BYTES, unit) - span(RECORD_BYTES, unit)
        self.condition = SOUND if room >= 0 else MISSING

    # ---- power-up -------------------------------------------------------------------------------

    def restore(self, ran_on_us=0):
        """Read everything; return the result of the last request if a cut has interrupted it.

        `ran_on_us`: the drive may have run on for so long with nobody counting.  Every pocket let
        go meanwhile may have held two parts; the will is put down anew, wider by them.
        """
        if self.condition == MISSING:
            return None
        self._journal.replay(self._take)
        if self._journal.damaged:
            self.condition = LOST
        self._lifetime = self._counters.lifetime
        if self._will is not None:
            if ran_on_us:
                self._will.upper += 2 * (ran_on_us // self._cruise_us + 1)
                self._put(OPEN, self._will)
            self._orders.add(self._will)
        return self._will

    def _take(self, kind, payload):
        if len(payload) != _PAYLOAD_BYTES.get(kind):
            self._journal.damaged = True  # written by another version
            return
        if kind == LEARNED:
            self._phase.restore(struct.unpack(_LEARNED, payload))
            return
        if kind == TOTALS:
            self._counters.restore(struct.unpack(_TOTALS, payload))
            return
        self._counters.restore(struct.unpack(_TOTALS, payload[RESULT_BYTES:]))
        result = Result(*struct.unpack(_RESULT, payload[:RESULT_BYTES]))
        will = self._will
        if will is not None and will.ticket != result.ticket:
            self._orders.add(will)  # a cut has interrupted it
        if kind == CLOSED:
            self._orders.add(result)
        self._will = result if kind == OPEN else None

    # ---- a request ------------------------------------------------------------------------------

    def open(self, ticket, quantity):
        """Put a new request down. False if the store does not keep it: then it must not begin."""
        most = self._most_out(0, self._stage(quantity))
        self._promised = most
        self._extra = 0
        before = self._will
        self._will = Result(ticket, quantity, INTERRUPTED, 0, most, 0, 0, 0, POWER_CUT)
        if self._put(OPEN, self._will):
            self._strays = 0
            return True
        self._will = before
        return False

    def follow(self, request, tally, now_us):
        """Put down what is due; called in every round, before anything may move."""
        if self.condition == FAILED:
            return
        if not request.is_open:
            if self._phase.fresh:
                self.keep_learned()
            if 0 < self._every <= self._counters.lifetime - self._lifetime:
                self._put(TOTALS)
            return
        if request.at_rest:
            unjudged = tally.upper - tally.lower - tally.extra
            most = tally.upper + tally.empty + max(0, unjudged)
            due = most != self._promised
        else:
            out = tally.upper + tally.empty
            most = self._most_out(out, self._stage(tally.owed))
            due = self._most_out(out, 0) > self._promised
        if due or tally.extra != self._extra:
            self._promised = most
            self._extra = tally.extra
            self._will = self._will_of(request, tally, most, now_us)
            self._put(OPEN, self._will)

    def close(self, result):
        """Put a result down that is among the orders already; a host may read it afterwards."""
        self._will = None
        self._strays = 0
        self._put(CLOSED, result)

    def amend(self, result):
        """Put the newest result down again, because a stray part has changed it."""
        self._strays += 1
        if self._strays <= STRAYS_RECORDED_MAX:
            self._put(OPEN if result is self._will else CLOSED, result)

    def keep(self):
        """Put the counters down: something has been done to magazine or sprocket."""
        self._put(TOTALS)

    def keep_learned(self):
        """Put down what has been learned."""
        self._phase.fresh = False
        self._put(LEARNED)

    def _stage(self, owed):
        """Pockets that may be passed from one will to the next."""
        return owed if self._every == 0 or owed <= self._every else self._every - 1

    def _most_out(self, out, stage):
        """Return how many parts may be out when power goes before `stage` more pockets are seen."""
        return out + stage + LATE + COAST + self._seconds

    def _will_of(self, request, tally, most, now_us):
        return Result(
            request.ticket,
            request.quantity,
            INTERRUPTED,
            tally.lower,
            most,
            tally.pockets,
            request.retries,
            (now_us - request.opened_us) // 1000,
            POWER_CUT,
        )

    # ---- records --------------------------------------------------------------------------------

    def _put(self, kind, result=None):
        """Append a record, with a fresh segment if need be. False if the store does not keep it."""
        if self.condition == MISSING:
            return True
        journal = self._journal
        payload = self._learned() if kind == LEARNED else self._payload(result)
        if not (journal.append(kind, payload) or journal.compact(self._snapshot())):
            self.condition = FAILED
            return False
        if self.condition == FAILED:
            self.condition = SOUND
        self._lifetime = self._counters.lifetime
        return True

    def _payload(self, result):
        totals = struct.pack(_TOTALS, *[min(n, WORD_MAX) for n in self._counters.as_tuple()])
        if result is None:
            return totals
        fields = list(result.as_tuple())
        fields[6] = min(fields[6], HALF_WORD_MAX)  # retries
        fields[7] = min(fields[7], WORD_MAX)  # ms: seven weeks
        return struct.pack(_RESULT, *fields) + totals

    def _learned(self):
        return struct.pack(_LEARNED, *self._phase.learned())

    def _snapshot(self):
        """Return the records that say the same as all there are."""
        records = [(LEARNED, self._learned())]
        for result in self._orders.oldest_first():
            if result is not self._will:
                records.append((CLOSED, self._payload(result)))
        if self._will is not None:
            records.append((OPEN, self._payload(self._will)))
        if len(records) == 1:
            records.append((TOTALS, self._payload(None)))
        return records
