"""What the limits allow, before anything is planned: ramp times, top speeds, least durations.

Closed forms for a move from rest to rest, rounded up to whole microseconds.  Settings are checked
and windows are derived with these; `controller.motion.profile` plans the moves themselves, exactly.
"""

from controller.motion.intmath import ceil_div, ceil_root

US_PER_S = 1_000_000


def ramp_us(velocity_steps_s, acceleration_steps_s2, jerk_steps_s3):
    """Return the time from rest to a speed: v/a + a/j, or 2 sqrt(v/j) where a isn't reached."""
    if jerk_steps_s3 and velocity_steps_s * jerk_steps_s3 < acceleration_steps_s2**2:
        return 2 * ceil_root(ceil_div(velocity_steps_s * US_PER_S**2, jerk_steps_s3), 2)
    jerk_us = ceil_div(acceleration_steps_s2 * US_PER_S, jerk_steps_s3) if jerk_steps_s3 else 0
    return ceil_div(velocity_steps_s * US_PER_S, acceleration_steps_s2) + jerk_us


def top_speed(steps, velocity_steps_s, acceleration_steps_s2, jerk_steps_s3):
    """Return the greatest whole speed up to the limit whose two ramps fit into `steps` (steps/s).

    Both ramps together cover speed x ramp time.  At least 1.
    """
    low, high = 1, velocity_steps_s
    while low < high:
        middle = (low + high + 1) // 2
        way = middle * ramp_us(middle, acceleration_steps_s2, jerk_steps_s3)
        if way <= steps * US_PER_S:
            low = middle
        else:
            high = middle - 1
    return low


def least_us(steps, velocity_steps_s, acceleration_steps_s2, jerk_steps_s3):
    """Return the least time of a move over `steps` >= 1 from rest to rest (a jerk of 0: any)."""
    top = top_speed(steps, velocity_steps_s, acceleration_steps_s2, jerk_steps_s3)
    return ceil_div(steps * US_PER_S, top) + ramp_us(top, acceleration_steps_s2, jerk_steps_s3)
