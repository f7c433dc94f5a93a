"""What `tallywheel check` says about beam and scale: figures with their sources, and warnings."""

from collections.abc import Iterator

from controller.counting.windows import Windows
from hostsim.config import ModuleConfig
from hostsim.figure import Figure, at_least, at_most, rounded
from hostsim.sensing.predict import RARE, Sensing

UNSEEN = 1e-12  # a chance that nobody will ever meet


def beam_group(config: ModuleConfig, sensing: Sensing) -> list[Figure]:
    """Fall and pulses."""
    fall, beam = sensing.fall, config.values["beam"]
    off_ms = 1e3 * fall.deviation_s
    figures = [
        Figure("fall", _ms(fall.mean_s), "ms",
               f"{_ms(fall.earliest_s)} to {_ms(fall.latest_s)}, deviates by {off_ms:.2f};"
               " s = u t + g t2 / 2"),
        Figure("speed at the beam", rounded(fall.speed_m_s), "m/s", "u + g t, on average"),
    ]  # fmt: skip
    figures += [
        Figure(f"pulse, {name}", _ms(dark_s), "ms", "t(h + L) - t(h)")
        for name, dark_s in sensing.pulses_s.items()
    ]
    if sensing.gap_s:
        seen = f"in the middle of a pulse at most; the light is {beam['width_mm']:g} mm wide"
        figures.append(Figure("gap of the hole", _ms(sensing.gap_s), "ms", seen))
    return [
        *figures,
        Figure("overlap at cruise", _chance(sensing.overlap), "of parts",
               "darken the beam before the one ahead has cleared it; normal errors"),
        Figure("joined at cruise", _chance(sensing.merged), "of pulses",
               "nearer to the one before than the merge window"),
    ]  # fmt: skip


def scale_group(config: ModuleConfig, sensing: Sensing) -> list[Figure]:
    """Counting by weight."""
    scale = config.values["scale"]
    source = (
        f"parts differ by {scale['scatter_percent']:g} %, {scale['resolution_g']:g} g divisions,"
        f" {scale['reference']} for reference"
    )
    return [
        *(
            Figure(f"{parts} parts", rounded(deviation), "parts", f"standard deviation; {source}")
            for parts, deviation in sensing.weighed.items()
        ),
        Figure("largest bag", str(sensing.largest_bag), "parts",
               "with one more or less told apart: a deviation below 1/6 of a part"),
    ]  # fmt: skip


def warnings(config: ModuleConfig, sensing: Sensing, windows: Windows) -> Iterator[str]:
    """What should be changed about the beam, the gravest first."""
    yield from _scatter(config)
    yield from _pulses(sensing, windows)
    yield from _arrival(config, sensing, windows)
    if sensing.overlap > RARE:
        yield (
            f"{_chance(sensing.overlap)} of parts meet the shadow of the one before, and nobody can"
            f" tell two such parts from one: keep below {sensing.overlap_rate:.1f} pockets/s"
            " (limits.velocity_rev_s), or lower sprocket.scatter_deg or beam.drop_tolerance_mm"
        )


def _scatter(config: ModuleConfig) -> Iterator[str]:
    sprocket = config.values["sprocket"]
    room_deg = 180 / sprocket["pockets"] - sprocket["scatter_deg"]
    if sprocket["dwell_deg"] > room_deg:
        yield (
            f"pockets let go up to {sprocket['scatter_deg']:g} deg from their edge, which reaches"
            f" into the rest zone: set sprocket.dwell_deg to {at_most(room_deg, 1)} or less, or"
            " shape pockets that scatter less (sprocket.scatter_deg)"
        )


def _pulses(sensing: Sensing, windows: Windows) -> Iterator[str]:
    briefest_ms = 1e3 * sensing.shortest_s
    if windows.shortest_us / 1e3 > briefest_ms:
        yield (
            f"the briefest pulse of a part is {briefest_ms:.2f} ms and would be taken for a"
            f" disturbance: set beam.shortest_ms to {at_most(briefest_ms, 2)} or less, or leave"
            " it out"
        )
    longest_ms = 1e3 * sensing.longest_s
    if windows.longest_us / 1e3 < longest_ms:
        yield (
            f"the longest pulse of one part is {longest_ms:.2f} ms and would be taken for two: set"
            f" beam.longest_ms to {at_least(longest_ms, 2)} or more, or leave it out"
        )
    gap_ms = 1e3 * sensing.gap_s
    if windows.merge_us / 1e3 < gap_ms:
        yield (
            f"the light shines through a part for up to {gap_ms:.2f} ms, which would be taken for"
            f" the gap between two: set beam.merge_ms to {at_least(gap_ms, 2)} or more, or leave"
            " it out"
        )


def _arrival(config: ModuleConfig, sensing: Sensing, windows: Windows) -> Iterator[str]:
    response_ms = config.values["beam"]["response_ms"]
    earliest_ms = 1e3 * sensing.fall.earliest_s
    latest_ms = 1e3 * sensing.fall.latest_s + response_ms
    if windows.early_us / 1e3 > earliest_ms:
        yield (
            f"parts reach the beam from {earliest_ms:.1f} ms on, before their window opens: set"
            f" beam.early_ms to {at_most(earliest_ms, 1)} or less, or leave it out"
        )
    if windows.late_us / 1e3 < latest_ms:
        yield (
            f"parts reach the beam up to {latest_ms:.1f} ms after their release, when their window"
            f" has shut: set beam.late_ms to {at_least(latest_ms, 1)} or more, or leave it out"
        )


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.2f}"


def _chance(probability: float) -> str:
    return f"{probability:.2g}" if probability >= UNSEEN else f"< {UNSEEN:.0e}"
