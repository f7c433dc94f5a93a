"""Counters of the module: what has gone through it since the sprocket was changed, and ever.

They are what maintenance is planned by: pieces against the rated life of the sprocket, empty
pockets as the first sign of wear, jams and retries as signs of a bad joint or a bad part.
"""


class Counters:
    """Plain sums; `pieces`, `pockets` and `misses` start anew with a new sprocket."""

    def __init__(self):
        self.lifetime = 0  # parts seen at the beam, ever
        self.pieces = 0  # parts seen since the sprocket was changed
        self.pockets = 0  # pockets passed since the sprocket was changed
        self.misses = 0  # pockets proven empty since the sprocket was changed
        self.jams = 0  # stalls and missing pocket indices, ever
        self.retries = 0  # runs beyond the first of a request, ever
        self.strays = 0  # parts that belong to no request, ever

    def part(self):
        self.lifetime += 1
        self.pieces += 1

    def sprocket_changed(self):
        self.pieces = 0
        self.pockets = 0
        self.misses = 0
