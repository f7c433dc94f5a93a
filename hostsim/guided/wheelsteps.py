"""Commissioning, the wheel: home, steps per pocket, lash.

Theory of operation
-------------------
The module tells at which commanded motor step the pocket index sensor has changed (`SENSe:INDex?`),
a count that nothing corrects.

*Steps per pocket.*  The same flag comes by once a turn, so two edges one turn apart are one turn of
the motor's steps apart, wherever the flags sit.  Each edge is told to a whole step: a difference
over n turns is wrong by less than one step, which gives limits that are no matter of chance.  A
ratio that differs from the configured one by more than that is another gear train; the tooth counts
that would explain it are looked for nearby.

*Lash.*  Forward the motor pushes one flank, backward the other.  The same edge of the same flag is
seen at motor step a going forward and at b going back; a - b is the play, to a step.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import product
from typing import Any

from hostsim.answers import IndexEdge
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed, skipped
from hostsim.words import UnitMode

CHUNK_POCKETS = 3  # at a time: a wheel with a tooth more is not far off its place by then
TEETH_OFF_MAX = 4  # a gear is rarely printed with more teeth too many or too few
TEETH_LEAST = 5
EDGE_STEPS = 1.0  # an edge is told to a whole step
LASH_ROUNDS = 4
BACK_POCKETS_MAX = 0.42  # further back the firmware does not go
CLEAR_POCKETS = 0.06  # to go on beyond a flag, so that it is passed for certain
NUDGE_POCKETS = 0.1
NUDGES_MAX = 25  # over two pitches: every flag has been passed once by then
NO_INDEX = "there is no pocket index sensor, so this can't be measured; the description stands"


def home(session: Session) -> Finding:
    """Does the module find its pockets?"""
    session.in_service(UnitMode.MAINTENANCE)
    session.client.register()
    position = session.client.position()
    if not position.known:
        cause = session.client.cause()
        return failed(
            "the pocket position was not found",
            cause.remedy or "See that parts feed and that the index sensor is clean; then go on.",
        )
    return passed("the pocket position is known", pocket=position.pocket)


def ratio(session: Session) -> Finding:
    """How many motor steps make one turn of the wheel?"""
    if not session.setting("sprocket_index"):
        return skipped(NO_INDEX)
    turns = int(session.options["turns"])
    pockets = int(session.setting("sprocket_pockets"))
    edges = _edges_of(session, turns, pockets)
    configured = steps_per_turn(session)
    places = _number(edges, float(configured / pockets))
    over = turns * pockets
    starts = [place for place in places if place + over in places]
    if not starts:
        return failed(
            f"{len(places)} flags were seen in {turns} turns of {pockets} pockets",
            "The index sensor misses flags: set its distance, clean the disc; then go on.",
            edge_steps=edges,
        )
    per_turn = sum(places[place + over] - places[place] for place in starts) / len(starts) / turns
    half = EDGE_STEPS / turns
    values = {
        "steps_per_turn": per_turn,
        "low": per_turn - half,
        "high": per_turn + half,
        "configured": float(configured),
        "pockets": pockets,
        "turns": turns,
        "edge_steps": edges,
        "per_pocket": [b - a for a, b in _neighbours(places)],
    }
    said = f"{per_turn:.2f} steps a turn, within {half:.2f}; configured {float(configured):.2f}"
    if abs(per_turn - configured) <= half:
        return passed(said, **values)
    trains = _trains_near(session, per_turn, half)
    return failed(said, _tooth_remedy(trains), trains=trains, **values)


def _edges_of(session: Session, turns: int, pockets: int) -> list[int]:
    """Motor steps of the rising index edges over at least so many turns, at creep."""
    client = session.client
    session.in_service(UnitMode.MAINTENANCE)
    list(client.index_edges())
    found: list[int] = []
    left = turns * pockets + 2  # one more at each end
    while left > 0:
        client.register()
        client.purge(min(CHUNK_POCKETS, pockets, left))
        left -= min(CHUNK_POCKETS, pockets, left)
        found += [edge.steps for edge in client.index_edges() if edge.level]
        session.talk.live(f"{left} pockets to go, {len(found)} index edges")
    return found


def _number(edges: Sequence[int], pitch: float) -> dict[int, int]:
    """Edges by the number of their flag, counted from the first.

    Each is numbered from the one before it, so that a pitch a little off never adds up.
    """
    places: dict[int, int] = {}
    number, before = 0, edges[0] if edges else 0
    for steps in edges:
        number += round((steps - before) / pitch)
        before = steps
        places[number] = steps
    return places


def _neighbours(places: dict[int, int]) -> Iterator[tuple[int, int]]:
    for place, steps in places.items():
        if place + 1 in places:
            yield steps, places[place + 1]


def steps_per_turn(session: Session) -> Fraction:
    """Motor steps of one turn of the wheel, as the module has it."""
    return _train_steps(session, _stages(session))


def _stages(session: Session) -> list[tuple[int, int]]:
    teeth = session.setting("gear_stages")
    return list(zip(teeth[::2], teeth[1::2], strict=True))


def _train_steps(session: Session, stages: Sequence[tuple[int, int]]) -> Fraction:
    steps = Fraction(session.setting("motor_full_steps") * session.setting("motor_microsteps"))
    for driver, driven in stages:
        steps *= Fraction(driven, driver)
    return steps


def _trains_near(session: Session, per_turn: float, half: float) -> list[list[list[int]]]:
    """Gear trains that would explain what was measured, the one with the fewest changes first."""
    stages = _stages(session)
    found = []
    off = range(-TEETH_OFF_MAX, TEETH_OFF_MAX + 1)
    for at, (driver, driven) in enumerate(stages):
        for more, less in product(off, off):
            pair = (driver + more, driven + less)
            changed = [*stages[:at], pair, *stages[at + 1 :]]
            if min(pair) < TEETH_LEAST:
                continue
            if abs(float(_train_steps(session, changed)) - per_turn) <= half:
                found.append((abs(more) + abs(less), [list(each) for each in changed]))
    return [train for _, train in sorted(found)]


def _tooth_remedy(trains: Sequence[Any]) -> str:
    if trains:
        return (
            f"gear.stages = {trains[0]} would explain it. Isolate the supply, count the teeth; then"
            " correct the description, flash it, and commission with it."
        )
    return (
        "No tooth more or less explains it. See that motor.microsteps is what the driver is set to,"
        " that sprocket.pockets is right, and that no set screw slips."
    )


def lash(session: Session) -> Finding:
    """How much of a reversal is lost between motor and wheel?"""
    if not session.setting("sprocket_index"):
        return skipped(NO_INDEX)
    client = session.client
    session.in_service(UnitMode.MAINTENANCE)
    client.register()
    back = _stand_behind_a_flag(session)
    plays: list[int] = []
    for number in range(1, LASH_ROUNDS + 1):
        session.talk.live(f"back and forth, {number} of {LASH_ROUNDS}")
        list(client.index_edges())
        client.jog(-back)
        backward = list(client.index_edges())
        client.jog(back)
        forward = list(client.index_edges())
        plays += _plays(forward, backward)
    if not plays:
        return failed(
            "no flag was seen both ways",
            "The index sensor must see one flag per pocket: set its distance; then go on.",
        )
    # Both edges are told to a whole step, each on its own side: one step too many in all.
    play = sum(plays) / len(plays) - EDGE_STEPS
    deg = 360 / float(steps_per_turn(session))
    configured = session.setting("sprocket_lash_mdeg") / 1000
    low, high = max(0.0, play - EDGE_STEPS) * deg, (play + EDGE_STEPS) * deg
    values = {
        "steps": play,
        "deg": max(0.0, play) * deg,
        "low_deg": low,
        "high_deg": high,
        "configured_deg": configured,
        "plays": plays,
    }
    said = f"{max(0.0, play) * deg:.3f} deg ({low:.3f} to {high:.3f}); stated bound {configured:g}"
    return passed(said, **values)


def _stand_behind_a_flag(session: Session) -> float:
    """Come to stand a little beyond a flag; return how far to go back over it, in pockets."""
    client = session.client
    pitch = float(steps_per_turn(session)) / session.setting("sprocket_pockets")
    list(client.index_edges())
    came: int | None = None
    for _ in range(NUDGES_MAX):
        client.jog(NUDGE_POCKETS)
        for edge in client.index_edges():
            if edge.level:
                came = edge.steps
            elif came is not None:
                width = (edge.steps - came) / pitch
                return min(BACK_POCKETS_MAX, width + NUDGE_POCKETS + CLEAR_POCKETS)
    return BACK_POCKETS_MAX


def _plays(forward: Sequence[IndexEdge], backward: Sequence[IndexEdge]) -> Iterator[int]:
    """Steps between the two sights of each edge of a flag.

    Its near end is where it comes going forward and where it leaves going back; its far end the
    other way round.
    """
    for level in (1, 0):
        ahead = [edge.steps for edge in forward if edge.level == level]
        behind = [edge.steps for edge in backward if edge.level != level]
        if len(ahead) == len(behind) == 1:
            yield ahead[0] - behind[0]
