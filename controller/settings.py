"""Settings: the one description of a module that everything else in the firmware reads.

Theory of operation
-------------------
People write a TOML file in the units they think in; the host turns it into a flat table (integers
in the units their names state) and sends it as JSON.  What each key may be, and what is wrong with
a table, is said in `keys`.  A `Settings` object exists only if nothing was wrong, and nothing
changes it afterwards.
"""

import json

from controller.borrow import borrow

# Moves of the freeing ladder.
REVERSE = 1
SHAKE = 2
FORWARD = 3
REST = 4


class SettingsError(ValueError):
    """Refused settings; `problems` lists every reason (`controller.checks.Problem`)."""

    def __init__(self, problems):
        super().__init__("\n".join([str(problem) for problem in problems]))
        self.problems = problems


class Settings:
    """One module, as checked integers. Attributes are the keys of `keys.ROWS`; read-only by custom.

    Lists are kept as tuples of tuples.  Raises SettingsError with all problems at once.
    """

    name: str
    motor_full_steps: int
    motor_microsteps: int
    gear_stages: tuple[tuple[int, int], ...]
    sprocket_pockets: int
    sprocket_pitch_radius_um: int
    sprocket_release_mdeg: int
    sprocket_dwell_mdeg: int
    sprocket_index: int
    sprocket_lash_mdeg: int
    sprocket_rated_pieces: int
    limit_velocity_steps_s: int
    limit_acceleration_steps_s2: int
    limit_jerk_steps_s3: int
    limit_start_stop_steps_s: int
    limit_creep_steps_s: int
    part_name: str
    part_longest_um: int
    part_shortest_um: int
    part_hole_um: int
    part_mass_mg: int
    beam_drop_um: int
    beam_bounce_us: int
    beam_response_us: int
    beam_test: int
    beam_shortest_us: int
    beam_longest_us: int
    beam_merge_us: int
    beam_early_us: int
    beam_late_us: int
    beam_stuck_us: int
    magazine_capacity: int
    magazine_low: int
    magazine_sensor: int
    recovery_runs: int
    recovery_silent: int
    recovery_patience_ms: int
    recovery_chute_ms: int
    recovery_ladder: tuple[tuple[int, int, int], ...]
    request_quantity_max: int
    line_baud: int
    bus_address: int
    bus_baud: int
    bus_batching: int
    wires_quantity: int
    wires_debounce_ms: int
    command_hold_ms: int
    record_checkpoint: int
    board_name: str
    board_pins: tuple[tuple, ...]
    board_store: str
    board_line: str
    board_rs485: int

    def __init__(self, values):
        keys = the_keys()
        problems = keys.check(values)
        if problems:
            raise SettingsError(problems)
        keys.assign(self, keys.with_defaults(values))

    def get(self, name):
        """Return the value of the key `name`; KeyError if there is no such key."""
        if name not in the_keys().NAMES:
            raise KeyError(name)
        return getattr(self, name)

    def as_dict(self):
        """Return all settings as plain values, lists for the tuples."""
        return the_keys().as_dict(self)

    def to_json(self) -> str:
        """Return the settings as one JSON object, keys in the order of `ROWS` everywhere."""
        keys = the_keys()
        values = keys.as_dict(self)
        members = [f"{json.dumps(name)}: {json.dumps(values[name])}" for name in keys.NAMES]
        return "{" + ", ".join(members) + "}"


def the_keys():
    """Return the module of keys, for one use."""
    return borrow("controller.keys", "controller.checks", "controller.board.rp2.pincheck")


def from_json(text) -> Settings:
    """Return Settings from the text `Settings.to_json` makes. Raises SettingsError."""
    try:
        values = json.loads(text)
    except ValueError:
        values = None  # which is no table, and is refused as that
    return Settings(values)
