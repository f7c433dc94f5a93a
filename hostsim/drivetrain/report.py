"""What `tallywheel check` says about the drive: figures with their sources, and warnings."""

import math
from collections.abc import Iterator

from hostsim.config import ModuleConfig
from hostsim.drivetrain import gears
from hostsim.drivetrain.drive import Drive
from hostsim.drivetrain.dynamics import MOUNT_RISE_K, resonant_at
from hostsim.drivetrain.margin import MARGIN, TRUSTED_FULL_STEPS_S
from hostsim.figure import Figure, at_least, at_most, rounded

# Common practice, no source.
START_SHARE = 0.5  # of the rate at which a start by energy just succeeds
CONTACT_LEAST = 1.2  # teeth that carry, for an even run
USELESS_SHARE = 0.1  # a limit below this share of the wish is no way to put things right


def torque_group(config: ModuleConfig, drive: Drive) -> list[Figure]:
    """Load and motor."""
    load, column = drive.load, drive.column
    wheels = f"rotor {_g_cm2(load.rotor_kg_m2)}, gears {_g_cm2(load.gears_kg_m2)}"
    known = "winding estimated" if drive.estimated else "winding as described"
    source = f"circles of current and voltage, {known}"
    if config.values["motor"]["pull_out"]:
        source = "from the points of motor.pull_out"
    walls = f"Janssen; {rounded(column.wall_free_n)} N if walls carried nothing"
    duty = config.values["motor"]["duty"]
    return [
        Figure("inertia", _g_cm2(load.inertia_kg_m2), "g cm2",
               f"{wheels}, sprocket {_g_cm2(load.sprocket_kg_m2)}; by reduction squared"),
        Figure("push of the column", rounded(column.push_n), "N", walls),
        Figure("friction", rounded(1e3 * load.friction_n_m), "mN m",
               f"of it the column {rounded(1e3 * load.column_n_m)}: mu F r"),
        Figure("asked at most", rounded(1e3 * drive.asked_n_m), "mN m",
               "friction + J a, over a run"),
        Figure("pull-out at cruise", rounded(1e3 * drive.cruise_pull_out_n_m), "mN m", source),
        Figure("margin", rounded(drive.margin), "times",
               f"least of a run; {MARGIN:g} is common practice"),
        Figure("velocity with that margin", rounded(drive.velocity_limit_rev_s), "rev/s",
               f"same acceleration; at most {TRUSTED_FULL_STEPS_S:.0f} full steps/s"),
        Figure("start and stop", rounded(drive.start_stop_limit_rev_s), "rev/s",
               "without a ramp at most: kinetic energy against the field's spring"),
        Figure("own swing", rounded(drive.swing_hz), "Hz", "sqrt(p T / J) / 2 pi"),
        Figure("heat", rounded(drive.heat_w), "W",
               f"I2R at a duty of {duty:g}; about {drive.rise_k:.0f} K above the room"),
    ]  # fmt: skip


def gear_group(config: ModuleConfig, drive: Drive) -> list[Figure]:
    """Gears and lash."""
    module_mm = config.values["gear"]["module_mm"]
    kind = gears.series(module_mm) or "in no standard series"
    figures = [Figure("module", f"{module_mm:g}", "mm", kind)]
    for pair in drive.pairs:
        name = f"{pair.driver}:{pair.driven}"
        tips = " and ".join(
            f"{gears.tip_mm(teeth, module_mm):g}" for teeth in (pair.driver, pair.driven)
        )
        figures += [
            Figure(f"{name} centres", f"{pair.centres_mm:.3f}", "mm",
                   f"m (z1 + z2) / 2; {tips} mm across the tips"),
            Figure(f"{name} contact ratio", f"{pair.contact_ratio:.3f}", "teeth",
                   "path of contact over base pitch, 20 degrees"),
        ]  # fmt: skip
    return [
        *figures,
        Figure("step at the pocket", f"{1e3 * drive.step_mm:.2f}", "um", "one microstep"),
        Figure("lash at the pocket", f"{drive.lash_mm:.3f}", "mm",
               f"sprocket.lash_deg, {drive.lash_steps:.0f} microsteps"),
        Figure("least lash of such gears", f"{drive.least_lash_deg:.2f}", "deg",
               "at the sprocket; ISO/TR 10064-2"),
    ]  # fmt: skip


def warnings(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    """What should be changed about the drive, the gravest first."""
    yield from _torque(config, drive)
    yield from _feeding(config, drive)
    yield from _start(config, drive)
    yield from _resonance(config)
    yield from _gears(config, drive)
    yield from _heat(config, drive)


def _torque(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    if drive.margin >= MARGIN:
        return
    limits = config.values["limits"]
    ways = [
        ("limits.acceleration_rev_s2", "acceleration_rev_s2", drive.acceleration_limit_rev_s2),
        ("limits.velocity_rev_s", "velocity_rev_s", drive.velocity_limit_rev_s),
    ]
    for key, name, limit in ways:
        if limit >= USELESS_SHARE * limits[name]:
            advice = f"set {key} to {at_most(limit, 2)} or less, or take a stronger motor"
            break
    else:
        holding = config.values["motor"]["holding_torque_n_m"] * MARGIN / max(drive.margin, 0.01)
        advice = (
            f"set motor.holding_torque_n_m to {at_least(holding, 2)} or more (another motor), or"
            " gear down more"
        )
    yield (
        f"the motor's pull-out torque is {drive.margin:.2f} times what a run asks for, and"
        f" {MARGIN:g} times is what one can count on: {advice}"
    )


def _feeding(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    magazine = config.values["magazine"]
    if drive.column.slide_m_s2 <= 0 and not magazine["push_n"]:
        least = math.degrees(math.atan(magazine["friction"]))
        yield (
            f"parts don't slide by themselves at {magazine['incline_deg']:g} deg with a friction"
            f" of {magazine['friction']:g}: set magazine.incline_deg to"
            f" {at_least(1.2 * least, 0)} or more, or press the column on (magazine.push_n)"
        )


def _start(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    rate = config.values["limits"]["start_stop_rev_s"]
    fitting = START_SHARE * drive.start_stop_limit_rev_s
    if rate > fitting:
        yield (
            f"a start without a ramp succeeds below {drive.start_stop_limit_rev_s:.2f} rev/s at"
            f" best, and limits.start_stop_rev_s is {rate:g}: set limits.start_stop_rev_s to"
            f" {at_most(fitting, 2)} or less"
        )


def _resonance(config: ModuleConfig) -> Iterator[str]:
    for name in ("velocity_rev_s", "start_stop_rev_s", "creep_rev_s"):
        rev_s = config.values["limits"][name]
        rate = resonant_at(config.values, rev_s)
        if rate is not None:
            yield (
                f"limits.{name} of {rev_s:g} comes near {rate:.0f} full steps/s, where the rotor"
                " swings by itself: set motor.microsteps to 8 or more, or choose another speed"
            )


def _gears(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    module_mm = config.values["gear"]["module_mm"]
    if not gears.series(module_mm):
        yield (
            f"a module of {module_mm:g} mm is in no series of ISO 54: set gear.module_mm to"
            f" {gears.nearest_module_mm(module_mm):g}"
        )
    for at, pair in enumerate(drive.pairs):
        least = min(pair.driver, pair.driven)
        shift = gears.undercut_shift(least)
        if shift:
            yield (
                f"gear.stages[{at}] has a wheel of {least} teeth, whose roots are undercut: give it"
                f" {gears.TEETH_PLAIN} or more, or shift its profile out by"
                f" {at_least(shift * module_mm, 2)} mm and that of the other in"
            )
        if pair.contact_ratio < CONTACT_LEAST:
            yield (
                f"gear.stages[{at}] has a contact ratio of {pair.contact_ratio:.2f}, and"
                f" {CONTACT_LEAST:g} runs evenly: give its wheels more teeth"
            )
    lash_deg = config.values["sprocket"]["lash_deg"]
    if lash_deg < drive.least_lash_deg:
        yield (
            f"sprocket.lash_deg is {lash_deg:g}, less than gears like these have"
            f" ({drive.least_lash_deg:.2f}): set sprocket.lash_deg to"
            f" {at_least(drive.least_lash_deg, 2)} or more, or measure it"
        )


def _heat(config: ModuleConfig, drive: Drive) -> Iterator[str]:
    if drive.rise_k > MOUNT_RISE_K:
        share = MOUNT_RISE_K / drive.rise_k
        duty = at_most(config.values["motor"]["duty"] * share, 2)
        current = at_most(config.values["motor"]["current_a"] * math.sqrt(share), 2)
        yield (
            f"the motor gets about {drive.rise_k:.0f} K warmer than the room, and a printed mount"
            f" gives way above {MOUNT_RISE_K:.0f} K: set motor.duty to {duty} or less (current off"
            f" between requests), or the current to {current} A"
        )


def _g_cm2(inertia_kg_m2: float) -> str:
    return rounded(inertia_kg_m2 * 1e7)
