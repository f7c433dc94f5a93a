"""A whole module, firmware and all, at a predicted limit: it delivers before, and stalls after.

The firmware tries what it can (reversals, shaking, slow moves on); a motor that is too weak for the
run stalls again, and the unit is held for a person.
"""

import pytest

from controller.cycle import causes
from hostsim.dispensing import dispense
from hostsim.drivetrain.margin import run_margin, velocity_limit_rev_s
from hostsim.errors import ModuleError
from hostsim.figures import check
from hostsim.module import SimModule
from tests.hostsim.described import described

QUANTITY = 12
# A motor whose measured curve has come down to nothing at 6 rev/s.
WEAK = {"pull_out": [[0, 0.3], [3, 0.1], [6, 0.0]]}


def delivers(config):
    """Whether one request ends exact; any other end must tell of the stall."""
    with SimModule(config, seed=3) as module:
        try:
            (delivery,) = dispense(module, QUANTITY, 1)
        except ModuleError as error:
            assert "drive stalls" in str(error)
            return False
    assert delivery.truthful
    if not delivery.exact:
        assert delivery.result.cause == causes.JAMMED
    return delivery.exact


@pytest.mark.parametrize("share", [0.8, 1.25])
def test_the_velocity_of_a_weak_motor(share):
    keys = {"motor": WEAK, "gear": {"friction_n_m": 0.06}}
    limit = velocity_limit_rev_s(described(**keys), margin=1.0)
    config = described(**keys, limits={"velocity_rev_s": share * limit})
    assert delivers(config) is (share < 1)
    warned = [line for line in check(config).warnings if "pull-out torque" in line]
    assert warned  # the usual margin of 1.5 is kept in neither case


@pytest.mark.parametrize("share", [0.8, 1.25])
def test_the_weight_of_a_follower(share):
    def pressed(push_n):
        return described(magazine={"push_n": push_n, "side_pressure": 0.0})

    def margin(push_n):
        return run_margin(pressed(push_n), 4.33, 80.0, 4000.0)

    low, high = 1.0, 900.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if margin(middle) > 1 else (low, middle)
    assert delivers(pressed(share * low)) is (share < 1)
