"""Predicted limits of modules drawn by chance, against the plant.

    python -m tests.bench.study_limits [--modules 40]

Motors, supplies, gears and loads are drawn around those of the shipped descriptions. For each,
three limits are predicted (velocity, acceleration, start without a ramp) and compared with the
simulated motor, which has its own winding, load and judgement: it must not pull out at 0.8 of a
limit, and must at 1.25. The true limit is found by halving. So is the rate from which pockets stay
empty.
"""

import argparse
from collections.abc import Callable

import numpy as np

from controller.motion.profile import creep
from hostsim.config import ModuleConfig
from hostsim.drivetrain.margin import (
    acceleration_limit_rev_s2,
    start_stop_limit_rev_s,
    velocity_limit_rev_s,
)
from hostsim.facts import measure
from hostsim.table import table
from tests.hostsim.described import CONFIGS, described
from tests.hostsim.drivetrain.test_margin import TURN, pulls_out, run
from tests.hostsim.sensing.test_rates import empty_share

HALVINGS = 9
LEAST = 0.5  # a module whose limits are below can hardly move at all
NEVER, ALWAYS = 0.8, 1.25
QUICK = {"acceleration_rev_s2": 300.0, "jerk_rev_s3": 20_000.0}


def drawn(rng: np.random.Generator, **fixed: dict[str, float]) -> ModuleConfig:
    """A module by chance, with some keys fixed."""
    holding = rng.uniform(0.2, 0.6)
    current = rng.uniform(0.6, 2.2)
    resistance = rng.uniform(4.0, 9.0) / (2 * current**2)
    sections = {
        "motor": {
            "holding_torque_n_m": holding,
            "rotor_inertia_g_cm2": rng.uniform(30, 90),
            "current_a": current,
            "resistance_ohm": resistance,
            "inductance_mh": 1e3 * resistance * rng.uniform(1.2e-3, 2.6e-3),
            "supply_v": float(rng.choice([9.0, 12.0, 18.0, 24.0])),
        },
        "gear": {"friction_n_m": holding * rng.uniform(0.12, 0.35)},
        "magazine": {
            "push_n": rng.uniform(0, 20),
            "side_pressure": rng.uniform(0.0, 0.3),
            "incline_deg": rng.uniform(35, 90),
            "friction": rng.uniform(0.1, 0.4),
            "mouth_pockets": rng.uniform(0.4, 0.8),
        },
    }
    for section, content in fixed.items():
        sections.setdefault(section, {}).update(content)
    return described(str(rng.choice([path.stem for path in CONFIGS])), **sections)


def true_over(limit: float, fails: Callable[[float], bool]) -> float:
    """The predicted limit over the true one, found between a half and twice of it."""
    low, high = 0.5, 2.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if fails(middle * limit) else (middle, high)
    return 2 / (low + high)


def velocity(rng: np.random.Generator) -> tuple[float, Callable[[float], bool]]:
    config = drawn(rng, limits=QUICK)
    return velocity_limit_rev_s(config, 1.0), lambda v: pulls_out(config, run(v, *QUICK.values()))


def acceleration(rng: np.random.Generator) -> tuple[float, Callable[[float], bool]]:
    flywheel = {"inertia_g_cm2": 20_000.0}
    config = drawn(rng, sprocket=flywheel, limits={"jerk_rev_s3": 0})
    speed = config.values["limits"]["velocity_rev_s"]
    if velocity_limit_rev_s(config, 1.0) < 1.5 * speed:
        return 0.0, bool  # so near to where no torque is left that an acceleration means little
    limit = acceleration_limit_rev_s2(config, 1.0)
    return limit, lambda a: pulls_out(config, run(speed, a, 0))


def start(rng: np.random.Generator) -> tuple[float, Callable[[float], bool]]:
    config = drawn(rng)
    return start_stop_limit_rev_s(config), lambda v: pulls_out(
        config, creep(3000, 1, round(v * TURN))
    )


def refill(rng: np.random.Generator) -> tuple[float, Callable[[float], bool]]:
    strong = {"holding_torque_n_m": 0.6, "supply_v": 48.0}
    config = drawn(rng, motor=strong, gear={"friction_n_m": 0.02}, magazine={"push_n": 0.0})
    return measure(config).refill_rate, lambda rate: empty_share(config, rate) > 0


STUDIED = {
    "velocity, rev/s": (velocity, 29.0),  # beyond, the model does not claim to know
    "acceleration, rev/s2": (acceleration, 1e9),
    "start, rev/s": (start, 29.0),
    "refill, pockets/s": (refill, 1e9),
}


def main() -> None:
    """Study as many modules as asked for, and print a row for each limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--modules", type=int, default=40)
    modules = parser.parse_args().modules
    rows = []
    for name, (predict, most) in STUDIED.items():
        rng = np.random.default_rng(1)
        ratios, early, late = [], 0, 0
        while len(ratios) < modules:
            limit, fails = predict(rng)
            if not LEAST < limit < most:
                continue
            early += fails(NEVER * limit)
            late += not fails(ALWAYS * limit)
            ratios.append(true_over(limit, fails))
        least, middle, largest = np.quantile(ratios, (0, 0.5, 1))
        rows.append(
            (name, str(modules), str(early), str(late), f"{least:.3f}", f"{middle:.3f}",
             f"{largest:.3f}")
        )  # fmt: skip
    print(
        table(
            ("limit", "modules", "failed at 0.8", "held at 1.25", "least", "median", "largest"),
            rows,
        )
    )
    print("least, median, largest: the predicted limit over the true one")


if __name__ == "__main__":
    main()
