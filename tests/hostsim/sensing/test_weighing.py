"""Counting by weight against its own formula's worked figures and against bags drawn by chance."""

import numpy as np
import pytest

from hostsim.sensing.weighing import Scale
from tests.hostsim.described import described


def perfect(scatter, reference):
    """A scale without errors of its own."""
    return Scale(1.0, scatter, 0.0, reference, 0.0)


@pytest.mark.parametrize(
    ("parts", "reference", "deviation"),
    # cv 1 %; computed from first-order propagation of errors, no publication.
    [(1000, 10, 3.178), (1000, 100, 1.049), (1000, 1000, 0.447), (100, 10, 0.332)],
)
def test_worked_figures(parts, reference, deviation):
    assert perfect(0.01, reference).deviation(parts) == pytest.approx(deviation, abs=5e-4)


@pytest.mark.parametrize("parts", [20, 200])
def test_bags_weighed_by_chance(parts):
    """Draw masses, weigh reference, bag and tares in whole divisions, divide; 20,000 times."""
    rng = np.random.default_rng(11)
    mass_g, scatter, reference, division_g, bags = 0.8, 0.02, 50, 0.1, 20_000
    config = described(
        part={"mass_g": mass_g},
        scale={
            "resolution_g": division_g,
            "scatter_percent": 100 * scatter,
            "reference": reference,
        },
    )

    def weighed(count):
        net_g = mass_g * (count + np.sqrt(count) * scatter * rng.standard_normal(bags))
        tare_g = rng.uniform(5, 6, bags)
        read = np.round((net_g + tare_g) / division_g) - np.round(tare_g / division_g)
        return read * division_g

    counted = weighed(parts) / (weighed(reference) / reference)
    assert counted.std() == pytest.approx(Scale.of(config.values).deviation(parts), rel=0.03)


def test_the_largest_bag_is_the_last_one_that_is_sure():
    scale = Scale.of(described().values)
    most = scale.largest_bag()
    assert scale.deviation(most) < 1 / 6 <= scale.deviation(most + 1)
    # A coarse scale tells not even one washer.
    coarse = described("m4_washer", scale={"resolution_g": 1.0})
    assert Scale.of(coarse.values).largest_bag() == 0


def test_finer_scale_evener_parts_larger_bags():
    bags = [
        Scale.of(described(scale={"resolution_g": grams}).values).largest_bag()
        for grams in (0.2, 0.1, 0.01)
    ]
    assert bags == sorted(bags) and bags[0] < bags[-1]
    uneven = Scale.of(described(scale={"scatter_percent": 5.0}).values)
    assert uneven.largest_bag() < bags[1]
