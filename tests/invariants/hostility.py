"""Ordeals: any mix of faults, any settings, a careless host and careless hands, judged throughout.

Theory of operation
-------------------
The named mixes of the plant try one fault at a time, or all of them at set rates.  An ordeal draws
its own: which faults there are and how bad, what the module is told to put up with, what the host
says between requests and during them (bench moves, modes, stops, a magazine that lies), what hands
do in the same moments, when the power goes, and how late the firmware is called.  Everything
comes from one seed, so that what fails can be run again.

Left out is what no firmware could know (README, "what one beam cannot tell"), alone or where two
faults come to it together: a second part in a pocket whose beam is dead, covered, or busy with one
that clings or is stuck; a beam that dies clear with a stuck part, or a card, in front of it.
"""

import math
from dataclasses import dataclass, field, replace
from random import Random

from controller.settings import Settings
from hostsim.config import ModuleConfig
from hostsim.engine import Reply, Scene
from hostsim.plant.faults import FaultMix
from hostsim.plant.plant import Plant
from hostsim.plant.world import World
from tests.invariants.bench import ACTIONS, CONFIGS, EXACT, SECOND_US, Bench
from tests.judge import JudgedModule, Watched

WORST = {  # per pocket
    **{"empty": 0.3, "train": 0.05, "cling": 0.1, "jam": 0.02, "slip": 0.02, "double": 0.05},
    "lodge": 0.02,
}
SAID = (
    *("MAIN:JOG {ppm}", "MAIN:PURG", "MAIN:PURG 2", "MAIN:REG", "MAIN:BEAM", "MAIN:IND", "*TST?"),
    *("UNIT:MODE MAIN", "UNIT:MODE PROD", "UNIT:MODE MAN", "SPR:RATE {share}", "SPR:RATE 1000000"),
    *("MAG:LOAD 1", "MAG:LOAD 250", "SPR:CHAN", "*RST", "REQ:CANC", "SENS:DRIF:LEAR"),
    *("UNIT:COMM RES", "UNIT:COMM STAR", "UNIT:COMM STOP", "UNIT:COMM ABOR", "UNIT:COMM CLE"),
)
QUANTITIES = (1, 2, 3, 7, 20, 50, 120)
LATE_US = (0, 0, 2_000, 20_000, 60_000)  # by which the firmware may be called too late
CLOCKS_US = (2**30, 2**31, 2**32)  # where a clock or a number of some width is full
COVERED_US = (150_000, 3 * SECOND_US)  # no part takes so long, and so no card looks like one
LOOSE_US = 6 * SECOND_US  # what clings or is stuck has come off by then
POWER_CUT = 42  # cause of a result


def flick_guard(plant: Plant) -> None:
    """Too short for anybody to look."""
    plant.guard(False)
    plant.guard(True)


def flick_bag(plant: Plant) -> None:
    """The same of the bag."""
    plant.receiver(False)
    plant.receiver(True)


def add_few(plant: Plant) -> None:
    """Fill in some parts without a word."""
    if plant.truth.in_magazine + 3 < plant.world.capacity:
        plant.refill(3)


TRICKS = (flick_guard, flick_bag, add_few, Plant.mend_index)


@dataclass
class Outcome:
    """What came of an ordeal: what was untrue, and how much was tried."""

    untrue: list[str] = field(default_factory=list)
    requests: int = 0
    exact: int = 0
    parts: int = 0


def some(chance: Random, least: float, most: float) -> float:
    """Anything between, each order of magnitude as likely as another."""
    return math.exp(chance.uniform(math.log(least), math.log(most)))


def any_mix(chance: Random) -> FaultMix:
    """Some of the faults that can be detected, none to far too often."""
    rates = {name: some(chance, 1e-3, worst) for name, worst in WORST.items() if maybe(chance, 0.3)}
    for name, likely, least, most in (
        ("noise_per_s", 0.3, 0.1, 2.0),
        ("guard", 0.2, 0.01, 0.3),
        ("receiver", 0.2, 0.01, 0.3),
        ("drive_fault", 0.15, 0.01, 0.1),
        ("beam_life_s", 0.25, 0.5, 30.0),
        ("index_life_s", 0.2, 0.5, 30.0),
        ("torque_corner", 0.1, 0.005, 1.0),
        ("film_us", 0.2, 0.1, 50.0),
    ):
        if maybe(chance, likely):
            rates[name] = some(chance, least, most)
    if {"cling", "lodge", "beam_life_s"} & set(rates):
        rates.pop("double", None)
    if "lodge" in rates:
        rates.pop("beam_life_s", None)
    return FaultMix(
        "any",
        "",
        **rates,
        bounce=chance.random(),
        worn=chance.choice((0.0, 0.0, 1.0, 2.0)),
        stall_blind=chance.choice((0.0, 0.0, 0.3, 1.0)),
        jam_yield=chance.choice((0.0, 0.5, 1.0)),
        lodge_yield=chance.random(),
        train_yield=chance.random(),
        cling_ms=some(chance, 1.0, 2_000.0),
        cling_limit_ms=some(chance, 100.0, 5_000.0),
        magazine_parts=chance.randint(0, 40) if maybe(chance, 0.2) else None,
    )


def any_module(chance: Random) -> ModuleConfig:
    """A shipped module, some of it changed."""
    config = CONFIGS[chance.choice(list(CONFIGS))]
    changed = {
        "beam_test": chance.choice((1, 1, 1, 0)),
        "record_checkpoint": chance.choice((0, 1, 5, 25)),
        "recovery_silent": chance.choice((1, 2, 3, 3, 5)),
        "recovery_runs": chance.choice((1, 2, 6, 6, 20)),
        "recovery_patience_ms": chance.choice((0, 1_000, 60_000, 60_000)),
    }
    written = {**config.settings.as_dict(), **changed}
    values = config.values
    if maybe(chance, 0.25):
        written["sprocket_index"] = 0
        values = {**values, "sprocket": {**values["sprocket"], "index_sensor": False}}
    return replace(config, settings=Settings(written), values=values)


def any_world(chance: Random, config: ModuleConfig) -> World:
    """What the module really is: anything that its description allows."""
    world = World.of(config)
    return replace(
        world,
        bounce_us=chance.randint(0, config.settings.beam_bounce_us),
        respond_us=chance.randint(0, config.settings.beam_response_us),
        kick_m_s=chance.choice((0.0, world.kick_m_s)),
        drop_scatter_m=chance.choice((0.0, world.drop_scatter_m)),
    )


def maybe(chance: Random, share: float) -> bool:
    """True as often as `share` says."""
    return chance.random() < share


class Late(Watched):
    """The firmware on a board that comes to it late, having been busy with something else.

    But not while it tests the beam: a part that falls while the emitter is dark can't be seen.
    """

    def __init__(self, chance: Random, most_us: int) -> None:
        super().__init__()
        self._chance = chance
        self._most_us = most_us

    def round(self, scene: Scene) -> Reply:
        """One round, and the time of the next."""
        reply = super().round(scene)
        late_us = self._chance.randint(0, 0 if self.firmware.test.masking else self._most_us)
        return reply._replace(deadline_us=reply.deadline_us + late_us)


class Ordeal:
    """One module and what it goes through."""

    def __init__(self, seed: int) -> None:
        self.chance = Random(seed)
        self.mix = any_mix(self.chance)
        self.config = any_module(self.chance)
        world = any_world(self.chance, self.config)
        late = Late(Random(seed), self.chance.choice(LATE_US))
        self.module = JudgedModule(self.config, seed, self.mix, world, late)
        self.bench = Bench(self.module)
        self.outcome = Outcome()

    def go_through(self) -> Outcome:
        """All of it."""
        chance, module = self.chance, self.module
        if maybe(chance, 0.1):
            module.run_until(chance.choice(CLOCKS_US) - chance.randint(0, 8 * SECOND_US))
        for ticket in range(1, chance.randint(2, 5)):
            if maybe(chance, 0.4):
                self._meddle(chance.randint(1, 8))
            self._go_back_to_work()
            self._request(ticket)
        if module.plant.truth.missing:
            self.outcome.untrue.append("the plant has lost a part")
        self.outcome.untrue += module.broken
        return self.outcome

    def _request(self, ticket: int) -> None:
        chance, bench, module = self.chance, self.bench, self.module
        if maybe(chance, 0.9):
            bench.ready()
        quantity = chance.choice(QUANTITIES)
        sent_us = module.now_us
        bench.open(ticket, quantity)
        for _ in range(chance.choice((0, 0, 0, 1, 2, 5))):
            self._wait()
            what = chance.random()
            if what < 0.08:
                self._cut_power(ticket, sent_us)
                return
            if what < 0.2 and not self.mix.double and math.isinf(self.mix.beam_life_s):
                module.plant.cover_beam(True)
                bench.wait(chance.randint(*COVERED_US))
                module.plant.cover_beam(False)
            else:
                self._meddle(1)
        bench.close()
        delivered = dict(module.watch.closed).get(ticket)
        if delivered is None:
            return  # it was refused: the unit was not in service
        _, _, outcome, lower, upper, *_ = result = bench.result(ticket)
        self.outcome.requests += 1
        self.outcome.parts += delivered
        self.outcome.exact += outcome == EXACT
        true = lower <= delivered <= upper
        if outcome == EXACT:
            true = lower == upper == quantity == delivered
        if not true:
            self.outcome.untrue.append(f"{result}, {delivered} delivered of {quantity}")
        if maybe(chance, 0.3):
            self._wait_for_strays(ticket)

    def _cut_power(self, ticket: int, sent_us: int) -> None:
        self.module.board.power_cycle(self.chance.choice((0, LOOSE_US)))
        self.module.read()
        self.bench.wait(LOOSE_US)
        if self.bench.ask("REQ:TICK?")[0] != ticket:
            return
        result = self.bench.result(ticket)
        fell = self.module.plant.truth.passed_between(sent_us, self.module.now_us)
        if result[-1] == POWER_CUT and not result[3] <= fell <= result[4]:
            self.outcome.untrue.append(f"{result} after a power cut, {fell} delivered")

    def _wait_for_strays(self, ticket: int) -> None:
        """What clung until its request was closed falls into the same bag, and is told of."""
        if not math.isinf(self.mix.beam_life_s):
            return  # a beam that dies now is not tested before the next request
        self.bench.wait(LOOSE_US)
        result = self.bench.result(ticket)
        watch, truth = self.module.watch, self.module.plant.truth
        fell = truth.passed_between(watch.opened_us, self.module.now_us)
        if not result[3] <= fell <= result[4]:
            self.outcome.untrue.append(f"{result} with its strays, {fell} in the bag")

    def _meddle(self, times: int) -> None:
        """Say and do something, mostly at the wrong moment."""
        chance = self.chance
        for _ in range(times):
            self._wait()
            what = chance.random()
            if what < 0.5:
                ppm, share = (
                    chance.randint(-1_000_000, 1_000_000),
                    chance.randint(50_000, 1_000_000),
                )
                self.module.tell(chance.choice(SAID).format(ppm=ppm, share=share))
                self.module.read()
            elif what < 0.7:
                chance.choice(TRICKS)(self.module.plant)
            else:
                self.bench.act(chance.choice(ACTIONS))

    def _go_back_to_work(self) -> None:
        module, bench = self.module, self.bench
        module.tell("*RST;:REQ:CANC")
        bench.state()
        if bench.ask("UNIT:MODE?") != [1]:
            module.tell("UNIT:COMM STOP;*WAI")
            bench.state()
            module.tell("UNIT:MODE PROD")
            bench.wait(SECOND_US // 10)

    def _wait(self) -> None:
        longest_us = self.chance.choice((0, 3_000, 300_000, 3 * SECOND_US))
        self.bench.wait(self.chance.randint(0, longest_us))


def ordeal(seed: int) -> Outcome:
    """Go through the ordeal of that seed."""
    trial = Ordeal(seed)
    with trial.module:
        return trial.go_through()
