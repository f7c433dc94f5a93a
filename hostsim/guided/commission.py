"""Commissioning: estimates in a module's description give way to measurements on the module.

Theory of operation
-------------------
The table below goes from the wheel to the parts to the count, because each step relies on what came
before: with a wrong gear ratio nothing else means anything, and parts are measured, windows set and
the count tried at the rate at which the module is going to run.  What a step has measured is in the
record, raw values too, so that an interrupted run goes on without measuring again, and somebody
else can work it out once more.  The last step writes to the description what was measured, if the
person agrees.
"""

from typing import Any

from hostsim.guided import partsteps, ratesteps, trialsteps, wheelsteps
from hostsim.guided.looksteps import identity
from hostsim.guided.procedure import Session, Step
from hostsim.guided.record import Finding
from hostsim.guided.statistics import CONFIDENCE
from hostsim.guided.writing import Change, write, write_changes

PROCEDURE = "commissioning"
DEFAULTS: dict[str, Any] = {"turns": 3, "parts": 150, "target": 0.98, "trial": 200, "out": None}
SURE = f"{100 * CONFIDENCE:g} %"


def ratio(session: Session) -> Finding:
    """The measured ratio; where a tooth explains it, offer to write that."""
    found = wheelsteps.ratio(session)
    trains = found.values.get("trains")
    if found.ok or not trains or session.config is None:
        return found
    session.talk.show(f"{found.said}. {found.remedy}")
    old = [list(pair) for pair in session.config.values["gear"]["stages"]]
    written = write_changes(session, [Change("gear", "stages", old, trains[0], "measured ratio")])
    values = {**found.values, "made": written.values.get("made", [])}
    return Finding(found.verdict, f"{found.said}; {written.said}", values, found.remedy)


STEPS = (
    Step(
        "identity",
        "Who is there",
        "Nothing moves. The module must run with the description that is to be corrected.",
        "the settings are those of the description",
        identity,
    ),
    Step(
        "home",
        "Home",
        "The wheel turns at creep until its pockets are found. Parts may fall.",
        "the position is known",
        wheelsteps.home,
        moves=True,
    ),
    Step(
        "ratio",
        "Steps per pocket",
        "Some turns at creep; parts fall into the bag. Put them back afterwards.",
        "the configured ratio lies within the limits",
        ratio,
        moves=True,
    ),
    Step(
        "lash",
        "Lash",
        "Back and forth over one index flag, at creep.",
        "one flag is seen both ways",
        wheelsteps.lash,
        moves=True,
    ),
    Step(
        "rate",
        "Highest rate",
        "Parts are dispensed at several rates. Keep the magazine filled and the bag emptied.",
        f"some rate has the yield asked for, with {SURE} confidence",
        ratesteps.rate_search,
        moves=True,
    ),
    Step(
        "two rates",
        "Fall and phase of release",
        "Parts are dispensed at the rate found and at a quarter of it. Keep the magazine filled.",
        f"at least {partsteps.PARTS_LEAST} parts of each rate",
        partsteps.two_rates,
        moves=True,
    ),
    Step(
        "widths",
        "Pulse width",
        "Worked out from the same parts; nothing moves.",
        "always",
        partsteps.widths,
    ),
    Step(
        "windows",
        "Windows",
        "Worked out from the same parts; nothing moves.",
        "the shortest pulse can be told from chatter",
        partsteps.windows,
    ),
    Step(
        "trial",
        "Count trial",
        "Parts counted by hand go in, and all of them are dispensed.",
        "parts come out; misses and doubles are told with exact limits",
        trialsteps.count_trial,
        deeds=True,
        caution="Reach in only with the supply isolated and everything at rest.",
    ),
    Step(
        "write",
        "Written to the description",
        "Nothing moves. You are asked before anything is written.",
        "agreed, or nothing to write",
        write,
    ),
)
