"""How long a request takes, in virtual time, against the least any controller could need."""

from pathlib import Path

import pytest

from hostsim.config import load
from hostsim.dispensing import dispense
from hostsim.module import SimModule
from tests import ideal

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
QUANTITY = 100
RATIO_MAX = 1.02


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_a_request_is_as_quick_as_physics_lets_it_be(path):
    """The first request after power-up, which must find the position first, and one after it."""
    config = load(path)
    with SimModule(config) as module:
        deliveries = list(dispense(module, QUANTITY, 2))
    for delivery in deliveries:
        seconds = (delivery.closed_us - delivery.opened_us) / 1e6
        assert delivery.exact
        assert seconds <= RATIO_MAX * ideal.request_s(config.values, QUANTITY)
        # Sooner than this the last part cannot have been let go: a check on the clocks.
        assert seconds > ideal.run_s(config.values, QUANTITY - 1)
        # And the module's own account of the time, in whole milliseconds, is true.
        assert abs(delivery.result.seconds - seconds) < 0.001
