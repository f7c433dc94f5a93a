"""A wheel that really turns, in exact fractions, and an account of what it may still let go.

Theory of operation
-------------------
Places are in motor steps and exact; a pocket is the true ratio of steps, pockets and teeth.  Each
pocket has a release edge of its own, scattered about its nominal place as real parts are.  The
rotor turns the sprocket through gears that have play.

The account holds what is certain about an open request:

    passed      release edges the wheel has gone over for the first time
    parts       pulses that every rule of the trade takes for one part
    tested      when the beam test was last answered as it should be

A pocket that was passed before a good test and left no pulse was empty; every other pocket, and
every part, counts as out.  So many may still be sent, and no look at what the firmware thinks is
needed to know it.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from math import floor
from random import Random

from hostsim.config import ModuleConfig

SCATTER = Fraction(4, 100)  # of a pocket, either way: release angles of real parts


@dataclass
class Account:
    """What is certain about the open request."""

    quantity: int
    passed: int = 0
    passed_at_test: int = 0
    parts: int = 0
    parts_at_test: int = 0
    moves_since_test: int = 0
    passed_unhelped: int = 0  # since it was opened, or last waited for help
    lagging: bool = False  # the wheel has stalled unreported: it is not where pulses have led it

    def tested(self) -> None:
        """The beam has just proved that it sees."""
        self.passed_at_test = self.passed
        self.parts_at_test = self.parts
        self.moves_since_test = 0

    def may_pass(self) -> int:
        """How many more pockets may be passed."""
        out = self.parts_at_test + self.passed - self.passed_at_test
        return self.quantity - max(out, 0)


@dataclass
class Wheel:
    """Rotor and sprocket. `pitch` steps are a pocket."""

    pitch: Fraction
    lash: Fraction
    index_ahead: Fraction  # steps from an index edge to the nominal release edge
    chance: Random
    rotor: Fraction = Fraction(0)
    place: Fraction = Fraction(0)
    furthest: int = 0  # last release edge it has gone over
    indexed: int = 0  # pocket whose index edge it has gone over last
    edges: dict[int, Fraction] = field(default_factory=dict)

    @staticmethod
    def of(config: ModuleConfig, chance: Random) -> "Wheel":
        """The wheel of a module, at rest somewhere."""
        settings = config.settings
        turn = Fraction(settings.motor_full_steps * settings.motor_microsteps)
        for driver, driven in settings.gear_stages:
            turn *= Fraction(driven, driver)
        pitch = turn / settings.sprocket_pockets
        lash = settings.sprocket_lash_mdeg * turn / 360_000
        ahead = settings.sprocket_release_mdeg * turn / 360_000 or pitch / 2
        wheel = Wheel(pitch, lash * chance.randint(50, 100) / 100, ahead, chance)
        wheel.rotor = wheel.place = pitch * chance.choice((0, chance.randint(-499, 499))) / 1_000
        wheel.turn(Fraction(0))
        wheel.indexed = floor((wheel.place + ahead) / pitch + Fraction(1, 2))
        return wheel

    def edge(self, pocket: int) -> Fraction:
        """Where that pocket lets go."""
        if pocket not in self.edges:
            off = SCATTER * self.chance.randint(-100, 100) / 100
            self.edges[pocket] = (pocket - Fraction(1, 2) + off) * self.pitch
        return self.edges[pocket]

    def next_index(self) -> Fraction:
        """Where the next index edge lies."""
        return (self.indexed + Fraction(1, 2)) * self.pitch - self.index_ahead

    def turn(self, steps: Fraction) -> tuple[int, int]:
        """Turn the rotor; return how many release and index edges the sprocket newly goes over."""
        self.rotor += steps
        self.place = min(max(self.place, self.rotor), self.rotor + self.lash)
        furthest, indexed = self.furthest, self.indexed
        while self.edge(self.furthest + 1) <= self.place:
            self.furthest += 1
        while self.next_index() <= self.place:
            self.indexed += 1
        return self.furthest - furthest, self.indexed - indexed

    def to_next_edge(self) -> Fraction:
        """Steps that the rotor has to turn forward until the sprocket goes over any edge."""
        return min(self.next_index(), self.edge(self.furthest + 1)) - self.rotor

    def within_reach(self, steps: Fraction) -> int:
        """How many new release edges a turn forward by `steps` goes over."""
        reach = max(self.place, self.rotor + steps)
        count = 0
        while self.edge(self.furthest + count + 1) <= reach:
            count += 1
        return count
