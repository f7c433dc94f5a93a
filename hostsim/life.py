"""Life: how long a sprocket lasts at a given output, when to order the next, and what to keep.

Theory of operation
-------------------
A sprocket wears by the piece.  What is left of its rated pieces, at so many parts a day, is a
number of days; the order for the next one goes out as many days earlier as it takes to arrive.
Pieces are what the description promises before anything runs, and what the firmware has counted
afterwards: the forecast is the same.

A worn pocket shows in another way as well: it lets parts past.  The share of misses, pockets that
stayed empty although parts were there, is compared with what a sound module has, by the lower limit
of Wilson's interval (NIST e-Handbook 7.2.4.1), so that a few misses among few pockets raise no
alarm.

Common practice, no source: a printed sprocket lasts at least about 200,000 pieces; everything
printed that the same parts rub on is looked at when the sprocket is changed.  How many sprockets
such a thing outlives is this project's assumption, until somebody has counted.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from hostsim.answers import Counters
from hostsim.config import ModuleConfig
from hostsim.figure import Figure

# Common practice, no source.
SOUND_MISSES = 0.02  # of the pockets
YEARS_SAID_MAX = 100
BEARING_HOURS = 20_000  # of ball bearings in a small motor that is not overloaded
MOUTH_OUTLIVES = GEARS_OUTLIVE = 2  # sprockets
PINS_OUTLIVE = 4
DEVIATIONS_95 = 1.959964  # of the normal distribution, both sides


@dataclass(frozen=True)
class Forecast:
    """One sprocket. Days are days of production."""

    pieces: int
    rated: int
    parts_per_day: int
    lead_days: int

    @property
    def left(self) -> int:
        """Pieces until it has its rated life behind it."""
        return max(self.rated - self.pieces, 0)

    @property
    def days(self) -> float:
        """Days until then."""
        return self.left / self.parts_per_day

    @property
    def order_days(self) -> float:
        """Days until the next one has to be ordered; 0.0: now."""
        return max(self.days - self.lead_days, 0.0)


@dataclass(frozen=True)
class Service:
    """What a module needs in a year."""

    new: Forecast  # of a new sprocket
    sprockets_a_year: float
    shelf: int  # sprockets to keep: one, and what wears out while the next are on their way
    hours_a_day: float
    bearing_years: float


@dataclass(frozen=True)
class Spare:
    """One line of the list of spares."""

    name: str
    every_pieces: int
    a_year: float
    note: str


def forecast(config: ModuleConfig, pieces: int = 0) -> Forecast:
    """The forecast of a sprocket that has carried so many pieces, by the plan of a description."""
    plan = config.values["plan"]
    return Forecast(
        pieces, config.settings.sprocket_rated_pieces, plan["parts_per_day"], plan["lead_days"]
    )


def plan_service(config: ModuleConfig, pockets_per_s: float) -> Service:
    """What follows from the plan of a module that runs at so many pockets a second."""
    new = forecast(config)
    days = config.values["plan"]["days_per_year"]
    hours = new.parts_per_day / pockets_per_s / 3600
    return Service(
        new=new,
        sprockets_a_year=days * new.parts_per_day / new.rated,
        shelf=1 + new.lead_days * new.parts_per_day // new.rated,
        hours_a_day=hours,
        bearing_years=BEARING_HOURS / (hours * days),
    )


def spares(config: ModuleConfig) -> list[Spare]:
    """What to keep, and how often it is needed."""
    joint = config.values["joint"]
    kinds = [
        ("sprocket", 1, "sprocket.rated_pieces"),
        ("mouth of the magazine", MOUTH_OUTLIVES, "look at each sprocket change"),
    ]
    for driver, driven in config.values["gear"]["stages"]:
        kinds.append((f"gears {driver}:{driven}", GEARS_OUTLIVE, "likewise; measure the lash"))
    if joint["located_by"] == "pins":
        kinds.append((f"dowel pins {joint['pin_mm']:g} mm", PINS_OUTLIVE, "likewise"))
    plan, rated = config.values["plan"], config.settings.sprocket_rated_pieces
    parts_a_year = plan["days_per_year"] * plan["parts_per_day"]
    return [
        Spare(name, outlives * rated, parts_a_year / (outlives * rated), note)
        for name, outlives, note in kinds
    ]


def miss_limits(counters: Counters) -> tuple[float, float]:
    """Wilson's 95 % limits of the share of pockets that missed; (0, 1) before any did."""
    n = counters.pockets
    if not n:
        return 0.0, 1.0
    share, z2 = counters.misses / n, DEVIATIONS_95**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = DEVIATIONS_95 / (1 + z2 / n) * math.sqrt(share * (1 - share) / n + z2 / (4 * n**2))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def due(one: Forecast, counters: Counters) -> Iterator[str]:
    """What is due on a sprocket that has counted this, and what to do; nothing if all is well."""
    if not one.left:
        yield (
            f"the sprocket has carried {one.pieces:,} pieces and is rated for {one.rated:,}: change"
            " it (isolate the supply first), then tell the module (SPRocket:CHANged)"
        )
    elif not one.order_days:
        yield (
            f"the sprocket lasts another {one.days:.1f} days and a new one takes {one.lead_days}:"
            " order it now"
        )
    least = miss_limits(counters)[0]
    if least > SOUND_MISSES:
        yield (
            f"more than {100 * least:.1f} % of the pockets stayed empty although parts were there,"
            f" and a sound module stays below {100 * SOUND_MISSES:g} %: look at pockets and mouth"
            " for wear (isolate the supply first)"
        )


def _years(years: float) -> str:
    """Nobody knows of a printed machine what comes after a hundred of them."""
    return f"{years:.0f}" if years < YEARS_SAID_MAX else f"over {YEARS_SAID_MAX}"


def service_group(config: ModuleConfig, service: Service) -> list[Figure]:
    """What `tallywheel check` says about service."""
    new = service.new
    shelf = f"one, and what wears out in {new.lead_days} days of delivery"
    figures = [
        Figure("sprocket lasts", f"{new.days:.1f}", "days",
               f"{new.rated} pieces at {new.parts_per_day} a day"),
        Figure("sprockets on the shelf", str(service.shelf), "", shelf),
        Figure("running", f"{service.hours_a_day:.2f}", "h/day", "at cruise"),
        Figure("motor bearings", _years(service.bearing_years), "years",
               f"{BEARING_HOURS} h, common practice"),
    ]  # fmt: skip
    return figures + [
        Figure(spare.name, f"{spare.a_year:.1f}", "a year", f"{spare.every_pieces} pieces;"
               f" {spare.note}")
        for spare in spares(config)
    ]  # fmt: skip
