"""The keys of a module description: TOML key, unit, firmware key, and the factor between them.

Ranges and defaults of the firmware's keys stand in `controller.keys` alone; the keys that only
the simulated module and the figures need (torque, magazine, joint) carry theirs here.  Their
defaults are round figures of common practice, to be replaced by one's own.
"""

from dataclasses import dataclass
from typing import Any

from controller import keys as core

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
    default: Any = None  # of a key without a firmware key; None where it must be written
    or_zero: bool = False  # 0 is allowed too, below `low`
    choices: tuple[Any, ...] = ()  # the values that there are, if not all in the range

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
    # 0: estimated
    Row("motor", "resistance_ohm", "ohm", low=0.01, high=500.0, default=0.0, or_zero=True),
    Row("motor", "inductance_mh", "mH", low=0.01, high=1_000.0, default=0.0, or_zero=True),
    Row("motor", "supply_v", "V", low=3.0, high=200.0, default=24.0),
    Row("motor", "duty", "of the time", low=0.0, high=1.0, default=1.0),
    Row("motor", "pull_out", "[rev/s, N m]", kind=list, default=[]),
    Row("gear", "stages", "teeth", "gear_stages", kind=list),
    Row("gear", "module_mm", "mm", low=0.1, high=20.0, default=1.0),
    Row("gear", "width_mm", "mm", low=0.5, high=200.0, default=6.0),
    Row("gear", "friction_n_m", "N m", low=0.0001, high=20.0, default=0.02),
    Row("sprocket", "pockets", "pockets", "sprocket_pockets", kind=int),
    Row("sprocket", "pitch_radius_mm", "mm", "sprocket_pitch_radius_um", 1_000),
    Row("sprocket", "inertia_g_cm2", "g cm2", low=0.01, high=100_000.0),
    Row("sprocket", "release_deg", "deg", "sprocket_release_mdeg", 1_000),
    Row("sprocket", "dwell_deg", "deg", "sprocket_dwell_mdeg", 1_000),
    Row("sprocket", "index_sensor", "", "sprocket_index", kind=bool),
    Row("sprocket", "lash_deg", "deg", "sprocket_lash_mdeg", 1_000),
    Row("sprocket", "rated_pieces", "pieces", "sprocket_rated_pieces", kind=int),
    Row("sprocket", "scatter_deg", "deg", low=0.0, high=60.0, default=2.0),
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
    Row("part", "start_mm_s", "mm/s", low=0.0, high=1_000.0, default=20.0),
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
    Row("beam", "width_mm", "mm", low=0.0, high=20.0, default=1.0),
    Row("beam", "drop_tolerance_mm", "mm", low=0.0, high=50.0, default=0.5),
    Row("magazine", "capacity", "parts", "magazine_capacity", kind=int),
    Row("magazine", "low_level", "parts", "magazine_low", kind=int),
    Row("magazine", "low_sensor", "", "magazine_sensor", kind=bool),
    # 0: from the part
    Row("magazine", "pitch_mm", "mm", low=0.1, high=200.0, default=0.0, or_zero=True),
    Row("magazine", "height_mm", "mm", low=1.0, high=5_000.0, default=300.0),
    Row("magazine", "incline_deg", "deg", low=5.0, high=90.0, default=65.0),
    Row("magazine", "friction", "of the force", low=0.01, high=1.5, default=0.25),
    Row("magazine", "side_pressure", "of the push", low=0.0, high=1.0, default=0.4),
    Row("magazine", "push_n", "N", low=0.0, high=1_000.0, default=0.0),
    Row("magazine", "mouth_pockets", "pockets", low=0.05, high=1.0, default=0.7),
    Row("recovery", "runs", "runs", "recovery_runs", kind=int),
    Row("recovery", "silent_pockets", "pockets", "recovery_silent", kind=int),
    Row("recovery", "patience_s", "s", "recovery_patience_ms", 1_000),
    Row("recovery", "chute_s", "s", "recovery_chute_ms", 1_000),
    Row("recovery", "ladder", "rungs", "recovery_ladder", kind=list),
    Row("request", "quantity_max", "parts", "request_quantity_max", kind=int),
    Row("joint", "located_by", "", kind=str, default="none", choices=("none", "bolts", "pins")),
    Row("joint", "bolt_mm", "mm", low=3.0, high=8.0, default=4.0, choices=(3, 3.5, 4, 5, 6, 8)),
    Row(
        "joint", "bolt_holes", "", kind=str, default="medium", choices=("fine", "medium", "coarse")
    ),
    Row("joint", "pin_mm", "mm", low=3.0, high=10.0, default=8.0, choices=(3, 4, 5, 6, 8, 10)),
    Row("joint", "pin_holes", "", kind=str, default="reamed", choices=("reamed", "printed")),
    Row("joint", "print_tolerance_mm", "mm", low=0.0, high=2.0, default=0.2),
    Row("joint", "layer_mm", "mm", low=0.0, high=1.0, default=0.2),
    Row("joint", "chamfer_mm", "mm", low=0.0, high=10.0, default=0.0),
    Row("scale", "resolution_g", "g", low=0.0001, high=1_000.0, default=0.1),
    Row("scale", "scatter_percent", "%", low=0.0, high=50.0, default=1.0),
    Row("scale", "reference", "parts", kind=int, low=1, high=100_000, default=100),
    Row("plan", "parts_per_day", "parts/day", kind=int, low=1, high=10_000_000, default=5_000),
    Row("plan", "days_per_year", "days", kind=int, low=1, high=366, default=250),
    Row("plan", "lead_days", "days", kind=int, low=0, high=366, default=7),
    Row("line", "baud", "baud", "line_baud", kind=int),
    Row("bus", "address", "", "bus_address", kind=int),
    Row("bus", "baud", "baud", "bus_baud", kind=int),
    Row("bus", "batching", "", "bus_batching", kind=bool),
    Row("wires", "quantity", "parts", "wires_quantity", kind=int),
    Row("wires", "debounce_ms", "ms", "wires_debounce_ms", kind=int),
    Row("command", "hold_s", "s", "command_hold_ms", 1_000),
    Row("record", "checkpoint", "parts", "record_checkpoint", kind=int),
    Row("board", "name", "", "board_name", kind=str),
    Row("board", "pins", "", "board_pins", kind=list),
    Row("board", "store", "", "board_store", kind=str),
    Row("board", "line", "", "board_line", kind=str),
    Row("board", "rs485", "", "board_rs485", kind=bool),
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
