"""Advice: what a module description suggests one should change, and what the trade knows.

Every warning says what is wrong, by how much, and which key to change to what.  A description that
raises one still runs; what can't run at all is refused by `hostsim.config`.  Thresholds without a
source are common practice and say so.
"""

from collections.abc import Iterator
from types import SimpleNamespace

from controller.counting.windows import Windows
from controller.cycle import causes
from controller.motion.profile import MAX_VELOCITY_STEPS_S
from controller.settings import REST, REVERSE, SHAKE
from hostsim.config import ModuleConfig
from hostsim.facts import Facts
from hostsim.figure import at_least, at_most
from hostsim.joints.joint import LAYER_DEPTH, SHARP_MM

# Common practice, no source.
STEPS_OF_MOTORS = {200: "1.8", 400: "0.9"}  # full steps per turn -> degrees per step
PRINTED_LIFE_PIECES = 200_000  # a printed sprocket lasts at least about this many
LIFE_DOUBTED = 2.0  # times that: somebody should have measured it
VELOCITY_TRIES = 50  # a fiftieth faster each time
EARLIEST_SAID_US = 1  # as a window's beginning: a part may come before it
DRIFTS = (causes.PHASE_SLIP, causes.PHASE_WEAR, causes.BEAM_DRIFT)

NOTES = (
    "Parts must not be able to fall while the sprocket rests: turn it by hand to each rest position"
    " and tap it.",
    f"A step of less than {SHARP_MM} mm at a joint of the channel already stops the leading"
    " part: chamfer the side the parts come to.",
    "The lines between the layers of an FDM print are about a third of the layer height deep:"
    f" print channels with layers of less than {SHARP_MM / LAYER_DEPTH:.1f} mm, or"
    " with the lines along the way of the parts.",
    f"A printed sprocket lasts at least about {PRINTED_LIFE_PIECES:,} pieces: watch the share of"
    " missed pockets well before.",
)
NOTE_NO_INDEX = (
    "Without a pocket index sensor lost steps show only by parts that fall early or late, and"
    " finding the place again lets a part go."
)


def notes(config: ModuleConfig) -> list[str]:
    """Return what the trade knows and this module should heed, and what its alarms mean."""
    index = [] if config.settings.sprocket_index else [NOTE_NO_INDEX]
    return [*NOTES, *index, *(_drift(code) for code in DRIFTS)]


def _drift(code: int) -> str:
    """Say what an alarm of the charts of counted parts means, and what to do."""
    _, _, _, text, remedy = causes.cause(code)
    return f"If SENSe:DRIFt? answers {code}: {text}. {remedy}"


def warnings(config: ModuleConfig, facts: Facts, windows: Windows) -> list[str]:
    """Return the warnings of a module, the gravest first."""
    return [
        *_rate(facts),
        *_sensing(config, facts, windows),
        *_rest(config, facts),
        *_motor(config),
        *_recovery(config, facts),
        *_wear(config),
    ]


def _rate(facts: Facts) -> Iterator[str]:
    motor_rev = float(facts.reduction) * facts.pitch_deg / 360  # to a pocket
    for limit, rate, or_else in (
        ("two parts may meet at the beam", facts.separation_rate, "lower beam.drop_mm"),
        ("pockets may pass before a part has slid in (estimated)", facts.refill_rate,
         "raise magazine.incline_deg"),
    ):  # fmt: skip
        # Where parts don't slide at all no rate helps; the drive train's warning says what does.
        if facts.cruise_rate > rate > 0:
            yield (
                f"above {rate:.1f} pockets/s {limit}, and cruise is {facts.cruise_rate:.1f}:"
                f" set limits.velocity_rev_s to {at_most(rate * motor_rev, 2)} or less,"
                f" or {or_else}"
            )


def _sensing(config: ModuleConfig, facts: Facts, windows: Windows) -> Iterator[str]:
    if not config.settings.beam_test:
        yield (
            "the beam can't be tested (beam.test_output), so a pocket without a pulse is never"
            " proven empty and its request ends doubtful: wire the emitter to an output"
        )
    slow_ms = (windows.late_us - windows.latest_us - windows.earliest_us) / 1e3
    slowest = 0.0
    if windows.early_us == EARLIEST_SAID_US and not config.settings.beam_early_us:
        slowest = _unhurried_rev_s(config)
    if slowest:
        yield (
            f"the sprocket is so slow that a part may reach the beam {slow_ms:.1f} ms before its"
            " pocket is thought to let go, and its request ends doubtful: set"
            f" limits.velocity_rev_s to {at_least(slowest, 2)} or more, or raise"
            " sprocket.dwell_deg or beam.drop_mm; to go slower now and then, use SPRocket:RATE"
        )
    open_ms = (windows.late_us - windows.early_us) / 1e3
    pocket_ms = 1e3 / facts.cruise_rate
    if open_ms > pocket_ms:
        yield (
            f"a pocket's window is open for {open_ms:.0f} ms and the next one comes after"
            f" {pocket_ms:.0f} ms, so a late part may be taken for its neighbour's: lower"
            " beam.drop_mm or limits.velocity_rev_s, or raise sprocket.dwell_deg"
        )
    if config.settings.sprocket_index:
        before_rest_deg = config.values["sprocket"]["release_deg"] - facts.pitch_deg / 2
        play_deg = _play_deg(config, facts)
        if abs(before_rest_deg) < play_deg:
            yield (
                f"the index edge lies {abs(before_rest_deg):.2f} deg from where the sprocket rests"
                f" and play is {play_deg:.2f} deg, so it may show or not: move the sensor and set"
                f" sprocket.release_deg to {at_least(facts.pitch_deg / 2 + play_deg, 1)} or more"
            )


def _unhurried_rev_s(config: ModuleConfig) -> float:
    """Return about the least velocity at which no part comes before its release; 0: none."""
    given = SimpleNamespace(**config.settings.as_dict())  # the windows read what they need by name
    turn_steps = given.motor_full_steps * given.motor_microsteps
    # Step by step: far above, where a part is thrown down, it comes too early once more.
    while given.limit_velocity_steps_s <= MAX_VELOCITY_STEPS_S:
        if Windows(given).early_us > EARLIEST_SAID_US:
            return float(given.limit_velocity_steps_s / turn_steps)
        given.limit_velocity_steps_s += given.limit_velocity_steps_s // VELOCITY_TRIES + 1
    return 0.0


def _rest(config: ModuleConfig, facts: Facts) -> Iterator[str]:
    dwell_deg = config.values["sprocket"]["dwell_deg"]
    play_deg = _play_deg(config, facts)
    if dwell_deg < 2 * play_deg:
        yield (
            f"at rest the sprocket may stand {play_deg:.2f} deg off and parts hold for only"
            f" {dwell_deg:.2f} deg: take out lash, or shape the pockets for a sprocket.dwell_deg"
            f" of {at_least(2 * play_deg, 1)} or more"
        )


def _motor(config: ModuleConfig) -> Iterator[str]:
    motor = config.values["motor"]
    if motor["full_steps_per_rev"] not in STEPS_OF_MOTORS:
        known = " or ".join(f"{n} ({deg} degrees)" for n, deg in STEPS_OF_MOTORS.items())
        yield (
            f"motor.full_steps_per_rev is {motor['full_steps_per_rev']}, and motors have {known}:"
            " look at the label"
        )


def _recovery(config: ModuleConfig, facts: Facts) -> Iterator[str]:
    lash_deg = config.values["sprocket"]["lash_deg"]
    for at, (code, amount_ppm, _) in enumerate(config.settings.recovery_ladder):
        turn_deg = amount_ppm / 1e6 * facts.pitch_deg
        if code in (REVERSE, SHAKE) and turn_deg < 2 * lash_deg:
            fitting = 2 * lash_deg / facts.pitch_deg
            yield (
                f"recovery.ladder[{at}] turns back {turn_deg:.2f} deg, of which {lash_deg:g} deg"
                f" are lash: set its pockets to {at_least(fitting, 2)} or more"
            )
    if all(code == REST for code, _, _ in config.settings.recovery_ladder):
        yield "recovery.ladder has no move, so every jam waits for a person: add a reverse"


def _wear(config: ModuleConfig) -> Iterator[str]:
    rated = config.settings.sprocket_rated_pieces
    if rated > LIFE_DOUBTED * PRINTED_LIFE_PIECES:
        yield (
            f"sprocket.rated_pieces is {rated:,}, and a printed sprocket is known to last about"
            f" {PRINTED_LIFE_PIECES:,}: set what has been measured"
        )


def _play_deg(config: ModuleConfig, facts: Facts) -> float:
    """How far from its commanded place the sprocket may rest: lash and a full step of load lag."""
    return float(config.values["sprocket"]["lash_deg"]) + facts.full_step_deg
