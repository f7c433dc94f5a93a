"""The place: where the sprocket stands, as far as that is known, and what it may have let go.

Theory of operation
-------------------
Everything is measured in motor steps of the *sprocket's* position.  Pocket k lets its part go at
`ratio.release(k)`, midway between the dwell positions k-1 and k.

`frontier` is the furthest pocket whose release may have happened.  Going back and forth below it
opens no new pocket.

The position is *known* or it is not.  While it is unknown every stretch of one pitch, forward,
may let one part go, and n pitches can let go n at most.  What has been gone back may be gone
forward again for nothing: that is the slack.
"""

from controller.motion.gear import PPM, PocketRatio

# A blind stretch stays short of whole pitches by this part of one: parts let go with some scatter,
# so a whole pitch from just before one release could reach the next.
SHY_DIVISOR = 8


class Place:
    """Position and frontier of one sprocket; both are those at rest, the last time it was."""

    def __init__(self, settings):
        self.ratio = PocketRatio(
            settings.motor_full_steps,
            settings.motor_microsteps,
            settings.gear_stages,
            settings.sprocket_pockets,
        )
        self.pitch = self.ratio.of_ppm(PPM)
        self._half = self.ratio.of_ppm(PPM // 2)
        self._shy = self.pitch // SHY_DIVISOR
        # Steps from an index edge to the release edge ahead of it.
        self.index_lead = self.ratio.of_mdeg(settings.sprocket_release_mdeg) or self.pitch // 2
        self.known = False
        self.position = 0
        self.frontier = 0
        self.corrected = 0  # steps by which the last piece of evidence moved the position
        self.slack = 0  # position unknown: steps gone back that may be gone forward again

    @property
    def room_back(self):
        """Steps the wheel may still go back: half a pitch behind the furthest it has been.

        Further back an empty pocket comes under the magazine again; filled, it would let go a
        second part over an edge that counts as passed.
        """
        behind = self.to_rest(self.frontier) if self.known else self.slack
        return max(0, self._half - behind)

    def to_rest(self, pocket):
        """Return the steps from here to the dwell behind `pocket`, position known."""
        return self.ratio.target(pocket) - self.position

    def to_release(self, pocket):
        """Return the steps from here to the release edge of `pocket`, position known."""
        return self.ratio.release(pocket) - self.position

    def blind_steps(self, opened):
        """Return the steps from here at which one more than `opened` may let go, if unknown."""
        return self.slack + (opened * self.pitch - self._shy if opened else 0)

    def first_edge(self, steps):
        """Return (steps to the first edge of a blind move, edges from there to the one found).

        A release edge was found `steps` from here; the others lie whole pitches before it.  The
        first is the one ahead, or one so little behind that scatter may have let its part go since:
        counted late, it would be one more than was asked for; counted early, it is made up for.
        """
        count = 0
        while steps > self.pitch - self._shy:  # bounded by the pitches of the move
            steps -= self.pitch
            count += 1
        while steps <= -self._shy:
            steps += self.pitch
        return steps, count

    def pockets_ahead(self, steps):
        """Return how many new pockets a move by `steps` from here may let go; 0 backward."""
        if self.known:
            return max(0, self.ratio.pocket_at(self.position + steps) - self.frontier)
        count = 0
        while self.blind_steps(count) < steps:
            count += 1
        return count

    def next_index(self):
        """Return the pocket whose index edge comes next when going forward."""
        return max(self.frontier, self.ratio.pocket_at(self.position + self.index_lead) + 1)

    # ---- what changes it ------------------------------------------------------------------------

    def lose(self):
        """Forget the position (motor released, stall, cut)."""
        self.known = False
        self.slack = 0

    def find(self, pocket, steps):
        """Know the position: the release edge of `pocket` lies `steps` from here."""
        before = self.position
        self.position = self.ratio.release(pocket) - steps
        self.corrected = self.position - before
        self.known = True

    def lag(self, steps):
        """The wheel stands so many steps behind what was thought."""
        self.position -= steps
        self.corrected = -steps

    def travel(self, steps):
        """The wheel has been moved, and is at rest again."""
        self.position += steps
        if not self.known:
            self.slack = max(0, min(self.slack - steps, self._half))

    def step_back(self, base):
        """Take the frontier back to what has surely been passed, though not below `base`.

        A lagging wheel, or a search that ended short of the release it had opened, has pockets
        behind the frontier that have not let go.  The next run passes them; until then the tally
        has them as silent.
        """
        passed = self.ratio.pocket_at(self.position - self._shy)
        self.frontier = min(self.frontier, max(base, passed))
