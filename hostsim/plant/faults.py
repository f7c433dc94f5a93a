"""Fault mixes: what goes wrong in a simulated module, how often, and who could know.

Theory of operation
-------------------
A `FaultMix` is a row of rates; `MIXES` names them: `none`, `everyday` (a good printed machine),
`harsh` (every detectable class at once, far too often) and one mix per fault class. Rates are
probabilities per pocket filled unless their name says otherwise. A class is `detectable` when the
evidence a module has (beam edges, index edges, levels, the driver's stall output, the beam test)
is enough never to report a wrong quantity as exact; `why` says what the evidence is, or what is
missing. `person` says that somebody must come to the bench before the module can go on.

The rates are this project's assumptions about printed machines, not measurements.
"""

import math
from dataclasses import dataclass

PER_POCKET = (
    "empty",
    "train",
    "cling",
    "jam",
    "slip",
    "double",
    "double_together",
    "lodge",
    "beside",
)


@dataclass(frozen=True)
class FaultMix:
    """One named row of fault rates."""

    name: str
    doc: str
    detectable: bool = True
    why: str = ""
    person: bool = False

    # Per pocket filled.
    empty: float = 0.0  # the part does not drop into its pocket
    train: float = 0.0  # the parts in the channel hang together and stop feeding
    cling: float = 0.0  # the part sticks under the release edge and falls late
    jam: float = 0.0  # a part wedges as its pocket leaves the opening: the sprocket is blocked
    slip: float = 0.0  # the motor loses some electrical cycles there without a stall
    double: float = 0.0  # two parts in a pocket, the second falls clearly after the first
    double_together: float = 0.0  # two parts in a pocket that cross the beam overlapping
    lodge: float = 0.0  # the part gets stuck in the chute, in the beam
    beside: float = 0.0  # the part falls past the beam without darkening it

    # What becomes of them.
    train_yield: float = 0.7  # probability that one reversal shakes a train loose
    jam_yield: float = 0.9  # probability that one reversal at creep frees a jam
    stall_blind: float = 0.0  # probability that the driver does not report a stall
    lodge_yield: float = 0.6  # probability that a lodged part comes loose by itself
    cling_ms: float = 120.0  # mean exponential time at rest after which a clinging part comes off
    cling_limit_ms: float = 1500.0  # and its cut-off
    wear_gain: float = 1.0  # rates x (1 + gain x (pieces / rated pieces)^2)
    worn: float = 0.0  # pieces already carried at the start, as a share of the rated ones

    # Per part that has passed.
    film_us: float = 0.0  # by which dirt on the windows moves either end of every later pulse out

    # Per second of time.
    noise_per_s: float = 0.0  # blips on the beam shorter than any part

    # Per move started.
    guard: float = 0.0  # somebody opens the guard while it runs, and shuts it again
    receiver: float = 0.0  # the bag is taken away while it runs, and put back
    drive_fault: float = 0.0  # the driver shuts down (heat, voltage) until reset by hand

    # The hardware.
    bounce: float = 0.1  # share of beam edges that bounce
    beam_life_s: float = math.inf  # mean life of the beam; 0 = dead from the start
    beam_dead: tuple[int, ...] = (0, 1)  # what a dead beam may read: 0 clear, 1 blocked
    index_life_s: float = math.inf  # mean life of the index sensor; 0 = dead from the start
    torque_corner: float = 1.0  # scale on the speeds at which the motor's torque drops
    magazine_parts: int | None = None  # parts in the magazine at the start; None = full


_ROWS = (
    FaultMix("none", "nothing goes wrong", wear_gain=0.0),
    FaultMix(
        "everyday",
        "rates of a good printed machine",
        empty=2e-3,
        train=1e-4,
        cling=1e-4,
        jam=2e-5,
        slip=2e-6,
        double=1e-6,
        noise_per_s=1e-4,
        why="a mix of classes that each leave evidence",
    ),
    FaultMix(
        "harsh",
        "every detectable class at once, far too often",
        empty=3e-2,
        train=5e-3,
        cling=5e-3,
        jam=3e-3,
        slip=1e-3,
        double=2e-3,
        lodge=1e-3,
        stall_blind=0.1,
        jam_yield=0.7,
        noise_per_s=0.5,
        guard=5e-3,
        receiver=1e-2,
        drive_fault=2e-3,
        bounce=0.5,
        worn=0.5,
        person=True,
        why="a mix of classes that each leave evidence",
    ),
    FaultMix(
        "empty", "1 pocket in 20 stays empty", empty=0.05, why="no pulse, and the beam test passes"
    ),
    FaultMix(
        "train",
        "parts hang together and stop feeding until shaken",
        train=0.03,
        why="pockets in a row without a pulse; looks like an empty magazine until shaken",
    ),
    FaultMix(
        "cling",
        "1 part in 20 sticks to its pocket and falls late",
        cling=0.05,
        cling_ms=400.0,
        cling_limit_ms=5000.0,
        why="its pulse comes alone, however late; a request closed before was true when closed",
    ),
    FaultMix(
        "double",
        "two parts in a pocket, the second clearly later",
        double=0.03,
        why="a second pulse for one pocket",
    ),
    FaultMix(
        "double_together",
        "two parts in a pocket that cross the beam overlapping",
        detectable=False,
        double_together=0.03,
        why="two overlapping parts often darken the beam no longer than one tumbling part does",
    ),
    FaultMix(
        "beside",
        "1 part in 50 falls past the beam unseen",
        detectable=False,
        beside=0.02,
        why="leaves the same evidence as an empty pocket",
    ),
    FaultMix(
        "jam",
        "parts wedge and stall the motor; reversing frees 9 of 10",
        jam=0.02,
        why="the driver reports the stall",
    ),
    FaultMix(
        "jam_hard",
        "parts wedge so that no reversal frees them",
        jam=0.01,
        jam_yield=0.0,
        person=True,
        why="the driver reports the stall, again and again",
    ),
    FaultMix(
        "stall_blind",
        "jams that the driver's stall detection misses",
        jam=0.02,
        stall_blind=1.0,
        why="index edges stop (if fitted) and pockets stay silent; every pulse is still one part",
    ),
    FaultMix(
        "slip",
        "the motor loses steps at a pocket without stalling",
        slip=0.02,
        why="index edges come late (if fitted); every pulse is still one part",
    ),
    FaultMix(
        "sag",
        "supply voltage too low: the motor pulls out at speed, not at creep",
        torque_corner=0.01,
        person=True,
        why="the driver reports the stall",
    ),
    FaultMix(
        "lodge",
        "parts get stuck in the chute, in the beam",
        lodge=0.02,
        person=True,
        why="the beam stays blocked longer than any part takes",
    ),
    FaultMix("noise", "2 blips a second on the beam", noise_per_s=2.0, why="shorter than any part"),
    FaultMix("bounce", "nearly every beam edge bounces", bounce=0.9, why="settles within its time"),
    FaultMix(
        "dirt",
        "a film grows on the beam's windows: pulses get longer and longer",
        film_us=1.0,
        why="pulses too long for one part; the width drifts long before",
    ),
    FaultMix(
        "beam_clear",
        "the beam always reads clear",
        beam_life_s=0.0,
        beam_dead=(0,),
        person=True,
        why="the beam test fails",
    ),
    FaultMix(
        "beam_blocked",
        "the beam always reads blocked",
        beam_life_s=0.0,
        beam_dead=(1,),
        person=True,
        why="the beam reads blocked at rest",
    ),
    FaultMix(
        "beam_dies",
        "the beam fails at a random time, clear or blocked",
        beam_life_s=4.0,
        person=True,
        why="the beam test fails, or the beam stays blocked",
    ),
    FaultMix(
        "index_dead",
        "the index sensor fails at a random time",
        index_life_s=2.0,
        person=True,
        why="pulses without index edges; no effect on a module without that sensor",
    ),
    FaultMix(
        "worn",
        "a sprocket at twice its rated pieces",
        empty=2e-3,
        train=1e-4,
        cling=1e-4,
        jam=2e-5,
        wear_gain=4.0,
        worn=2.0,
        why="the everyday evidence, more often; release comes later",
    ),
    FaultMix(
        "guard",
        "somebody opens the guard in 1 move of 5",
        guard=0.2,
        person=True,
        why="the guard's level, and the drive says it was cut",
    ),
    FaultMix(
        "receiver",
        "the bag is taken away in 1 move of 5",
        receiver=0.2,
        why="the receiver's level; parts under way still cross the beam",
    ),
    FaultMix(
        "drive_fault",
        "the driver shuts down in 1 move of 10",
        drive_fault=0.1,
        person=True,
        why="the driver's level",
    ),
    FaultMix(
        "runs_dry",
        "the magazine holds 30 parts at the start",
        magazine_parts=30,
        person=True,
        why="the low-level sensor (if fitted), then silent pockets that no shaking cures",
    ),
)

MIXES: dict[str, FaultMix] = {row.name: row for row in _ROWS}


def find(mix: str | FaultMix) -> FaultMix:
    """Return the mix of that name (a mix passes through); ValueError lists the names there are."""
    if isinstance(mix, FaultMix):
        return mix
    if mix not in MIXES:
        raise ValueError(f"no fault mix {mix!r}; there are: {', '.join(MIXES)}")
    return MIXES[mix]


def describe() -> list[str]:
    """One line per mix for a help text: name, what happens, and the two cautions."""
    lines = []
    for mix in MIXES.values():
        cautions = [] if mix.detectable else ["cannot be detected"]
        cautions += ["needs a person"] if mix.person else []
        tail = f" ({'; '.join(cautions)})" if cautions else ""
        lines.append(f"{mix.name:<16} {mix.doc}{tail}")
    return lines
