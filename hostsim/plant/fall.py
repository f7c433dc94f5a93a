"""Falling parts: how long they take to the beam and how long they darken it.

Theory of operation
-------------------
A part leaves the release edge with a small downward speed u and reaches, after a drop h, the
speed v with v^2 = u^2 + 2 g h; the time is (v - u) / g. Its lower end reaches the beam after the
drop h, its upper end after h + L, where L is its extent along the fall. The part tumbles: its axis
points anywhere with equal probability, so L lies between its shortest and longest size, and when
the light can look through its hole the pulse falls in two.

All scatter of a part is drawn here, for a block of parts at a time: numpy does the arithmetic, and
the plant then takes ready-made parts one by one.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hostsim.plant.world import G_M_S2, World

BLOCK = 512  # parts drawn at a time
DRAWS = 10  # uniform numbers per part; a fixed number keeps one part's draws off its neighbour's

Floats = NDArray[np.float64]


class Part(NamedTuple):
    """Everything about one part that chance decides."""

    luck: float  # uniform in [0, 1): compared with the fault rates when it is fed
    feed_share: float  # its feed time over the mean one
    scatter_pockets: float  # where it lets go, from the nominal release edge
    lead_us: int  # from letting go to the beam
    dark_us: int  # from its lower end to its upper end in the beam
    flicker: tuple[tuple[int, int], ...]  # (time_us after lead, +1 or -1): hole and bounce


def arrival_m_s(drop_m: Any, start_m_s: Any = 0.0) -> Any:
    """Speed after a drop, from energy; scalars or arrays."""
    return np.sqrt(start_m_s**2 + 2 * G_M_S2 * drop_m)


def fall_s(drop_m: Any, start_m_s: Any = 0.0) -> Any:
    """Time to fall `drop_m` from a downward start speed; scalars or arrays."""
    return (arrival_m_s(drop_m, start_m_s) - start_m_s) / G_M_S2


def dark_s(drop_m: Any, extent_m: Any, start_m_s: Any = 0.0) -> Any:
    """Time a body of `extent_m` along the fall darkens a beam `drop_m` below its lower end."""
    return fall_s(drop_m + extent_m, start_m_s) - fall_s(drop_m, start_m_s)


def attitudes(world: World, draws: Floats) -> tuple[Floats, Floats]:
    """Return (extent_m, gap_m) per part along the fall for three columns of uniform draws.

    The first two turn the part's axis to any direction with equal probability; the third is how
    far off the middle the light crosses the part. `gap_m` is 0 where no light comes through.
    """
    along_beam = draws[:, 0]  # cosine of axis against beam: uniform, by Archimedes
    across_beam = np.sqrt(1 - along_beam**2)
    along_fall = across_beam * np.cos(2 * np.pi * draws[:, 1])
    # A part with a hole is a ring about its short axis, one without is a rod along its long one.
    axial_m, radial_m = (
        (world.shortest_m, world.longest_m) if world.hole_m else (world.longest_m, world.shortest_m)
    )
    extent_m = np.hypot(axial_m * along_fall, radial_m * np.sqrt(1 - along_fall**2))
    # Looking along the beam the hole is narrowed by the part's own thickness.
    window_m = np.maximum(world.hole_m * along_beam - world.shortest_m * across_beam, 0.0)
    off_m = (draws[:, 2] - 0.5) * 0.7 * world.longest_m
    chord_m = 2 * np.sqrt(np.maximum((window_m / 2) ** 2 - off_m**2, 0.0))
    gap_m = np.maximum(chord_m - world.aperture_m, 0.0)
    return extent_m, np.minimum(gap_m, 0.8 * extent_m)


class PartSupply:
    """An endless row of parts with all their scatter, in the order in which they are fed."""

    def __init__(self, world: World, bounce: float, rng: np.random.Generator) -> None:
        """`bounce` is the share of beam edges that bounce."""
        self._world = world
        self._bounce = bounce
        self._rng = rng
        self._block: list[Part] = []

    def take(self) -> Part:
        """Return the next part."""
        if not self._block:
            self._block = self._draw()
        return self._block.pop()

    def _draw(self) -> list[Part]:
        world = self._world
        draws = self._rng.random((BLOCK, DRAWS))
        extent_m, gap_m = attitudes(world, draws[:, :3])
        start_m_s = world.kick_m_s * draws[:, 3]
        drop_m = world.drop_m + world.drop_scatter_m * (2 * draws[:, 4] - 1)
        lead_s = fall_s(drop_m, start_m_s)
        # Times of the four ends of material: lower rim, hole's lower and upper edge, upper rim.
        ends_m = [(extent_m - gap_m) / 2, (extent_m + gap_m) / 2, extent_m]
        open_us, shut_us, dark_us = (
            _micros(fall_s(drop_m + end_m, start_m_s) - lead_s) for end_m in ends_m
        )
        feed = 1 + world.feed_scatter * (2 * draws[:, 5] - 1)
        # The sum of two uniform numbers is triangular.
        scatter = world.release_scatter_pockets * (draws[:, 6] + draws[:, 7] - 1)
        bounces = self._bounces(draws[:, 8:10])
        rows = zip(
            self._rng.random(BLOCK).tolist(),
            feed.tolist(),
            scatter.tolist(),
            _micros(lead_s),
            dark_us,
            open_us,
            shut_us,
            bounces,
            strict=True,
        )
        return [
            Part(luck, share, where, lead, dark, _flicker(dark, opens, shuts, bounce))
            for luck, share, where, lead, dark, opens, shuts, bounce in rows
        ]

    def _bounces(self, draws: Floats) -> list[tuple[int, int]]:
        """Per part: the length in microseconds of its bounce at the dark and the clear edge."""
        share = self._bounce
        if not share or self._world.bounce_us < 3:
            return [(0, 0)] * len(draws)
        # One draw decides both whether (draw < share) and how long (draw / share is uniform).
        lengths = np.where(draws < share, 2 + (self._world.bounce_us - 2) * draws / share, 0)
        first, second = (lengths[:, column].astype(int).tolist() for column in (0, 1))
        return list(zip(first, second, strict=True))


def _micros(seconds: Floats) -> list[int]:
    return [int(value) for value in np.rint(seconds * 1e6).tolist()]


def _flicker(
    dark_us: int, opens_us: int, shuts_us: int, bounce_us: tuple[int, int]
) -> tuple[tuple[int, int], ...]:
    """What happens to the light beside the part's two outer ends."""
    flicker: tuple[tuple[int, int], ...] = ()
    if shuts_us > opens_us:
        flicker = ((opens_us, -1), (shuts_us, 1))
    at_dark, at_clear = bounce_us
    if at_dark:
        flicker += ((at_dark // 2, -1), (at_dark, 1))
    if at_clear:
        flicker += ((dark_us + at_clear // 2, 1), (dark_us + at_clear, -1))
    return flicker
