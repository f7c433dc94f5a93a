"""Any part that can be described is either refused in one line or gets a module that works."""

from hypothesis import given, settings
from hypothesis import strategies as st

from hostsim.dispensing import dispense
from hostsim.figures import check
from hostsim.module import SimModule
from hostsim.parts import PartError, find_part
from hostsim.plant.eventlog import EventLog
from hostsim.sizing import SizeError, Wanted, search
from hostsim.sizing.train import MOTORS

tolerances = st.sampled_from(("0.02mm", "0.1mm", "0.3mm"))


@st.composite
def descriptions(draw):
    """Words that describe a part, possible or not."""
    shape = draw(st.sampled_from(("ring", "hexagon", "headed")))
    keys = {
        "ring": ("outer", "hole", "height"),
        "hexagon": ("flats", "hole", "height"),
        "headed": ("head", "head_height", "shank", "length"),
    }[shape]
    # Mostly possible: each dimension a share of the one before.
    first = draw(st.floats(2.0, 40.0))
    sizes = [first, *(first * draw(st.floats(0.05, 1.1)) for _ in keys[1:])]
    words = " ".join(f"{key}={size:.2f}mm" for key, size in zip(keys, sizes, strict=True))
    return f"{shape} {words} tolerance={draw(tolerances)}"


@settings(max_examples=15)
@given(
    words=descriptions(),
    motor=st.sampled_from(sorted(MOTORS)),
    pockets=st.integers(3, 20),
    width_mm=st.one_of(st.none(), st.floats(42.3, 150.0)),
)
def test_a_part_is_refused_or_gets_a_module_that_works(words, motor, pockets, width_mm):
    try:
        part = find_part(words)
        found = search(Wanted(part, MOTORS[motor], (pockets, pockets), width_mm))
    except (PartError, SizeError) as refusal:
        assert "\n" not in str(refusal) and len(str(refusal)) > 20
        return
    best = found.best
    assert width_mm is None or best.width_mm <= width_mm
    assert best.rate <= best.limits.lowest
    if best.dwell_margin_deg > 0:
        assert check(best.config).warnings == []
    with SimModule(best.config, seed=1, log=EventLog(keep=False)) as module:
        (delivery,) = dispense(module, min(8, best.plan.capacity), 1)
    assert delivery.exact and delivery.truthful
