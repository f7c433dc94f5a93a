"""The wheel: a pocketed sprocket for a part, from the part's envelope and the number of pockets.

Theory of operation
-------------------
Pockets are slots open to the rim: straight walls from the pitch circle outwards, half a round
inside.  Two neighbours come closest on the line between their middles, a chord c apart:

    c    = 2 r sin(180 deg / pockets)         r: pitch radius, axis to the middle of a pocket
    web  = c - pocket                         the wall between them

A part that lies flat fills its pocket.  A part that hangs has its shank in the pocket and its head
on the wheel, and heads need room beside each other as well.  A guide around the wheel keeps the
parts in until it ends at the release edge.

At the mouth of the magazine the guide has a gap, so wide that a pocket stays open to the channel
for some of its way, and so narrow that two parts can't stand in it side by side and wedge.

The wheel stands on edge, the release edge straight below its axis, and the magazine's channel
points at the axis: where the mouth is says how steep the channel is.  Hanging parts would tip in an
upright wheel, so theirs is leaned back until heads rest on it, which takes some of the slope.

The edge lets a part go over some millimetres of travel, not at a point: it tips, and it has play in
its pocket.  That travel, seen from the axis, is the spread; what it and the lash of the gears leave
of half a pitch is the dwell, the angle around rest within which no part can fall.
"""

import math
from dataclasses import dataclass

from hostsim.parts import Part

# Common practice for printed parts, no source.
WEB_MM = 1.6  # four lines of a 0.4 mm nozzle: a thinner wall between pockets splits
CLEARANCE_MM = 0.4  # on the width of a pocket or slot: 0.2 mm a side, what FDM prints hold
RUN_MM = 0.5  # between what turns and the guide around it
WALL_MM = 3.0  # of the housing around the guide
HUB_MM = 6.0  # radius left below the pockets: a 5 mm shaft and a wall of 3.5 mm
RIM_SHARE = 0.5  # of half a pocket that the rim stands outside the pitch circle: more than half of
# a part is held, and its outside stays free for the guide
GAP_MM = 0.3  # above a flat part, where two thin ones can't get in
GAP_LEAST_MM = 0.05  # less sticks
BACK_MM = 3.0  # of the wheel behind the seats of flat parts
HANGING_MM = 4.0  # thickness of a wheel that parts hang in
EDGE_MM = 1.3  # travel over which a part tips off a printed edge, either way
MOUTH_POCKETS = 0.7  # of a pitch a pocket lies open to the channel: more, and the next one does too
MOUTH_PARTS = 0.9  # of a part it moves meanwhile: two parts must not stand in the mouth abreast
MOUTH_DEG = 155.0  # about so far the magazine stands before the release edge: above the wheel, on
# the side that goes down, so that parts slide in by their weight and fall out by it
LEAN_DEG = 20.0  # that a wheel is leaned back in which parts hang: heads stay on it
PRINTED_G_CM3 = 1.24  # PLA, printed solid


class SizeError(ValueError):
    """No design is possible, or what was asked for is; one line that says what to change."""


class UnfitError(Exception):
    """A combination that cannot be built or run; says why in a few words.

    It could run at `at_most`, or must at `at_least`, pockets/s; 0.0 where no rate helps.
    """

    def __init__(self, why: str, at_most: float = 0.0, at_least: float = 0.0) -> None:
        super().__init__(why)
        self.at_most = at_most
        self.at_least = at_least


@dataclass(frozen=True)
class Wheel:
    """A sprocket. Lengths in mm, angles in degrees."""

    part: Part
    pockets: int
    pitch_radius_mm: float

    @property
    def pitch_deg(self) -> float:
        """From pocket to pocket."""
        return 360 / self.pockets

    @property
    def chord_mm(self) -> float:
        """From the middle of a pocket to the next, straight."""
        return 2 * self.pitch_radius_mm * math.sin(math.pi / self.pockets)

    @property
    def pitch_mm(self) -> float:
        """The same along the pitch circle."""
        return 2 * math.pi * self.pitch_radius_mm / self.pockets

    @property
    def pocket_mm(self) -> float:
        """Width of a pocket."""
        return pocket_mm(self.part)

    @property
    def web_mm(self) -> float:
        """The wall between two pockets where it is thinnest."""
        return self.chord_mm - self.pocket_mm

    @property
    def bottom_radius_mm(self) -> float:
        """Axis to the bottom of a pocket."""
        return self.pitch_radius_mm - self.pocket_mm / 2

    @property
    def rim_radius_mm(self) -> float:
        """Axis to the rim of the wheel."""
        return self.pitch_radius_mm + RIM_SHARE * self.pocket_mm / 2

    @property
    def guide_radius_mm(self) -> float:
        """Axis to the guide that keeps the parts in."""
        return self.pitch_radius_mm + self.part.envelope.across_mm / 2 + RUN_MM

    @property
    def housing_mm(self) -> float:
        """Width of a housing around it."""
        return 2 * (self.guide_radius_mm + WALL_MM)

    @property
    def seat_mm(self) -> float:
        """Depth of a seat; of a wheel that parts hang in, its whole thickness."""
        return seat_mm(self.part)

    @property
    def thickness_mm(self) -> float:
        """Of the wheel."""
        return self.seat_mm + (BACK_MM if not self.part.envelope.slot_mm else 0.0)

    @property
    def spread_deg(self) -> float:
        """How far from the release edge, either way, a pocket may let go."""
        return math.degrees((EDGE_MM + CLEARANCE_MM / 2) / self.pitch_radius_mm)

    @property
    def mouth_pitches(self) -> float:
        """From the middle of the magazine's mouth to the release edge: a half more than a whole."""
        return max(1.5, round(MOUTH_DEG / self.pitch_deg - 0.5) + 0.5)

    @property
    def incline_deg(self) -> float:
        """Slope of the channel against level; 90 is upright."""
        in_plane = 90 - abs(180 - self.mouth_pitches * self.pitch_deg)
        lean = LEAN_DEG if self.part.envelope.slot_mm else 0.0
        steep = math.sin(math.radians(in_plane)) * math.cos(math.radians(lean))
        return math.degrees(math.asin(steep))

    @property
    def mouth_pockets(self) -> float:
        """How far the wheel turns while a pocket lies open to the channel, in hundredths."""
        abreast = MOUTH_PARTS * self.part.envelope.across_mm / self.pitch_mm
        return math.floor(100 * min(MOUTH_POCKETS, abreast)) / 100

    @property
    def mouth_deg(self) -> float:
        """The gap in the guide: a part, and as far as the wheel turns while a pocket is open."""
        part = 2 * math.degrees(math.asin(self.part.envelope.across_mm / 2 / self.pitch_radius_mm))
        return self.mouth_pockets * self.pitch_deg + part

    @property
    def parts_on_it(self) -> int:
        """Parts the wheel carries at rest, the one under the mouth included."""
        return int(self.mouth_pitches + 0.5)

    @property
    def inertia_g_cm2(self) -> float:
        """Moment of inertia of the wheel, taken as a disc up to its rim, and of its parts."""
        rim_cm, thickness_cm = self.rim_radius_mm / 10, self.thickness_mm / 10
        disc = math.pi / 2 * PRINTED_G_CM3 * thickness_cm * rim_cm**4
        return disc + self.parts_on_it * self.part.mass_g * (self.pitch_radius_mm / 10) ** 2

    def dwell_deg(self, lash_deg: float) -> float:
        """The angle either way of rest within which no part can fall, given the lash."""
        return self.pitch_deg / 2 - self.spread_deg - lash_deg


def pocket_mm(part: Part) -> float:
    """Width of a pocket: around the whole part if it lies flat, around its shank if it hangs."""
    envelope = part.envelope
    return (envelope.slot_mm or envelope.across_mm) + CLEARANCE_MM


def seat_mm(part: Part) -> float:
    """Depth of a seat. SizeError if two thin parts fit where one thick part does."""
    envelope = part.envelope
    if envelope.slot_mm:
        return min(HANGING_MM, max(envelope.below_mm - 1.0, 1.0))
    gap_mm = min(GAP_MM, (2 * part.shortest_mm - envelope.above_mm) / 2)
    if gap_mm < GAP_LEAST_MM:
        raise SizeError(
            f"{part.designation}: heights from {part.shortest_mm:g} to {envelope.above_mm:g} mm:"
            " two thin ones fit into a pocket for a thick one; measure, and give less tolerance"
        )
    return envelope.above_mm + gap_mm


def least_radius_mm(part: Part, pockets: int) -> float:
    """Smallest pitch radius: webs, heads beside each other, and a hub below the pockets."""
    pocket = pocket_mm(part)
    chord = max(pocket + WEB_MM, part.envelope.across_mm + CLEARANCE_MM)
    return max(chord / (2 * math.sin(math.pi / pockets)), pocket / 2 + HUB_MM)


def greatest_radius_mm(part: Part, width_mm: float) -> float:
    """Largest pitch radius whose housing is no wider than that."""
    return width_mm / 2 - WALL_MM - RUN_MM - part.envelope.across_mm / 2
