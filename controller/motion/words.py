"""Step words and moves: what a drive is given to carry out.

Theory of operation
-------------------
The step engine is a small state machine clocked at `TICK_HZ`.  It takes 32-bit words; each asks for
`n` steps at one constant interval:

    bits 0..11   n - 1                       1..4096 steps
    bits 12..31  interval - OVERHEAD_TICKS   14..1048589 ticks

The interval comes *before* its step: from rest, step i rises at the sum of the first i intervals.

A move is a head (speeding up), a cruise of whole steps at one interval, and a tail (slowing down).
Only the cruise depends on the distance, so head and tail are shared by many moves, and a running
move can be shortened by lowering its cruise alone.

`compress` turns step times into words.  It grows each word for as long as one whole interval keeps
*every* step of it near its own time (a corridor of slopes).  The corridor is drawn around absolute
times, so rounding never adds up.  Of the intervals that fit a word takes the longest: speeding up,
that leaves the next word the most room (6 % fewer words than the middle one).
"""

from array import array

TICK_HZ = 5_000_000  # a whole divider of both 125 MHz and 150 MHz: no jitter from the divider
PULSE_TICKS = 10  # 2 us high: stepper drivers ask for 1 to 2 us
OVERHEAD_TICKS = 14  # shortest interval: the pulse and the instructions that time the next one
MAX_INTERVAL_TICKS = OVERHEAD_TICKS + 0xFFFFF  # what the 20 bits of a word can say: 0.2097 s
MAX_WORD_STEPS = 4096

# Steps that a drive may already have handed to the engine: it can't take them back.  Ten words are
# on their way at worst (8 in the queue, 1 unpacked, 1 running), so cruise goes out 6 steps a word.
IN_FLIGHT_STEPS = 64

SUBTICKS = 16  # step times are handled in sixteenths of a tick, rounded down
# A time rounded down by less than 1 subtick and an interval that is off by at most this many leave
# every step within one tick of its exact time.
_SLACK = SUBTICKS - 1
_UNSAYABLE = MAX_INTERVAL_TICKS + 1  # stands for all longer intervals: `pack` refuses it


def pack(steps: int, interval_ticks: int) -> int:
    """Return the word for `steps` at `interval_ticks`. Raises ValueError if it can't be said."""
    if not 1 <= steps <= MAX_WORD_STEPS:
        raise ValueError(f"a word holds 1 to {MAX_WORD_STEPS} steps, not {steps}")
    if not OVERHEAD_TICKS <= interval_ticks <= MAX_INTERVAL_TICKS:
        raise ValueError(
            f"an interval is {OVERHEAD_TICKS} to {MAX_INTERVAL_TICKS} ticks, not {interval_ticks}"
        )
    return (steps - 1) | (interval_ticks - OVERHEAD_TICKS) << 12


def unpack(word: int) -> tuple[int, int]:
    """Return (steps, interval_ticks) of a word."""
    return (word & 0xFFF) + 1, (word >> 12) + OVERHEAD_TICKS


def compress(times, shortest_ticks: int):
    """Return array('I') of words whose steps rise within one tick of `times`.

    `times`: of each step since the start, in subticks, rounded down, at least `shortest_ticks`
    apart.  No interval comes out shorter than that.  A step due at a whole tick rises exactly then.
    Raises ValueError where two steps lie further apart than a word can say.
    """
    words = array("I")
    origin = steps = 0
    least, most = shortest_ticks, _UNSAYABLE
    for time in times:
        while True:
            steps += 1
            unit = steps * SUBTICKS
            low = max(least, -((_SLACK + origin - time) // unit))
            high = min(most, (time + _SLACK - origin) // unit)
            if steps == 1 or (low <= high and steps <= MAX_WORD_STEPS):
                break
            words.append(pack(steps - 1, most))
            origin += (steps - 1) * most * SUBTICKS
            steps = 0
            least, most = shortest_ticks, _UNSAYABLE
        least, most = low, high
    if steps:
        words.append(pack(steps, most))
    return words


def mirrored(words):
    """Return a copy of array('I') `words` in reverse order: the same motion backwards in time."""
    copy = array("I")
    for index in range(len(words) - 1, -1, -1):
        copy.append(words[index])
    return copy


class Span:
    """A stretch of words with its totals: `steps`, `ticks`."""

    def __init__(self, words):
        self.words = words
        self._marks = None
        self.steps = self.ticks = 0
        for word in words:
            steps, interval = unpack(word)
            self.steps += steps
            self.ticks += steps * interval

    def ticks_to(self, step: int) -> int:
        """Return the ticks from the start of the span to the rise of its `step`, 0..`steps`."""
        if step == 0:
            return 0  # true of a span without words, too
        if self._marks is None:
            self._marks = self._sum_up()
        steps_before, ticks_before = self._marks
        low, high = 0, len(self.words)
        while high - low > 1:
            middle = (low + high) // 2
            if steps_before[middle] < step:
                low = middle
            else:
                high = middle
        return ticks_before[low] + (step - steps_before[low]) * unpack(self.words[low])[1]

    def _sum_up(self):
        """Return two array('I'): steps and ticks before each word. Made once, when first asked."""
        steps_before, ticks_before = array("I"), array("I")
        steps_sum = ticks_sum = 0
        for word in self.words:
            steps_before.append(steps_sum)
            ticks_before.append(ticks_sum)
            steps, interval = unpack(word)
            steps_sum += steps
            ticks_sum += steps * interval
        return steps_before, ticks_before


class Move:
    """One motion from rest to rest; never changed once made.

    `direction` is +1 or -1; `head` and `tail` are array('I') of words; the cruise between them is
    `cruise_steps` (may be 0) at `cruise_ticks` each.  `steps` counts them all, without sign.
    `spans`: (Span of head, Span of tail) where another move has already summed them up.
    Raises ValueError for another direction.
    """

    def __init__(self, direction, head, cruise_steps, cruise_ticks, tail, spans=None):
        if direction not in (1, -1):
            raise ValueError(f"direction is +1 or -1, not {direction}")
        self.direction = direction
        self.head = head
        self.cruise_steps = cruise_steps
        self.cruise_ticks = cruise_ticks
        self.tail = tail
        self.spans = spans or (Span(head), Span(tail))
        self.steps = self.spans[0].steps + cruise_steps + self.spans[1].steps

    def duration_ticks(self) -> int:
        """Return the ticks from the start to the rise of the last step."""
        return self.spans[0].ticks + self.cruise_steps * self.cruise_ticks + self.spans[1].ticks

    def pairs(self):
        """Yield (steps, interval_ticks) in order; the cruise is one pair, however long."""
        for word in self.head:
            yield unpack(word)
        if self.cruise_steps:
            yield self.cruise_steps, self.cruise_ticks
        for word in self.tail:
            yield unpack(word)

    def amended(self, cruise_steps: int) -> "Move":
        """Return this move with a shorter cruise; it shares head and tail. Raises ValueError."""
        if not 0 <= cruise_steps <= self.cruise_steps:
            raise ValueError(f"a cruise of {self.cruise_steps} can't become {cruise_steps} steps")
        return self.with_cruise(cruise_steps, self.direction)

    def with_cruise(self, cruise_steps: int, direction: int) -> "Move":
        """Return a move with this one's head and tail, another cruise, and `direction`."""
        return Move(direction, self.head, cruise_steps, self.cruise_ticks, self.tail, self.spans)
