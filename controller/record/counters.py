"""Counters of the module: what has gone through it since the sprocket was changed, and ever.

They are what maintenance is planned by: pieces against the rated life of the sprocket, misses
(`counting.misses`) as the first sign of wear, jams and retries as signs of a bad joint or a bad
part.  The magazine level stands among them: it is what was said to be loaded less what has fallen.
"""


class Counters:
    """Plain sums; `pieces`, `pockets` and `misses` start anew with a new sprocket."""

    def __init__(self):
        self.lifetime = 0  # parts seen at the beam, ever
        self.pieces = 0  # parts seen since the sprocket was changed
        self.pockets = 0  # pockets passed since the sprocket was changed
        self.misses = 0  # pockets empty although parts were there, since then as well
        self.jams = 0  # stalls and missing pocket indices, ever
        self.retries = 0  # runs beyond the first of a request, ever
        self.strays = 0  # parts that belong to no request, ever
        self.magazine = 0  # parts reckoned to be in the magazine

    def part(self):
        self.lifetime += 1
        self.pieces += 1
        self.magazine = max(0, self.magazine - 1)

    def sprocket_changed(self):
        self.pieces = 0
        self.pockets = 0
        self.misses = 0

    def as_tuple(self):
        return (
            self.lifetime,
            self.pieces,
            self.pockets,
            self.misses,
            self.jams,
            self.retries,
            self.strays,
            self.magazine,
        )

    def restore(self, values):
        """Take over values as `as_tuple` gives them."""
        (
            self.lifetime,
            self.pieces,
            self.pockets,
            self.misses,
            self.jams,
            self.retries,
            self.strays,
            self.magazine,
        ) = values
