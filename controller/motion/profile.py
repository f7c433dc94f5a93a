"""The acceleration profile: from limits to moves.  Integers only, exact, and planned ahead.

Theory of operation
-------------------
A move from rest to rest of n steps has acceleration ramps of length Ta = Tj + Tc, each with jerk
phases Tj at both ends, and runs at peak speed for Tv.  With S = Ta + Tv (all in whole ticks)

    peak speed         n / S                 distance so far    n * p(t) / D
    peak acceleration  n / (S Tc)            D = 6 Tj Tc S      p: integer cubics, one per phase
    jerk               n / (S Tc Tj)         (Tj = 0, trapezoid: D = 2 Tc S, p: a parabola)

So the durations are the plan.  They come from integer roots, rounded up: the limits are never
exceeded, the distance is n by construction, and the time lost is a few ticks.  The profile is
symmetric: half of it is planned, the other half is its mirror image.

Step k rises when n * p(t) = k * D.  Newton's method finds the time in integers; its slope is the
*difference* p(t + 1) - p(t), so a correction of 0 proves that t is the exact time rounded down.

Speed is rounded down to a whole number of ticks per step.  Then the ramp up to cruise is the same
for every run that reaches cruise: it is planned once, and a run is ramp + cruise + mirrored ramp.
Shorter moves need a plan of their own; a few are kept.  Planning takes milliseconds here and a
quarter of a second on a small microcontroller, so it belongs to start-up, or to the host: a planner
that is given the words of another one, as `saved` returns them, plans none of them again.
"""

from array import array

from controller.motion.intmath import ceil_div, ceil_root
from controller.motion.stored import pack_moves, unpack_moves
from controller.motion.words import (
    IN_FLIGHT_STEPS,
    OVERHEAD_TICKS,
    SUBTICKS,
    TICK_HZ,
    Move,
    Span,
    compress,
    mirrored,
    pack,
)

# Least limits.  A word can't say more than 0.2097 s.  The longest interval is that of a move of
# one step, at most 4 max(1 / 2v, sqrt(1 / 2a), cbrt(1 / 2j)): each of these makes that 0.2 s.
MIN_VELOCITY_STEPS_S = 10
MIN_ACCELERATION_STEPS_S2 = 200
MIN_JERK_STEPS_S3 = 4000
MIN_CREEP_STEPS_S = 5  # a constant rate: its interval alone has to fit, 0.2 s
MAX_VELOCITY_STEPS_S = TICK_HZ // OVERHEAD_TICKS

MAX_RAMP_STEPS = 16384  # bounds planning time and heap: 64 KB of words if nothing compressed
SHORT_MOVES = 8  # short moves kept: index by one pocket is two of them (its rounding varies by 1)


class Planner:
    """Plans moves within one set of limits (motor steps per s, s^2, s^3; jerk 0 = trapezoid).

    `cruise_ticks`: interval at cruise; `ramp_steps`: steps of the ramp up to it; `planned`: moves
    it has had to plan itself.  `words`: what `saved` of a planner with the same limits has
    returned; anything else is ignored.
    Raises ValueError, naming the limit, where a limit can't be kept or said.
    """

    def __init__(
        self,
        velocity_steps_s: int,
        acceleration_steps_s2: int,
        jerk_steps_s3: int,
        words: bytes = b"",
    ):
        _check("velocity limit", velocity_steps_s, MIN_VELOCITY_STEPS_S, MAX_VELOCITY_STEPS_S)
        _check("acceleration limit", acceleration_steps_s2, MIN_ACCELERATION_STEPS_S2, None)
        if jerk_steps_s3 != 0:
            _check("jerk limit (0: none)", jerk_steps_s3, MIN_JERK_STEPS_S3, None)
        self._limits = (velocity_steps_s, acceleration_steps_s2, jerk_steps_s3)
        self._acceleration = acceleration_steps_s2
        self._jerk = jerk_steps_s3
        self.cruise_ticks = ceil_div(TICK_HZ, velocity_steps_s)
        self._ramp_durations = self._durations_to_cruise()
        tj, tc = self._ramp_durations
        self.ramp_steps = ceil_div(tj + tc, 2 * self.cruise_ticks)
        if self.ramp_steps > MAX_RAMP_STEPS:
            raise ValueError(
                f"velocity limit {velocity_steps_s} takes {self.ramp_steps} steps to reach, more"
                f" than {MAX_RAMP_STEPS}: lower it, or raise the acceleration or jerk limit"
            )
        self.planned = 0
        ready = unpack_moves(words, self._limits, self.cruise_ticks)
        self._run = ready[0] if ready else self._plan_ramp()
        self._short: list[Move] = ready[1:]

    def move(self, steps: int, direction: int) -> Move:
        """Return the quickest move over `steps` >= 1. Raises ValueError for fewer."""
        if steps < 1:
            raise ValueError(f"a move has at least 1 step, not {steps}")
        cruise_steps = steps - 2 * self.ramp_steps
        if cruise_steps >= 0:
            return self._run.with_cruise(cruise_steps, direction)
        return self._short_move(steps).with_cruise(0, direction)

    def saved(self, lengths=()) -> bytes:
        """Return the words of the ramp, and of the moves over `lengths` that are short, as bytes.

        No more than `SHORT_MOVES` lengths, each less than two ramps.  Raises ValueError otherwise.
        """
        if len(lengths) > SHORT_MOVES:
            raise ValueError(f"{SHORT_MOVES} short moves are kept, not {len(lengths)}")
        for steps in lengths:
            _check("short move", steps, 1, 2 * self.ramp_steps - 1)
        shorts = [self._plan_short(steps) for steps in lengths]
        return pack_moves(self._limits, [self._run] + shorts)

    def _short_move(self, steps):
        """Return the kept plan over `steps`, most recently used last, or make it."""
        for index in range(len(self._short)):
            if self._short[index].steps == steps:
                found = self._short.pop(index)
                break
        else:
            found = self._plan_short(steps)
            if len(self._short) == SHORT_MOVES:
                self._short.pop(0)
        self._short.append(found)
        return found

    def _plan_ramp(self):
        """Return the shortest run that reaches cruise: a ramp, its mirror, nothing between."""
        self.planned += 1
        tj, tc = self._ramp_durations
        # The ramp proper is as long as Ta / 2 of cruise: from its end on, step k rises at Ta / 2 +
        # k intervals, which is a whole tick because Ta is even.
        end = (tj + tc) // 2 + self.ramp_steps * self.cruise_ticks
        times = _step_times(tj, tc, self.cruise_ticks, 1, end, self.ramp_steps)
        head = compress(times, self.cruise_ticks)
        return Move(1, head, 0, self.cruise_ticks, mirrored(head))

    def _plan_short(self, steps):
        """Return a move that is over before it could cruise (it has no cruise to shorten)."""
        self.planned += 1
        tj, tc, s = self._durations(steps)
        total = tj + tc + s
        times = _step_times(tj, tc, s, steps, ceil_div(total, 2), steps // 2)
        head = compress(times, self.cruise_ticks)
        tail = mirrored(head)
        if steps % 2:  # one interval lies across the middle
            head.append(pack(1, total - 2 * Span(head).ticks))
        return Move(1, head, 0, self.cruise_ticks, tail)

    def _durations_to_cruise(self):
        """Return (Tj, Tc) in ticks of the quickest ramp to cruise; their sum is even."""
        a, j, ticks = self._acceleration, self._jerk, self.cruise_ticks
        tj, tc = 0, ceil_div(TICK_HZ**2, a * ticks)
        if j:
            tj = ceil_div(TICK_HZ**3, j * ticks * tc)
            if tj > tc:  # the acceleration limit is out of reach
                tj = tc = max(tc, ceil_root(ceil_div(TICK_HZ**3, j * ticks), 2))
        return tj, tc + (tj + tc) % 2

    def _durations(self, steps):
        """Return (Tj, Tc, S) in ticks of the quickest move over `steps` that is short."""
        a, j, ticks = self._acceleration, self._jerk, self.cruise_ticks
        area = ceil_div(steps * TICK_HZ**2, a)  # Tc * S may not be less
        tj = ceil_div(TICK_HZ * a, j) if j else 0
        tc = ceil_div(ceil_root(tj * tj + 4 * area, 2) - tj, 2)
        if tj > tc:  # the acceleration limit is out of reach
            volume = ceil_div(steps * TICK_HZ**3, 2 * j)
            tj = tc = max(ceil_root(volume, 3), ceil_root(ceil_div(area, 2), 2))
        if tj + tc < steps * ticks:  # the velocity limit is not
            tj, tc = self._ramp_durations
        s = max(tj + tc, steps * ticks)
        # Same parity as a cruise of `steps`: then the middle of the move, or of its middle interval
        # at cruise, falls on a tick, and rounding can't make that interval shorter than cruise.
        return tj, tc, s + (tj + tc + s + steps * ticks) % 2


def _step_times(tj, tc, s, steps, half, count):
    """Yield the times of steps 1..`count` in subticks, rounded down.

    `tj`, `tc`, `s` in ticks and `steps` make the profile (a ramp up to cruise: 1 step in an `s` of
    one cruise interval, the same speed); it is followed up to `half`, in ticks.
    """
    tj, tc, s, half = tj * SUBTICKS, tc * SUBTICKS, s * SUBTICKS, half * SUBTICKS
    pieces = _pieces(tj, tc, half)
    distance = (6 * tj if tj else 2) * tc * s
    done = time = gap = older_gap = begin = 0
    for end, a, b, c, d in pieces:
        a, b, c, d = a * steps, b * steps, c * steps, d * steps
        slope_a, slope_b, slope_c = 3 * a, 3 * a + 2 * b, a + b + c
        last = min(count, (((a * end + b) * end + c) * end + d) // distance)
        while done < last:
            done += 1
            goal = done * distance - d
            guess = time + 2 * gap - older_gap
            # Distance grows ever faster up to the middle: from anywhere in the piece, Newton lands
            # at the time or past it, and then only comes down.
            if not begin < guess <= end:
                guess = end
            while True:
                miss = (goal - ((a * guess + b) * guess + c) * guess) // (
                    (slope_a * guess + slope_b) * guess + slope_c
                )
                if miss == 0:
                    break
                guess += miss
            older_gap = gap
            gap = guess - time
            time = guess
            yield time
        begin = end


def _pieces(tj, tc, half):
    """Return the first half of p as (end, a, b, c, d): a t^3 + b t^2 + c t + d up to t = end."""
    ta = tj + tc
    if tj == 0:
        return (ta, 0, 1, 0, 0), (half, 0, 0, 2 * ta, -ta * ta)
    pace = 3 * tj * tc
    return (
        (tj, 1, 0, 0, 0),
        (tc, 0, 3 * tj, -3 * tj * tj, tj**3),
        (ta, -1, 3 * ta, 2 * pace - 3 * ta * ta, ta * (ta * ta - pace)),
        (half, 0, 0, 2 * pace, -pace * ta),
    )


def creep(steps: int, direction: int, rate_steps_s: int) -> Move:
    """Return a move at one rate, for rates the motor starts and stops at. Raises ValueError."""
    if steps < 1:
        raise ValueError(f"a move has at least 1 step, not {steps}")
    _check("creep rate", rate_steps_s, MIN_CREEP_STEPS_S, MAX_VELOCITY_STEPS_S)
    nothing = array("I")
    return Move(direction, nothing, steps, ceil_div(TICK_HZ, rate_steps_s), nothing)


def step_ticks(move: Move, step: int) -> int:
    """Return the ticks from the start of `move` to the rise of its `step`, 0..move.steps."""
    up, down = move.spans
    if step <= up.steps:
        return up.ticks_to(step)
    cruised = min(step - up.steps, move.cruise_steps)
    rest = step - up.steps - cruised
    return up.ticks + cruised * move.cruise_ticks + down.ticks_to(rest)


def stop_point(move: Move, issued: int) -> int:
    """Return the fewest steps in all that `move` can still be shortened to.

    `issued`: its pulses so far.  The answer is `move.steps` where it is too late, or where there is
    no cruise.  To shorten to n steps, amend the cruise by n - move.steps.
    """
    needed = max(0, issued + IN_FLIGHT_STEPS - move.spans[0].steps)
    return move.steps - max(0, move.cruise_steps - needed)


def _check(what, value, least, most):
    if value < least:
        raise ValueError(f"{what} is {value}, at least {least} is needed")
    if most is not None and value > most:
        raise ValueError(f"{what} is {value}, at most {most} is possible")
