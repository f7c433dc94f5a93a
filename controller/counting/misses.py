"""Misses: which of the pockets that stayed empty did so although parts were there.

Theory of operation
-------------------
A worn pocket lets parts past; a pocket that passes while the magazine is empty says nothing about
wear.  Nobody sees into the magazine, but a part that comes out later shows that it still gave.  So
an empty pocket is a miss only *between two parts*: after one that shows the wheel to be fed, and
before one that shows it still is.

    silent pocket --part--> followed --beam proven--> miss
    silent pocket --beam proven--> held --part--> miss

Those at the end of a request that got no further part are starvation and no misses, and so are, if
there were any or the power was gone, the ones in front of the next first part: they were between
magazine and chute when there was nothing to fill them with.  Where a person has helped, nobody
knows what was put in; what was held until then is dropped in the same way.

A miss is told once its part and its proof have both come.  A power cut loses what is held, which
nobody could have judged any more.
"""


class Misses:
    """Judges the empty pockets of the request that is open; the tally reports to it."""

    def __init__(self):
        self._fed = False  # a part has come, and no doubt about the supply since
        self._tail = 0  # silent pockets since the last part
        self._held = 0  # and those since then that were proven empty
        self._followed = 0  # silent pockets that a part came after, not yet proven empty
        self._told = 0  # misses not yet taken

    def open(self):
        """A request begins; of the one before nothing more will be known."""
        self._followed = 0
        self.drop()

    def drop(self):
        """Somebody may have filled the magazine: pockets since the last part are no misses."""
        if self._tail or self._held:
            self.unfed()
        self._tail = 0
        self._held = 0

    def unfed(self):
        """Pockets may be empty from here on to the next part, without having missed one."""
        self._fed = False

    def silent(self):
        """A pocket has passed without a pulse."""
        self._tail += 1

    def part(self):
        """A part has come out of a pocket behind all the silent ones."""
        if self._fed:
            self._followed += self._tail
            self._told += self._held
        self._tail = 0
        self._held = 0
        self._fed = True

    def proven(self):
        """The silent pockets were empty."""
        self._told += self._followed
        self._held += self._tail
        self._followed = 0
        self._tail = 0

    def blinded(self):
        """The silent pockets can't be proven empty any more."""
        self._followed = 0
        self._tail = 0

    def clung(self):
        """A part fell late: the pocket judged last was not empty."""
        if self._tail:
            self._tail -= 1
        elif self._held:
            self._held -= 1
        elif self._followed:
            self._followed -= 1

    def take(self):
        """Return how many misses there were since the last call."""
        taken = self._told
        self._told = 0
        return taken
