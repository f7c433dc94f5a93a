"""The keys of settings: what each may be, and everything that is wrong with a table of them.

Theory of operation
-------------------
`ROWS` has for every key its kind, unit, allowed range, default and meaning.  `check` returns every
problem there is, not only the first: the rows one by one, unknown keys with the nearest known one,
missing keys, and then the relations between keys.  A relation is stated as a narrower range for one
of its keys ("given the start-stop rate, creep may be 5 to 3200 steps/s"), so that every refusal has
the same shape: key, value, unit, allowed range, reason.  The host translates that shape back into
the units of the TOML file; no range is written down twice.

A board needs this once, when it reads its settings: it is borrowed (`controller.borrow`).
"""

from controller import checks
from controller.board.rp2 import pincheck
from controller.checks import CHOICE, INTEGER, LADDER, OPTIONAL, PINS, STAGES, TEXT, Problem
from controller.counting import windows
from controller.motion.profile import (
    MAX_VELOCITY_STEPS_S,
    MIN_ACCELERATION_STEPS_S2,
    MIN_CREEP_STEPS_S,
    MIN_JERK_STEPS_S3,
    MIN_VELOCITY_STEPS_S,
)
from controller.settings import FORWARD, REST, REVERSE, SHAKE

REQUIRED = None  # as a default: the file must say, because a guess would be wrong quietly

# A reversal from a dwell position must stay short of the release edge half a pocket behind, or it
# would carry a part back over the edge and release it twice; a tenth is left for lash.
REVERSAL_HIGH_PPM = 450_000

# code -> (name, unit of the amount, lowest, highest amount)
RUNGS = {
    REVERSE: ("reverse", "ppm of a pocket", 1_000, REVERSAL_HIGH_PPM),
    SHAKE: ("shake", "ppm of a pocket", 1_000, REVERSAL_HIGH_PPM),
    FORWARD: ("forward", "ppm of a pocket", 1_000, 1_000_000),
    REST: ("rest", "ms", 1, 60_000),
}
RUNG_TIMES_HIGH = 20  # a ladder that shakes longer than this wears the part, not the jam
STAGES_HIGH = 4  # more stages than a printed train of gears can carry lash for

LADDER_DEFAULT = (
    (REVERSE, 350_000, 1),
    (SHAKE, 200_000, 3),
    (FORWARD, 500_000, 1),
    (REST, 500, 1),
)

# (key, kind, unit, low, high, default, meaning)
ROWS = (
    ("name", TEXT, "characters", 1, 32, REQUIRED, "what the module calls itself on the line"),
    ("motor_full_steps", INTEGER, "steps/rev", 20, 1_000, REQUIRED, "full steps of one motor turn"),
    ("motor_microsteps", INTEGER, "steps/full step", 1, 256, REQUIRED, "driver's microstepping"),
    ("gear_stages", STAGES, "teeth", 6, 500, REQUIRED, "[driver, driven] of each gear stage"),
    ("sprocket_pockets", INTEGER, "pockets", 2, 120, REQUIRED, "pockets of one sprocket turn"),
    ("sprocket_pitch_radius_um", INTEGER, "um", 2_000, 500_000, REQUIRED, "axis to pocket centre"),
    ("sprocket_release_mdeg", INTEGER, "mdeg", 0, 180_000, 0, "index edge to the next release"),
    ("sprocket_dwell_mdeg", INTEGER, "mdeg", 1, 90_000, REQUIRED, "no part falls this near rest"),
    ("sprocket_index", INTEGER, "", 0, 1, REQUIRED, "1: a sensor marks every pocket"),
    ("sprocket_lash_mdeg", INTEGER, "mdeg", 0, 45_000, REQUIRED, "lost motion on reversal"),
    ("sprocket_rated_pieces", INTEGER, "pieces", 1_000, 100_000_000, 200_000, "rated life"),
    ("limit_velocity_steps_s", INTEGER, "steps/s", MIN_VELOCITY_STEPS_S, MAX_VELOCITY_STEPS_S,
     REQUIRED, "cruise rate"),
    ("limit_acceleration_steps_s2", INTEGER, "steps/s2", MIN_ACCELERATION_STEPS_S2, 100_000_000,
     REQUIRED, "most acceleration"),
    ("limit_jerk_steps_s3", OPTIONAL, "steps/s3", MIN_JERK_STEPS_S3, 100_000_000_000,
     REQUIRED, "most jerk; 0: trapezoidal"),
    ("limit_start_stop_steps_s", INTEGER, "steps/s", MIN_CREEP_STEPS_S, MAX_VELOCITY_STEPS_S,
     REQUIRED, "rate the loaded motor starts and stops at without a ramp"),
    ("limit_creep_steps_s", INTEGER, "steps/s", MIN_CREEP_STEPS_S, MAX_VELOCITY_STEPS_S,
     REQUIRED, "rate of freeing, registering and maintenance moves"),
    ("part_name", TEXT, "characters", 1, 32, REQUIRED, "what is dispensed"),
    ("part_longest_um", INTEGER, "um", 200, 200_000, REQUIRED, "longest extent in any attitude"),
    ("part_shortest_um", INTEGER, "um", 100, 200_000, REQUIRED, "shortest extent in any attitude"),
    ("part_hole_um", OPTIONAL, "um", 100, 200_000, REQUIRED, "hole light can pass; 0: none"),
    ("part_mass_mg", INTEGER, "mg", 1, 1_000_000, REQUIRED, "mass of one part"),
    ("beam_drop_um", INTEGER, "um", 1_000, 1_000_000, REQUIRED, "release edge down to the beam"),
    ("beam_bounce_us", INTEGER, "us", 0, 20_000, REQUIRED, "longest chatter of one edge"),
    ("beam_response_us", INTEGER, "us", 0, 20_000, REQUIRED, "delay of the sensor"),
    ("beam_test", INTEGER, "", 0, 1, REQUIRED, "1: the emitter can be switched off for a test"),
    ("beam_shortest_us", OPTIONAL, "us", windows.LEAST_PULSE_US, 1_000_000, 0,
     "shortest pulse of a part; 0: derived"),
    ("beam_longest_us", OPTIONAL, "us", 100, 5_000_000, 0, "longest pulse of a part; 0: derived"),
    ("beam_merge_us", OPTIONAL, "us", 1, 1_000_000, 0, "clear gap within one part; 0: derived"),
    ("beam_early_us", OPTIONAL, "us", 1, 5_000_000, 0, "release to earliest pulse; 0: derived"),
    ("beam_late_us", OPTIONAL, "us", 1_000, 5_000_000, 0, "release to latest pulse; 0: derived"),
    ("beam_stuck_us", OPTIONAL, "us", 1_000, 60_000_000, 0, "blocked beam is stuck; 0: derived"),
    ("magazine_capacity", INTEGER, "parts", 1, 1_000_000, REQUIRED, "parts of a full magazine"),
    ("magazine_low", INTEGER, "parts", 0, 1_000_000, 0, "ask for a refill at this level"),
    ("magazine_sensor", INTEGER, "", 0, 1, 0, "1: a sensor sees the low level"),
    ("recovery_runs", INTEGER, "runs", 1, 100, 6, "count runs of one request at most"),
    ("recovery_silent", INTEGER, "pockets", 1, 100, 3, "pockets without a part that end a run"),
    ("recovery_patience_ms", INTEGER, "ms", 0, 86_400_000, 60_000, "a request waits for help"),
    ("recovery_chute_ms", INTEGER, "ms", 0, 600_000, 2_000, "a blocked beam may take to clear"),
    ("recovery_ladder", LADDER, "rungs", 0, 16, LADDER_DEFAULT, "moves that free a jam, in order"),
    ("request_quantity_max", INTEGER, "parts", 1, 1_000_000, 10_000, "most parts of one request"),
    ("line_baud", INTEGER, "baud", 300, 3_000_000, 115_200, "speed of the serial line"),
    ("bus_address", INTEGER, "", 1, 247, 1, "this module's address on the Modbus line"),
    ("bus_baud", INTEGER, "baud", 300, 115_200, 19_200, "speed of the Modbus line"),
    ("bus_batching", INTEGER, "", 0, 1, 0, "1: an adapter batches bytes; silence can't frame"),
    ("wires_quantity", INTEGER, "parts", 0, 10_000, 0, "parts for each give; 0: no such wires"),
    ("wires_debounce_ms", INTEGER, "ms", 1, 1_000, 20, "a wire must stay so long to count"),
    ("command_hold_ms", INTEGER, "ms", 0, 3_600_000, 10_000, "silence that frees the command"),
    ("record_checkpoint", INTEGER, "parts", 0, 10_000, 25, "parts between records; 0: none"),
    ("board_name", CHOICE, "", pincheck.CHIP_NAMES, None, "rp2350", "the chip of the board"),
    ("board_pins", PINS, "", None, None, (), "signals on other pins than the table says"),
    ("board_store", CHOICE, "", ("fram", "flash", "none"), None, "fram", "what outlives the power"),
    ("board_line", CHOICE, "", ("usb", "uart"), None, "usb", "where the commands come in"),
    ("board_rs485", INTEGER, "", 0, 1, 1, "1: the board switches the bus's direction"),
)  # fmt: skip
NAMES = tuple([row[0] for row in ROWS])
ROW_OF: dict[str, tuple] = {row[0]: row for row in ROWS}


def with_defaults(values):
    """Return a copy of `values` with every missing key that has a default filled in."""
    filled = {}
    for row in ROWS:
        if row[0] in values:
            filled[row[0]] = values[row[0]]
        elif row[5] is not REQUIRED:
            filled[row[0]] = row[5]
    return filled


def check(values) -> list[Problem]:
    """Return every problem of a table of settings, in the order of `ROWS`; [] if it is sound."""
    if not isinstance(values, dict):
        return [Problem("settings", None, "", None, None, "must be one JSON object of keys")]
    problems = []
    for key in sorted(values):
        if key not in NAMES:
            why = f"unknown key; the nearest known one is {checks.nearest(key, NAMES)}"
            problems.append(Problem(key, values[key], "", None, None, why))
    sound = with_defaults(values)
    for row in ROWS:
        if row[0] not in sound:
            optional = row[1] == OPTIONAL
            why = "missing: " + row[6]
            problems.append(Problem(row[0], None, row[2], row[3], row[4], why, optional))
            continue
        found = _check_row(row, sound[row[0]])
        if found:
            problems.extend(found)
            del sound[row[0]]
    problems.extend(checks.related(sound, ROW_OF))
    if "board_name" in sound and "board_pins" in sound:
        problems.extend(pincheck.conflicts("board_pins", sound["board_name"], sound["board_pins"]))
    if not problems:  # the windows follow from everything else, so all that must be sound
        bare = _Bare()
        assign(bare, sound)
        for key, value, low, high, why in windows.relations(bare):
            problems.extend(checks.narrowed(ROW_OF[key], value, low, high, why))
    return problems


class _Bare:
    """Values that have passed the checks so far, under the names `Settings` gives them."""


def assign(target, values):
    """Give `target` the values as attributes, lists as tuples of tuples."""
    for row in ROWS:
        value = values[row[0]]
        if row[1] in (STAGES, LADDER, PINS):
            value = tuple([tuple(item) for item in value])
        setattr(target, row[0], value)


def _check_row(row, value):
    key, kind, unit, low, high, _, _ = row
    if kind == TEXT:
        return checks.text(key, value, unit, low, high)
    if kind == STAGES:
        return checks.stages(key, value, unit, low, high, STAGES_HIGH)
    if kind == LADDER:
        return checks.ladder(key, value, RUNGS, high, RUNG_TIMES_HIGH)
    if kind == CHOICE:
        return checks.choice(key, value, low)
    if kind == PINS:
        return pincheck.check(key, value)
    if kind == OPTIONAL and type(value) is int and value == 0:
        return []
    return checks.integer(key, value, unit, low, high, kind == OPTIONAL)


def as_dict(settings):
    """Return settings as plain values, lists for the tuples."""
    values = {}
    for row in ROWS:
        value = getattr(settings, row[0])
        if row[1] in (STAGES, LADDER, PINS):
            value = [list(item) for item in value]
        values[row[0]] = value
    return values
