"""Commissioning, the count: a known number of parts goes in, and the module must have counted it.

Theory of operation
-------------------
The person empties the module and fills in parts that were counted by hand.  The module is asked for
more than there are, so that it delivers all of them and ends short; what it has counted is compared
with what went in.  Fewer counted: the beam has missed some, or saw two as one.  More: it saw one as
two.  In one batch the two could hide each other, so there are several small ones.  The rates come
with exact limits; nothing seen in n parts means no more than about 3 in n (the rule of three).
"""

from hostsim.guided.orders import give_up_when_waiting, order
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed
from hostsim.guided.statistics import proportion

BATCH_PARTS = 50
MORE = 5  # asked for beyond what is there


def count_trial(session: Session) -> Finding:
    """Does the module count what was put in?"""
    client, talk = session.client, session.talk
    batch = min(BATCH_PARTS, int(session.setting("magazine_capacity")))
    batches = max(1, round(int(session.options["trial"]) / batch))
    share = float(session.record.value("rate", "share") or 1.0)
    loaded = counted = missed = twice = doubtful = 0
    for number in range(1, batches + 1):
        talk.show(f"batch {number} of {batches}")
        talk.wait_for(
            "empty",
            "Isolate the supply; take every part out of magazine, sprocket and chute; shut the"
            " guard, switch on.",
        )
        talk.wait_for("empty the bag", "Empty the bag.")
        talk.wait_for(f"fill {batch}", f"Count {batch} parts by hand and put them in from above.")
        session.may_turn("trial")  # only now are hands out again
        client.count_magazine(batch)
        client.set_rate(share)
        result = order(session, batch + MORE, give_up_when_waiting(session))
        session.rest()  # whoever looks what is left does so at a motor without current
        question = "Without reaching in: how many parts are left in magazine and sprocket?"
        out = batch - talk.count("left", question, 0, batch)
        loaded += out
        counted += result.lower
        missed += max(0, out - result.lower)
        twice += max(0, result.lower - out)
        doubtful += result.upper - result.lower
    client.set_rate(1.0)
    if not loaded:
        return failed("no part has come out", "See that parts feed; then go on.")
    misses, doubles = proportion(missed, loaded), proportion(min(twice, loaded), loaded)
    values = {
        "loaded": loaded,
        "counted": counted,
        "missed": missed,
        "twice": twice,
        "doubtful": doubtful,
        "batches": batches,
        "share": share,
        "miss_rate": [misses.value, misses.low, misses.high],
        "double_rate": [doubles.value, doubles.low, doubles.high],
    }
    said = (
        f"{counted} counted of {loaded}: {missed} missed (at most {100 * misses.high:.2f} %),"
        f" {twice} too many (at most {100 * doubles.high:.2f} %)"
    )
    if doubtful:
        said += f"; {doubtful} more the module would not swear to"
    return passed(said, **values)
