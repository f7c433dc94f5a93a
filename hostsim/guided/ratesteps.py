"""Commissioning, the rate: the highest at which enough pockets bring a part.

Theory of operation
-------------------
Above some rate a pocket has passed the magazine before a part has slid in.  The yield that is asked
for is to be proven, not just seen: a rate passes if so few of its pockets stayed empty that the
true yield is above the target with the stated confidence.  The test is sequential.  For each number
of misses in LOOKS there is a number of pockets, from exact limits, after which no more misses than
that prove the yield; all looks together take the risk that is allowed, each an equal share of it
(Bonferroni).  So a rate without a miss passes soon, and a few misses that have nothing to do with
the rate only make it take longer.  A rate fails when its yield is surely below the target, or when
the last look has not proven it: what is not proven is not good enough.

The rates are steps of STEP of the velocity limit.  The full rate is tried first; if it fails, the
highest one that passes is looked for by halving.  That ends after a handful of rates.

Pockets near the beginning and the end of a run pass more slowly and prove nothing about the rate;
they are not counted.
"""

import math
from typing import Any

from hostsim.facts import measure
from hostsim.guided.orders import at_once, give_up_when_waiting, order, supply
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed
from hostsim.guided.statistics import CONFIDENCE, proportion, surely_above, trials_to_prove

STEP = 0.05
LOWEST = 0.20
LOOKS = (0, 1, 2, 4, 8, 16)  # misses
ORDER_PARTS = 100  # a run long enough that most of its pockets pass at cruise
FED_AHEAD_POCKETS = 3  # filled before the run began
ORDERS_MAX = 40  # at one rate: each ends with new evidence, or the module needs a person


def rate_search(session: Session) -> Finding:
    """The highest rate with a yield above the target."""
    target = float(session.options["target"])
    plan = sampling_plan(target)
    shares = [round(LOWEST + STEP * n, 2) for n in range(round((1 - LOWEST) / STEP) + 1)]
    tried: list[dict[str, Any]] = []
    good, bad = -1, len(shares)  # places of the highest that passed and the lowest that failed
    place = len(shares) - 1
    while good + 1 < bad:
        trial = _try(session, shares[place], target, plan)
        tried.append(trial)
        if trial["passed"]:
            good = place
        else:
            bad = place
        place = (good + bad) // 2
    session.client.set_rate(1.0)
    values = {"target": target, "plan": plan, "tried": tried, "share": 0.0}
    if good < 0:
        return failed(
            f"even at {100 * LOWEST:.0f} % of the velocity limit the yield is not above {target:g}",
            "Isolate the supply; see that parts slide freely to the sprocket: slope of the channel,"
            " burrs, the joint of the magazine, chipped pockets. Then go on.",
            **values,
        )
    values["share"] = shares[good]
    best = next(trial for trial in reversed(tried) if trial["share"] == shares[good])
    said = (
        f"{100 * shares[good]:.0f} % of the velocity limit: {best['misses']} misses in"
        f" {best['pockets']} pockets, so the yield is above {100 * target:g} % with"
        f" {100 * CONFIDENCE:g} % confidence"
    )
    if bad < len(shares):
        said += f"; {100 * shares[bad]:.0f} % is too fast"
    return passed(said, **values)


Plan = list[tuple[int, int]]


def sampling_plan(target: float) -> Plan:
    """(pockets, misses) that prove a yield above `target`, fewest pockets first."""
    sure = 1 - (1 - CONFIDENCE) / len(LOOKS)
    return [(trials_to_prove(target, misses, sure), misses) for misses in LOOKS]


def judged(pockets: int, misses: int, target: float, plan: Plan) -> bool | None:
    """Whether a rate has passed; None while that is open."""
    if any(pockets >= needed and misses <= allowed for needed, allowed in plan):
        return True
    surely_below = pockets > 0 and 1 - surely_above(misses, pockets) < target
    if surely_below or pockets >= plan[-1][0] or misses > plan[-1][1]:
        return False
    return None


def _try(session: Session, share: float, target: float, plan: Plan) -> dict[str, Any]:
    """Order parts at this rate until it has passed or failed."""
    assert session.config is not None
    session.client.set_rate(share)
    parts = at_once(session, ORDER_PARTS)
    slow = FED_AHEAD_POCKETS + math.ceil(2 * measure(session.config).ramp_pockets)
    pockets = misses = 0
    verdict = None
    for _ in range(ORDERS_MAX):
        supply(session, parts)
        result = order(session, parts, give_up_when_waiting(session))
        misses += result.pockets - result.lower
        pockets += max(0, result.pockets - (1 + result.retries) * slow)
        pockets = max(pockets, misses)
        missed = f"{misses} {'miss' if misses == 1 else 'misses'}"
        session.talk.show(f"at {100 * share:.0f} %: {missed} in {pockets} pockets")
        verdict = judged(pockets, misses, target, plan)
        if verdict is not None:
            break
    hits = proportion(pockets - misses, pockets) if pockets else None
    return {
        "share": share,
        "pockets": pockets,
        "misses": misses,
        "passed": verdict is True,
        "yield": [hits.value, hits.low, hits.high] if hits else [0.0, 0.0, 1.0],
    }
