"""Modules that are not what their description says, and what commissioning should find on them.

The true figures come from the plant and its own formulas: sampled from its supply of parts, or
worked out from its parameters. Nothing here is taken from the procedure under test but the places
where its findings stand.
"""

from dataclasses import dataclass, replace

import numpy as np

from hostsim.guided.commission import DEFAULTS, PROCEDURE, STEPS
from hostsim.guided.partsteps import CONTENT, release_rates
from hostsim.plant.fall import PartSupply
from hostsim.plant.faults import FaultMix
from hostsim.plant.world import World
from tests.hostsim.guided.rig import Guide

SAMPLE = 20_000  # parts for a true mean: its own error is a hundredth of what is asked of it


@dataclass(frozen=True)
class Hidden:
    """What a module really is."""

    world: World
    mix: FaultMix


def hidden(config, seed):
    """A module off its description by chance: drop by up to 20 %, release edge by up to 0.04 of a
    pocket, lash, scatter, a slow channel, worn pockets, parts that fall beside the beam."""
    chance = np.random.default_rng(seed)
    described = World.of(config)
    world = replace(
        described,
        drop_m=described.drop_m * chance.uniform(0.8, 1.2),
        lash_steps=described.lash_steps * chance.uniform(0.3, 1.4),
        index_lead_pockets=described.index_lead_pockets + chance.uniform(-0.04, 0.04),
        release_scatter_pockets=chance.uniform(0.02, 0.06),
        feed_drag=chance.uniform(0.2, 0.85),
    )
    mix = FaultMix(
        "hidden",
        "worn, and parts beside the beam",
        detectable=False,
        beside=float(chance.choice([0.0, 0.004])),
        worn=chance.uniform(0, 1),
        wear_gain=0.0,
    )
    return Hidden(world, mix)


def commissioned(path, config, seed, truth, **options):
    """Commission such a module; return the guide, and how it ended."""
    guide = Guide(
        path,
        PROCEDURE,
        config,
        seed,
        options={**DEFAULTS, **options},
        machine=truth.world,
        faults=truth.mix,
    )
    return guide, guide.run(STEPS)


def parts_of(truth, seed):
    """(lead_us, scatter_pockets, width_us) of SAMPLE parts of that module, as arrays."""
    supply = PartSupply(truth.world, truth.mix.bounce, np.random.default_rng(seed))
    parts = [supply.take() for _ in range(SAMPLE)]
    return (
        np.array([part.lead_us for part in parts], dtype=float),
        np.array([part.scatter_pockets for part in parts]),
        np.array([_last_us(part) for part in parts], dtype=float),
    )


def _last_us(part):
    """When the sensor is clear for good: the part has passed, and its edge has chattered."""
    return max([part.dark_us, *(at_us for at_us, change in part.flicker if change < 0)])


def covered(config, truth, record):
    """Whether each finding of a commissioning holds the truth: name -> True or False."""
    world, mix, value = truth.world, truth.mix, record.value
    lead_us, scatter, width_us = parts_of(truth, 1)
    pitch = world.steps_per_pocket
    found = {}

    def holds(name, limits, true):
        if limits is not None:
            found[name] = bool(limits[-2] <= true <= limits[-1])

    if world.index_fitted:
        turn = pitch * world.pockets
        holds("steps per turn", [value("ratio", "low"), value("ratio", "high")], turn)
        lash_deg = 360 * world.lash_steps / turn
        holds("lash", [value("lash", "low_deg"), value("lash", "high_deg")], lash_deg)
    holds("fall", value("two rates", "fall_us"), lead_us.mean())
    holds("fall scatter", value("two rates", "fall_scatter_us"), lead_us.std())
    worn = mix.worn * world.wear_shift_pockets
    described = World.of(config)
    late = world.index_lead_pockets - described.index_lead_pockets + worn
    if world.index_fitted:
        holds("phase", value("two rates", "phase_steps"), late * pitch)
    holds("phase scatter", value("two rates", "phase_scatter_steps"), scatter.std() * pitch)
    inside = (value("widths", "low_us") <= width_us) & (width_us <= value("widths", "high_us"))
    found["widths"] = bool(inside.mean() >= value("widths", "content"))
    if not world.index_fitted:  # the place is told by some other part, with a scatter of its own
        late = -np.random.default_rng(2).permutation(scatter)
    found["windows"] = bool(_inside(config, record, lead_us, (scatter + late) * pitch))
    found["rate"] = _true_yield(config, world, value("rate", "share")) >= value("rate", "target")
    holds("missed", value("trial", "miss_rate"), mix.beside)
    holds("twice", value("trial", "double_rate"), 0.0)
    return found


def _inside(config, record, lead_us, late_steps):
    """Whether early and late hold their share of the parts at every rate of a planned run."""
    early_us, late_us = (1e3 * record.value("windows", name) for name in ("early_ms", "late_ms"))
    moved = record.value("windows", "moved_steps") if config.settings.sprocket_index else 0.0
    share = 1.0
    for rate in release_rates(config, record.value("rate", "share")):
        delay_us = lead_us + 1e6 * (late_steps - moved) / rate
        share = min(share, np.mean((early_us <= delay_us) & (delay_us <= late_us)))
    return share >= CONTENT


def highest_share(config, world, target):
    """The highest share of the velocity limit, 1 at most, at which the true yield is the target."""
    shares = np.linspace(0.01, 1, 991)
    return max(share for share in shares if _true_yield(config, world, share) >= target)


def _true_yield(config, world, share):
    """The share of pockets that a part reaches in time at that share of the velocity limit."""
    pockets_s = share * config.settings.limit_velocity_steps_s / world.steps_per_pocket
    longest = world.opening_pockets * 1e6 / pockets_s / world.feed_us  # in mean feed times
    return float(np.clip((longest - 1 + world.feed_scatter) / (2 * world.feed_scatter), 0, 1))
