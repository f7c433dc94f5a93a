"""Charts: statistics of a quantity that is measured part by part, in integers.

Theory of operation
-------------------
    Ewma     the exponentially weighted moving average: z' = z + share (x - z)
    Cusum    the tabular cumulative sum, either way: S' = max(0, S + deviation - allowance)
    Chart    learns target and scatter of a quantity, then keeps both for it

Formulas and names are those of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and
6.3.2.4.  So is the allowance of half a sigma, which is quickest to find a shift of one.  Its limit
of 4 or 5 sigma is not: it cries wolf once in 465 points, which is a shift's work where a point is a
sample of the day, and not a minute's here, where each part is one.  With 20 sigma that is less than
once in 100 million parts for a normal quantity whose target is 0.09 sigma off, as one in twenty of
those learned from 512 parts is: (exp(2 k b) - 2 k b - 1) / 2 k^2 with k = 0.41 and b = 20 + 1.166
(Siegmund's approximation, from memory).  A shift of one sigma then takes 40 parts to be told, one
of three takes 8.

Values are integers in a unit fine enough that a rounded half of one does not matter.  One freak is
no drift: what lies further than 4 sigma away counts as just so far.
"""

from controller.motion.intmath import root

LEARN_PARTS = 512  # from which target and scatter are learned: sigma / 23, and 3 % of it
RECENTRE_PARTS = 128  # from which the target alone is learned anew: sigma / 11
CLIP_SIGMAS = 4
LIMIT_SIGMAS = 20
# Of the averages that are told: the newest three dozen parts or so make most of them.
SHARE_NUM = 1
SHARE_DEN = 32


class Ewma:
    """A moving average in which the newest value has the share `num / den`."""

    def __init__(self, num, den):
        self._num = num
        self._den = den
        self._sum = 0  # the average times den, so that nothing is lost to rounding

    def start(self, value):
        """Begin at `value`."""
        self._sum = value * self._den

    def add(self, value):
        """Take the next value; return the average."""
        self._sum += self._num * value - self._num * self._sum // self._den
        return self.value

    @property
    def value(self):
        """The average, rounded to nearest."""
        return (self._sum + self._den // 2) // self._den


class Cusum:
    """The two sums, in the unit of the values, and for how many values each has not been 0."""

    def __init__(self):
        self.clear()

    def clear(self):
        """Begin anew."""
        self.up = self.down = 0
        self.up_for = self.down_for = 0

    def add(self, deviation, allowance):
        """Take the next deviation from the target."""
        self.up = max(0, self.up + deviation - allowance)
        self.up_for = self.up_for + 1 if self.up else 0
        self.down = max(0, self.down - deviation - allowance)
        self.down_for = self.down_for + 1 if self.down else 0


class Chart:
    """One quantity: target and scatter as learned, the present averages, the two sums."""

    def __init__(self, least_sigma):
        """`least_sigma`: scatter below which differences are the measuring's own; at least 1."""
        self._least = least_sigma
        self._mean = Ewma(SHARE_NUM, SHARE_DEN)
        self._square = Ewma(SHARE_NUM, SHARE_DEN)
        self.sums = Cusum()
        self.learn()

    def learn(self):
        """Learn target and scatter from the next LEARN_PARTS values."""
        self.target = 0
        self.sigma = 0  # not known
        self._begin(LEARN_PARTS)

    def recentre(self):
        """Learn the target from the next RECENTRE_PARTS values; the scatter is known if it was."""
        self._begin(RECENTRE_PARTS if self.sigma else LEARN_PARTS)

    def restore(self, target, sigma):
        """Take over what has been learned before."""
        self.target = target
        self.sigma = sigma
        self._watch()

    def _begin(self, count):
        self._wanted = count
        self.count = 0  # values learned from so far
        self._first = 0
        self._sum = 0  # of the differences to the first one, and of their squares
        self._squares = 0
        self.sums.clear()

    @property
    def watching(self):
        """True when everything has been learned."""
        return self._wanted == 0

    @property
    def mean(self):
        """The moving average; the target until there is one."""
        return self._mean.value

    @property
    def scatter(self):
        """The present standard deviation about the moving average."""
        return root(max(0, self._square.value), 2)

    @property
    def limit(self):
        """What neither sum may reach."""
        return LIMIT_SIGMAS * self.sigma

    def take(self, value):
        """Take the next value; return True if it has completed the learning."""
        if not self.watching:
            return self._learn(value)
        off = self._clipped(value - self.mean)
        self._mean.add(self.mean + off)
        self._square.add(off * off)
        self.sums.add(self._clipped(value - self.target), self.sigma // 2)
        return False

    def _clipped(self, deviation):
        reach = CLIP_SIGMAS * self.sigma
        return max(-reach, min(deviation, reach))

    def _learn(self, value):
        if not self.count:
            self._first = value
        value -= self._first
        self.count += 1
        self._sum += value
        self._squares += value * value
        if self.count < self._wanted:
            return False
        count = self.count
        self.target = self._first + self._sum // count
        if not self.sigma:
            variance = (self._squares - self._sum * self._sum // count) // (count - 1)
            self.sigma = max(self._least, root(variance, 2))
        self._watch()
        return True

    def _watch(self):
        self._wanted = 0
        self._mean.start(self.target)
        self._square.start(self.sigma * self.sigma)
        self.sums.clear()
