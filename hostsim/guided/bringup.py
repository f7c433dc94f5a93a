"""The first power-up of a module, step by step, in an order in which nothing can hurt unseen.

Theory of operation
-------------------
What only looks comes first, then what only feels, then what turns: who is there; what the inputs
say; that the guard is seen, and keeps the unit from being started; the beam by hand.  Only then is
the motor energised, which the beam's own test needs too.  The first motion is a quarter of a pocket
at creep, because a motor wired the wrong way round must not turn a whole wheel back into its
magazine; then one turn, pocket by pocket; then one part.

Every step that fails says what is probably wired wrong and what to do.  Deeds that the module can
see are watched for; the person answers only what it can't see.
"""

from collections.abc import Callable
from typing import Any

from hostsim.errors import NotReadyError
from hostsim.guided.conversation import AGAIN, BACKWARD, FORWARD, STILL
from hostsim.guided.looksteps import ISOLATE, beam_by_hand, guard, identity, inputs
from hostsim.guided.procedure import Session, Step
from hostsim.guided.record import Finding, failed, passed, skipped
from hostsim.guided.wheelsteps import steps_per_turn
from hostsim.words import Outcome, UnitMode, UnitState

PROCEDURE = "bring-up"
FIRST_MOVE_POCKETS = 0.25
TURN_EDGES_OFF = 1  # a turn that begins on an index flag may show one edge more or less
FILL_FEW = 5  # parts for the first count


def enable(session: Session) -> Finding:
    """Does the unit come to Execute with the motor energised and nothing moving?"""
    client = session.client
    before = client.position().steps
    try:
        session.in_service(UnitMode.MAINTENANCE)
    except NotReadyError as stuck:
        return failed(
            f"the unit stays {stuck.state}: {stuck.cause.text}",
            stuck.cause.remedy or "See that nothing else commands the module; then go on.",
        )
    client.time.pause(1.0)
    state, moved = client.state(), client.position().steps - before
    if state is not UnitState.EXECUTE:
        return failed(f"the unit has fallen back to {state}", client.cause().remedy)
    if moved:
        return failed(f"the motor was commanded to move by {moved} steps", "Report this record.")
    return passed("the motor holds, the unit is in service, nothing has moved")


def beam_by_test(session: Session) -> Finding:
    """Does the beam see its own emitter go dark?"""
    if not session.setting("beam_test"):
        return skipped(
            "there is no test output (beam.test_output), so a silent pocket is never proven empty"
        )
    session.in_service(UnitMode.MAINTENANCE)
    if session.client.test_beam():
        return passed("dark when its emitter is switched off, clear when it is on again")
    return failed(
        "the beam does not go dark when its emitter is switched off",
        ISOLATE + "The test output is not connected to the emitter, or is the wrong way round.",
    )


def first_move(session: Session) -> Finding:
    """A quarter of a pocket forward: does it turn, and which way?"""
    client = session.client
    while True:
        session.in_service(UnitMode.MAINTENANCE)
        list(client.index_edges())
        client.jog(FIRST_MOVE_POCKETS)
        way = session.talk.choose(
            "direction",
            "Which way did the sprocket turn? Forward is from the magazine along the guide to the"
            " release edge.",
            (FORWARD, BACKWARD, STILL, AGAIN),
        )
        if way != AGAIN:
            break
        session.may_turn("first move")  # hands may have been in since
    if way == BACKWARD:
        return failed(
            "the sprocket turns backwards",
            ISOLATE + "Swap the two wires of one motor winding (or set the direction of the"
            " driver); then go on.",
            direction=way,
        )
    if way == STILL:
        return failed(
            "the sprocket does not turn",
            ISOLATE + "Check the motor's cable and both windings, the driver's current, its STEP"
            " and ENABLE wires, then set screws and gear mesh.",
            direction=way,
        )
    return passed("a quarter of a pocket forward, as commanded", direction=way)


def slow_turn(session: Session) -> Finding:
    """One turn at creep, pocket by pocket; the index sensor must show each."""
    client = session.client
    session.in_service(UnitMode.MAINTENANCE)
    pockets = int(session.setting("sprocket_pockets"))
    list(client.index_edges())
    rising, steps = 0, []
    for number in range(1, pockets + 1):
        session.talk.live(f"pocket {number} of {pockets}, {rising} index edges")
        client.jog(1.0)
        for edge in client.index_edges():
            rising += edge.level
            steps += [edge.steps] if edge.level else []
    values = {
        "pockets": pockets,
        "edges": rising,
        "edge_steps": steps,
        "pitch_steps": float(steps_per_turn(session)) / pockets,
    }
    if not session.setting("sprocket_index"):
        return passed(f"{pockets} pockets turned; this module has no index sensor", **values)
    if abs(rising - pockets) <= TURN_EDGES_OFF:
        return passed(f"{rising} index edges in one turn of {pockets} pockets", **values)
    if rising == 0:
        remedy = (
            "The index sensor is not connected, or sits too far from its flags; if the sprocket"
            " did not turn, look at set screws and gear mesh."
        )
    else:
        remedy = (
            "The sensor misses flags or sees more than there are: set its distance, clean the"
            " disc; see that sprocket.pockets and gear.stages are what was printed."
        )
    return failed(
        f"{rising} index edges in one turn of {pockets} pockets", ISOLATE + remedy, **values
    )


def one_part(session: Session) -> Finding:
    """One part, ordered, counted, and looked at."""
    client, talk = session.client, session.talk
    magazine = client.magazine()
    parts = min(FILL_FEW, magazine.capacity - magazine.level)
    if parts:
        talk.wait_for(
            f"fill {parts}",
            f"Put {parts} parts into the magazine, from above, with the guard shut.",
        )
        client.load_magazine(parts)
    talk.wait_for("empty the bag", "Take everything out of the bag and put it back.")
    session.may_turn("one part")
    session.in_service(UnitMode.PRODUCTION)
    result = client.request(1)
    counted = talk.count("bag", "How many parts are in the bag now?", 0, 100)
    values = {"outcome": str(result.outcome), "lower": result.lower, "in_bag": counted}
    if result.outcome is Outcome.EXACT and counted == 1:
        return passed("one part ordered, one counted, one in the bag", **values)
    if result.outcome is not Outcome.EXACT:
        cause = client.cause()
        return failed(
            f"the request ended {result.outcome}, {result.lower} to {result.upper} of 1",
            (cause.remedy if cause.code else "See that parts slide into the pockets and fall past")
            + " Then go on.",
            **values,
        )
    return failed(
        f"one was counted and {counted} are in the bag",
        ISOLATE + "See that every part falls through the light, one at a time: align the beam, and"
        " lead the chute.",
        **values,
    )


def _step(
    key: str, title: str, does: str, rule: str, run: Callable[[Session], Finding], **more: Any
) -> Step:
    return Step(key, title, does, rule, run, **more)


STEPS = (
    _step(
        "identity",
        "Who is there",
        "Nothing moves. The module says who it is and with which settings it runs.",
        "answers, and its settings are those of the description, if one was given",
        identity,
    ),
    _step(
        "inputs",
        "Inputs",
        "Nothing moves. The line below shows all inputs as they are; see that each follows.",
        "driver healthy; guard and bag are seen",
        inputs,
        deeds=True,
    ),
    _step(
        "guard",
        "Guard",
        "Nothing moves. With the guard open the unit must refuse to be started.",
        "open is seen, and the unit refuses clear, reset and start",
        guard,
        deeds=True,
        protects=True,
        caution="The firmware's look at the guard is no safety function. The guard switch must cut"
        " the drive in hardware: have that checked by whoever is licensed to.",
    ),
    _step(
        "beam by hand",
        "Beam, by hand",
        "Nothing moves. Reach the beam from below, outside the guard.",
        "clear, blocked by a card, clear again",
        beam_by_hand,
        deeds=True,
    ),
    _step(
        "enable",
        "Motor energised",
        "The motor is energised and holds; nothing turns.",
        "the unit comes to Execute, no step is commanded",
        enable,
        moves=True,
        caution="A motor wired wrong may twitch. It gets hot while it holds.",
    ),
    _step(
        "beam by test",
        "Beam, by its test output",
        "Nothing turns. The emitter is switched off for some milliseconds.",
        "dark without its emitter, clear with it",
        beam_by_test,
        moves=True,
    ),
    _step(
        "first move",
        "First move and direction",
        f"{FIRST_MOVE_POCKETS:g} pockets forward at creep, over in a moment. Watch the sprocket"
        " through the guard; it can be shown again.",
        "it turns forward",
        first_move,
        moves=True,
    ),
    _step(
        "slow turn",
        "One slow turn and the pocket index",
        "One turn at creep, pocket by pocket. Parts may fall. To stop it, open the guard.",
        "as many index edges as pockets, give or take one",
        slow_turn,
        moves=True,
    ),
    _step(
        "one part",
        "One counted part",
        "The module registers its sprocket and delivers one part.",
        "one ordered, one counted, one in the bag",
        one_part,
        deeds=True,
    ),
)
