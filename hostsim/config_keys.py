"""The keys of a module description: TOML key, unit, firmware key, and the factor between them.

Ranges and defaults of the firmware's keys stand in `controller.settings` alone; the few keys that
only the simulated module and the figures need (torque, inertia, current) carry theirs here.
"""

from dataclasses import dataclass

from controller import settings as core

STEPS_PER_TURN = 0  # as a factor: microsteps of one motor turn, which [motor] gives


@dataclass(frozen=True)
class Row:
    """One TOML key. `factor` turns its unit into that of the firmware key `core`."""

    section: str
    name: str
    unit: str
    core: str = ""
    factor: int = 1
    kind: type = float  # what TOML must hold: float (or int), int, bool, str or list
    low: float = 0.0  # low and high only where there is no firmware key
    high: float = 0.0

    @property
    def key(self) -> str:
        return f"{self.section}.{self.name}"


@dataclass(frozen=True)
class Move:
    """One kind of rung in [[recovery.ladder]]. `amount` is the TOML key that says how much."""

    name: str
    code: int
    amount: str
    unit: str
    factor: int


ROWS = (
    Row("module", "name", "characters", "name", kind=str),
    Row("motor", "full_steps_per_rev", "steps/rev", "motor_full_steps", kind=int),
    Row("motor", "microsteps", "steps/full step", "motor_microsteps", kind=int),
    Row("motor", "holding_torque_n_m", "N m", low=0.005, high=50.0),
    Row("motor", "rotor_inertia_g_cm2", "g cm2", low=0.5, high=50_000.0),
    Row("motor", "current_a", "A", low=0.05, high=20.0),
    Row("gear", "stages", "teeth", "gear_stages", kind=list),
    Row("sprocket", "pockets", "pockets", "sprocket_pockets", kind=int),
    Row("sprocket", "pitch_radius_mm", "mm", "sprocket_pitch_radius_um", 1_000),
    Row("sprocket", "inertia_g_cm2", "g cm2", low=0.01, high=100_000.0),
    Row("sprocket", "release_deg", "deg", "sprocket_release_mdeg", 1_000),
    Row("sprocket", "dwell_deg", "deg", "sprocket_dwell_mdeg", 1_000),
    Row("sprocket", "index_sensor", "", "sprocket_index", kind=bool),
    Row("sprocket", "lash_deg", "deg", "sprocket_lash_mdeg", 1_000),
    Row("sprocket", "rated_pieces", "pieces", "sprocket_rated_pieces", kind=int),
    Row("limits", "velocity_rev_s", "rev/s", "limit_velocity_steps_s", STEPS_PER_TURN),
    Row("limits", "acceleration_rev_s2", "rev/s2", "limit_acceleration_steps_s2", STEPS_PER_TURN),
    Row("limits", "jerk_rev_s3", "rev/s3", "limit_jerk_steps_s3", STEPS_PER_TURN),
    Row("limits", "start_stop_rev_s", "rev/s", "limit_start_stop_steps_s", STEPS_PER_TURN),
    Row("limits", "creep_rev_s", "rev/s", "limit_creep_steps_s", STEPS_PER_TURN),
    Row("part", "name", "characters", "part_name", kind=str),
    Row("part", "longest_mm", "mm", "part_longest_um", 1_000),
    Row("part", "shortest_mm", "mm", "part_shortest_um", 1_000),
    Row("part", "hole_mm", "mm", "part_hole_um", 1_000),
    Row("part", "mass_g", "g", "part_mass_mg", 1_000),
    Row("beam", "drop_mm", "mm", "beam_drop_um", 1_000),
    Row("beam", "bounce_ms", "ms", "beam_bounce_us", 1_000),
    Row("beam", "response_ms", "ms", "beam_response_us", 1_000),
    Row("beam", "test_output", "", "beam_test", kind=bool),
    Row("beam", "shortest_ms", "ms", "beam_shortest_us", 1_000),
    Row("beam", "longest_ms", "ms", "beam_longest_us", 1_000),
    Row("beam", "merge_ms", "ms", "beam_merge_us", 1_000),
    Row("beam", "early_ms", "ms", "beam_early_us", 1_000),
    Row("beam", "late_ms", "ms", "beam_late_us", 1_000),
    Row("beam", "stuck_ms", "ms", "beam_stuck_us", 1_000),
    Row("magazine", "capacity", "parts", "magazine_capacity", kind=int),
    Row("magazine", "low_level", "parts", "magazine_low", kind=int),
    Row("magazine", "low_sensor", "", "magazine_sensor", kind=bool),
    Row("recovery", "runs", "runs", "recovery_runs", kind=int),
    Row("recovery", "silent_pockets", "pockets", "recovery_silent", kind=int),
    Row("recovery", "patience_s", "s", "recovery_patience_ms", 1_000),
    Row("recovery", "chute_s", "s", "recovery_chute_ms", 1_000),
    Row("recovery", "ladder", "rungs", "recovery_ladder", kind=list),
    Row("request", "quantity_max", "parts", "request_quantity_max", kind=int),
    Row("line", "baud", "baud", "line_baud", kind=int),
    Row("bus", "address", "", "bus_address", kind=int),
    Row("bus", "baud", "baud", "bus_baud", kind=int),
    Row("bus", "batching", "", "bus_batching", kind=bool),
    Row("wires", "quantity", "parts", "wires_quantity", kind=int),
    Row("wires", "debounce_ms", "ms", "wires_debounce_ms", kind=int),
    Row("command", "hold_s", "s", "command_hold_ms", 1_000),
    Row("record", "checkpoint", "parts", "record_checkpoint", kind=int),
)
BY_CORE = {row.core: row for row in ROWS if row.core}
SECTIONS = tuple(dict.fromkeys(row.section for row in ROWS))

MOVES = (
    Move("reverse", core.REVERSE, "pockets", "pockets", 1_000_000),
    Move("shake", core.SHAKE, "pockets", "pockets", 1_000_000),
    Move("forward", core.FORWARD, "pockets", "pockets", 1_000_000),
    Move("rest", core.REST, "seconds", "s", 1_000),
)
MOVE_NAMED = {move.name: move for move in MOVES}
MOVE_OF_CODE = {move.code: move for move in MOVES}
