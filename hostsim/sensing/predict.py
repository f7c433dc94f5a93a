"""What the beam will see of one module and what a scale can check, in numbers."""

from dataclasses import dataclass

from controller.motion.gear import PocketRatio
from hostsim.config import ModuleConfig
from hostsim.sensing.fall import Fall, Shape, dark_s
from hostsim.sensing.overlap import Overlap
from hostsim.sensing.weighing import Scale

RARE = 1e-6  # of all parts: once in some days of a busy module
BAGS = (25, 100, 1000)


@dataclass(frozen=True)
class Sensing:
    """Numbers about one module; times in s, rates in pockets/s."""

    fall: Fall
    pulses_s: dict[str, float]  # attitude -> dark time
    shortest_s: float  # of all attitudes and falls, before the sensor has its share
    longest_s: float
    gap_s: float  # in the middle of a pulse
    overlap: float  # chance of a part to meet the shadow of the one before, at cruise
    merged: float  # chance that its pulse is joined to the one before, at cruise
    overlap_rate: float  # up to which that is RARE
    weighed: dict[int, float]  # parts in a bag -> standard deviation of their count
    largest_bag: int


def measure(config: ModuleConfig) -> Sensing:
    """Work out the numbers of a module."""
    values, s = config.values, config.settings
    drop_m = values["beam"]["drop_mm"] / 1e3
    off_m = values["beam"]["drop_tolerance_mm"] / 1e3
    start_m_s = values["part"]["start_mm_s"] / 1e3
    shape, overlap = Shape.of(values["part"]), Overlap(values)
    extents = shape.attitudes()
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    rate = s.limit_velocity_steps_s * ratio.den / ratio.num
    merge_s = max(shape.gap_s(drop_m, 0.0), values["beam"]["merge_ms"] / 1e3)
    scale = Scale.of(values)
    return Sensing(
        fall=Fall.of(values),
        pulses_s={name: dark_s(drop_m, extent) for name, extent in extents.items()},
        shortest_s=dark_s(drop_m + off_m, min(extents.values()), start_m_s),
        longest_s=dark_s(max(drop_m - off_m, 0.0), max(extents.values())),
        gap_s=shape.gap_s(drop_m, values["beam"]["width_mm"] / 1e3),
        overlap=overlap.probability(rate),
        merged=overlap.probability(rate, merge_s),
        overlap_rate=overlap.rate(RARE),
        weighed={parts: scale.deviation(parts) for parts in BAGS},
        largest_bag=scale.largest_bag(),
    )
