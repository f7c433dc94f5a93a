"""Checks: what is wrong with a table of settings, said so that one can put it right.

Theory of operation
-------------------
A `Problem` names the key, the value found, its unit, the range allowed and the reason.  Functions
named after the kinds of rows in `controller.keys` return a list of them, empty when all is
well.  `related` looks at keys together; it skips a relation whose keys are missing or already
refused, so that one mistake is reported once.
"""

from controller.motion.gear import MDEG_PER_TURN
from controller.motion.intmath import ceil_div
from controller.motion.profile import MAX_RAMP_STEPS, MAX_VELOCITY_STEPS_S
from controller.motion.reach import top_speed

# Kinds of rows.
INTEGER = 1
OPTIONAL = 2  # 0 switches it off or asks for the derived value; otherwise an INTEGER
TEXT = 3  # low and high bound its length
STAGES = 4  # list of [driver teeth, driven teeth]; low and high bound the teeth
LADDER = 5  # list of [move code, amount, times]; low and high bound the number of rungs
CHOICE = 6  # one of the words in low
PINS = 7  # list of [signal, GPIO] or [signal, GPIO, active level]: `board.rp2.pincheck`

# Fewer steps to a pocket place it no better than a twentieth of the pitch; with more, even the
# fastest step rate would take seconds for each.
STEPS_PER_POCKET_LOW = 20
STEPS_PER_POCKET_HIGH = 1_000_000


class Problem:
    """One refusal. `low` and `high` are None where a range makes no sense (type, unknown key)."""

    def __init__(self, key, value, unit, low, high, why, or_zero=False):
        self.key = key
        self.value = value
        self.unit = unit
        self.low = low
        self.high = high
        self.why = why
        self.or_zero = or_zero

    def __str__(self):
        said = self.key
        if self.value is not None:
            value = repr(self.value) if isinstance(self.value, str) else self.value
            said = f"{self.key} = {value} {self.unit}".rstrip()
        if self.low is None:
            return f"{said}: {self.why}"
        zero = "0 or " if self.or_zero else ""
        allowed = f"allowed {zero}{self.low} to {self.high} {self.unit}".rstrip()
        return f"{said}: {allowed} ({self.why})" if self.why else f"{said}: {allowed}"


def integer(key, value, unit, low, high, or_zero=False):
    """Check one integer against its range; truth values and floats are no integers."""
    if type(value) is not int:
        return [Problem(key, value, unit, low, high, "must be an integer", or_zero)]
    if not low <= value <= high:
        return [Problem(key, value, unit, low, high, "", or_zero)]
    return []


def text(key, value, unit, low, high):
    """Check a name: printable ASCII without a double quote, so that it can go out on the line."""
    if not isinstance(value, str):
        return [Problem(key, value, unit, low, high, "must be text")]
    if not low <= len(value) <= high:
        return [Problem(key, value, unit, low, high, "length")]
    for character in value:
        if not " " <= character <= "~" or character == '"':
            why = "printable ASCII without the double quote only"
            return [Problem(key, value, unit, low, high, why)]
    return []


def choice(key, value, words):
    """Check that a text is one of `words`."""
    if isinstance(value, str) and value in words:
        return []
    said = ", ".join([f'"{word}"' for word in words])
    return [Problem(key, value, "", None, None, "must be one of " + said)]


def stages(key, value, unit, low, high, most):
    """Check a list of [driver, driven] tooth counts."""
    if not isinstance(value, (list, tuple)) or not 1 <= len(value) <= most:
        return [Problem(key, value, "stages", 1, most, "must be a list of [driver, driven]")]
    problems = []
    for at in range(len(value)):
        name = f"{key}[{at}]"
        pair = value[at]
        if not isinstance(pair, (list, tuple)) or len(pair) != 2:
            problems.append(Problem(name, pair, unit, low, high, "must be [driver, driven]"))
            continue
        problems.extend(integer(name + ".driver", pair[0], unit, low, high))
        problems.extend(integer(name + ".driven", pair[1], unit, low, high))
    return problems


def ladder(key, value, rungs, most, most_times):
    """Check a list of [code, amount, times] against `rungs`: code -> (name, unit, low, high)."""
    if not isinstance(value, (list, tuple)) or len(value) > most:
        why = "must be a list of [code, amount, times]"
        return [Problem(key, value, "rungs", 0, most, why)]
    problems = []
    for at in range(len(value)):
        name = f"{key}[{at}]"
        rung = value[at]
        if not isinstance(rung, (list, tuple)) or len(rung) != 3:
            problems.append(Problem(name, rung, "", None, None, "must be [code, amount, times]"))
            continue
        code, amount, times = rung
        if type(code) is not int or code not in rungs:
            problems.append(Problem(name + ".code", code, "", 1, len(rungs), "move code"))
        else:
            _, unit, low, high = rungs[code]
            problems.extend(integer(name + ".amount", amount, unit, low, high))
        problems.extend(integer(name + ".times", times, "times", 1, most_times))
    return problems


def related(values, rows):
    """Check keys against each other; a rule narrows the range of one key, given the others."""
    problems = []
    for key, needs, limits, why in RELATIONS:
        if key in values and all([need in values for need in needs]):
            low, high = limits(values)
            problems.extend(narrowed(rows[key], values[key], low, high, why))
    return problems


def narrowed(row, value, low, high, why):
    """Check a value against its row's range narrowed to `low` to `high` (None: as the row)."""
    key, kind, unit, least, most = row[:5]
    if kind == OPTIONAL and value == 0:
        return []
    low = least if low is None else max(low, least)
    high = most if high is None else min(high, most)
    if low <= value <= high:
        return []
    return [Problem(key, value, unit, low, high, why, kind == OPTIONAL)]


def nearest(word, known):
    """Return the one of `known` that takes the fewest single-letter edits to make from `word`."""
    best = None
    least = 0
    for candidate in known:
        edits = edit_distance(word, candidate)
        if best is None or edits < least:
            best = candidate
            least = edits
    return best


def edit_distance(one, other):
    """Return the letters to insert, remove or replace between two words (Levenshtein)."""
    row = list(range(len(other) + 1))
    for at in range(len(one)):
        corner = row[0]
        row[0] = at + 1
        for to in range(len(other)):
            replaced = corner + (one[at] != other[to])
            corner = row[to + 1]
            row[to + 1] = min(replaced, corner + 1, row[to] + 1)
    return row[len(other)]


def _steps_per_turn(values):
    """Return the microsteps of one sprocket turn, rounded down."""
    num = values["motor_full_steps"] * values["motor_microsteps"]
    den = 1
    for driver, driven in values["gear_stages"]:
        num *= driven
        den *= driver
    return num // den


def _pockets(values):
    turn = _steps_per_turn(values)
    return ceil_div(turn, STEPS_PER_POCKET_HIGH), turn // STEPS_PER_POCKET_LOW


def _release(values):
    if not values["sprocket_index"]:
        return 0, None
    return 1, MDEG_PER_TURN // values["sprocket_pockets"]


def _velocity(values):
    acceleration = values["limit_acceleration_steps_s2"]
    jerk = values["limit_jerk_steps_s3"]
    way = 2 * (MAX_RAMP_STEPS - 1)  # of both ramps; 1: the planner's roundings
    return None, top_speed(way, MAX_VELOCITY_STEPS_S, acceleration, jerk)


# (key, other keys needed, limits(values) -> (low or None, high or None), why)
RELATIONS = (
    (
        "sprocket_pockets",
        ("motor_full_steps", "motor_microsteps", "gear_stages"),
        _pockets,
        "a pocket must take 20 to 1000000 steps of this motor and gear train",
    ),
    (
        "sprocket_pitch_radius_um",
        ("sprocket_pockets", "part_shortest_um"),
        lambda v: (ceil_div(v["sprocket_pockets"] * v["part_shortest_um"] * 1_000, 6_283), None),
        "the pockets must fit side by side on the pitch circle",
    ),
    (
        "sprocket_release_mdeg",
        ("sprocket_index", "sprocket_pockets"),
        _release,
        "with an index sensor: at most one pitch before the release edge",
    ),
    (
        "sprocket_dwell_mdeg",
        ("sprocket_pockets",),
        lambda v: (None, MDEG_PER_TURN // (2 * v["sprocket_pockets"]) - 1),
        "the release edge lies half a pitch from rest",
    ),
    (
        "sprocket_lash_mdeg",
        ("sprocket_pockets",),
        lambda v: (None, MDEG_PER_TURN // (4 * v["sprocket_pockets"])),
        "more than a quarter of the pitch leaves no reversal that moves a part",
    ),
    (
        "limit_velocity_steps_s",
        ("limit_acceleration_steps_s2", "limit_jerk_steps_s3"),
        _velocity,
        "a longer ramp would not fit the planner; raise the acceleration or the jerk",
    ),
    (
        "limit_start_stop_steps_s",
        ("limit_velocity_steps_s",),
        lambda v: (None, v["limit_velocity_steps_s"]),
        "the start-stop rate is at most the velocity",
    ),
    (
        "limit_creep_steps_s",
        ("limit_start_stop_steps_s",),
        lambda v: (None, v["limit_start_stop_steps_s"]),
        "creep starts without a ramp, so it is at most the start-stop rate",
    ),
    (
        "part_shortest_um",
        ("part_longest_um",),
        lambda v: (None, v["part_longest_um"]),
        "the shortest extent is at most the longest",
    ),
    (
        "part_hole_um",
        ("part_longest_um",),
        lambda v: (None, v["part_longest_um"] - 1),
        "the hole is smaller than the part",
    ),
    (
        "beam_drop_um",
        ("part_longest_um",),
        lambda v: (v["part_longest_um"], None),
        "a part must be clear of the sprocket before it reaches the beam",
    ),
    (
        "magazine_low",
        ("magazine_capacity",),
        lambda v: (None, v["magazine_capacity"]),
        "the low level is at most the capacity",
    ),
    (
        "wires_quantity",
        ("request_quantity_max",),
        lambda v: (None, v["request_quantity_max"]),
        "a give is a request like any other",
    ),
    (
        "record_checkpoint",
        ("board_store",),
        lambda v: (None, 0 if v["board_store"] == "flash" else None),
        "writing flash memory holds interrupts off, so nothing is written while parts fall",
    ),
)
