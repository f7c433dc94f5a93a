"""The freeing ladder: small moves that make a stuck part let go, in the order settings give.

Theory of operation
-------------------
Each piece of evidence (a stall, a missing pocket index, pockets without a part) earns one rung.
If parts come again the ladder starts from its first rung next time; if not, the next rung
follows; when there is none left the unit asks for a person.  A rung is broken into single
creeping moves and rests, held in a short queue; a move that stalls ends its rung.

Reversals stay below half a pocket (settings see to that), so no part is carried back over the
release edge or into the magazine.  A forward move counts like a run: it is left out when it
could let go more pockets than are still owed.  Against parts that hang in the magazine only the
shaking and resting rungs help; the others are skipped.
"""

from controller.settings import FORWARD, REST, REVERSE, SHAKE

# Rungs one request may use in all, however often parts come again in between: a module that
# needs more than this for one bag is not one to leave alone with a bag.
RUNGS_MAX = 24


class Ladder:
    """Climbs one rung at a time; `begin`, then `poll` until it returns True."""

    def __init__(self, settings, sprocket):
        self._rungs = settings.recovery_ladder
        self._sprocket = sprocket
        self.rung = 0  # next rung to try
        self.used = 0  # rungs used by this request
        self.move = 0  # code of the rung under way
        self._queue = []  # steps to creep, or (ms,) to rest
        self._rest_until_us = None

    def reset(self):
        """A new request, or a person has helped: all rungs are free again."""
        self.rung = 0
        self.used = 0

    def progress(self):
        """A part was seen: begin with the first rung next time."""
        self.rung = 0

    def begin(self, hanging, owed):
        """Take the next rung that fits; return False when there is none left.

        `hanging`: parts hang upstream, as opposed to a jam; `owed`: pockets that may be passed.
        """
        self._queue = []
        self._rest_until_us = None
        while self.rung < len(self._rungs) and self.used < RUNGS_MAX:
            code, amount, times = self._rungs[self.rung]
            self.rung += 1
            if hanging and code not in (SHAKE, REST):
                continue
            self._lay_out(code, amount, times, owed)
            if self._queue:
                self.used += 1
                self.move = code
                return True
        return False

    def poll(self, now_us, stalled):
        """Carry on; return True when the rung is done. Call it while the sprocket is at rest."""
        if stalled:
            self._queue = []
        if self._rest_until_us is not None:
            if now_us < self._rest_until_us:
                return False
            self._rest_until_us = None
        if not self._queue:
            return True
        item = self._queue.pop(0)
        if isinstance(item, tuple):
            self._rest_until_us = now_us + item[0] * 1000
        else:
            self._sprocket.nudge(item, now_us)
        return False

    def deadline_us(self):
        """Return when a rest is over, or None."""
        return self._rest_until_us

    def _lay_out(self, code, amount, times, owed):
        if code == REST:
            self._queue.append((amount,))
            return
        steps = self._sprocket.ratio.of_ppm(amount)
        if code == REVERSE:
            self._queue.append(-steps)
        elif code == SHAKE:
            for _ in range(times):
                self._queue.append(-steps)
                self._queue.append(steps)
        elif code == FORWARD and self._sprocket.pockets_ahead(steps) <= owed:
            self._queue.append(steps)
