"""Where the state charts' boxes and arrows lie in their drawings: chosen by hand, for the eye.

Theory of operation
-------------------
What there is to draw is in the firmware's tables; here is only where.  A state has a `Place`.  A
row of a table that is legal in many states starts at a `Frame` if exactly those states lie inside
it, else at each of its states; each such arrow has a `Route`, found by its trigger and where it
starts.  An arrow runs along the axes: it leaves its box by one side, turns at the coordinates in
`vias`, and enters its target by another side.

Lengths are in the drawing's own unit, one CSS pixel at full size; y grows downwards.
"""

from dataclasses import dataclass

from controller.cycle import requestchart as request
from controller.cycle import unit
from controller.link import handshake as shake

BOX_WIDTH = 130.0
BOX_HEIGHT = 44.0


@dataclass(frozen=True)
class Place:
    """A rectangle by its centre."""

    x: float
    y: float
    width: float = BOX_WIDTH
    height: float = BOX_HEIGHT

    @property
    def left(self) -> float:
        return self.x - self.width / 2

    @property
    def right(self) -> float:
        return self.x + self.width / 2

    @property
    def top(self) -> float:
        return self.y - self.height / 2

    @property
    def bottom(self) -> float:
        return self.y + self.height / 2

    def holds(self, other: "Place") -> bool:
        """Return True if `other` lies wholly inside."""
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )


@dataclass(frozen=True)
class Frame:
    """A named rectangle around states that share an answer to some trigger."""

    place: Place
    note: str


@dataclass(frozen=True)
class Route:
    """How an arrow runs.

    `start` and `end`: a side ("left", "right", "top", "bottom"), or a side and the coordinate along
    it (its middle if not given).  `vias`: where it turns, x and y in turn, beginning with the axis
    along which it leaves.  `label`: the label's shift from its usual place at the longest stretch.
    """

    start: str | tuple[str, float]
    end: str | tuple[str, float]
    vias: tuple[float, ...] = ()
    label: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Layout:
    """One drawing: its size, and the place of everything in it."""

    title: str
    subtitle: str
    width: float
    height: float
    initial: int
    initial_dot: tuple[float, float]
    initial_note: str
    places: dict[int, Place]
    families: dict[str, tuple[int, ...]]  # states by colour
    frames: dict[str, Frame]
    routes: dict[tuple[str, int | str], Route]
    resting: tuple[int, ...]  # states it stays in until told otherwise
    legend: tuple[float, float]
    legend_lines: tuple[tuple[str, str], ...]  # (what is shown, what it means)
    marked: tuple[int, ...] = ()


def _unit_layout() -> Layout:
    pitch = 156.0
    column = [133.0 + pitch * number for number in range(5)]
    column.append(column[4] + pitch + 54.0)  # leaves room for the word Complete
    row = [176.0, 266.0, 356.0, 452.0, 564.0, 680.0]
    middle = (column[2] + column[3]) / 2  # also the gap between the two loops
    left_pair = (column[1] + column[2]) / 2
    right_pair = (column[3] + column[4]) / 2
    pair = BOX_WIDTH + pitch
    places = {
        unit.HELD: Place(left_pair, row[0], pair),
        unit.SUSPENDED: Place(right_pair, row[0], pair),
        unit.UNHOLDING: Place(column[1], row[1]),
        unit.HOLDING: Place(column[2], row[1]),
        unit.SUSPENDING: Place(column[3], row[1]),
        unit.UNSUSPENDING: Place(column[4], row[1]),
        unit.STARTING: Place(column[0], row[2]),
        unit.EXECUTE: Place(middle, row[2], BOX_WIDTH + 3 * pitch),
        unit.COMPLETING: Place(column[5], row[2]),
        unit.IDLE: Place(column[0], row[3]),
        unit.RESETTING: Place(middle, row[3]),
        unit.COMPLETE: Place(column[5], row[3]),
        unit.STOPPING: Place(column[1], row[4]),
        unit.STOPPED: Place(middle, row[4]),
        unit.CLEARING: Place(column[4], row[4]),
        unit.ABORTING: Place(column[2], row[5]),
        unit.ABORTED: Place(column[4], row[5]),
    }
    centre = (column[0] + column[5]) / 2
    stop = Place(centre, 299.0, 1000.0, 378.0)
    abort = Place(centre, 347.0, 1040.0, 538.0)
    over_the_top = row[0] - 46.0
    return Layout(
        title="Unit chart",
        subtitle="states, commands and numbers of ANSI/ISA-TR88.00.02 (PackML)",
        width=1096.0,
        height=752.0,
        initial=unit.STOPPED,
        initial_dot=(middle, row[4] + 40.0),
        initial_note="power-up",
        places=places,
        families={
            "run": (
                unit.IDLE,
                unit.STARTING,
                unit.EXECUTE,
                unit.COMPLETING,
                unit.COMPLETE,
                unit.RESETTING,
            ),
            "pause": (
                unit.HOLDING,
                unit.HELD,
                unit.UNHOLDING,
                unit.SUSPENDING,
                unit.SUSPENDED,
                unit.UNSUSPENDING,
            ),
            "stop": (unit.STOPPING, unit.STOPPED, unit.CLEARING),
            "fault": (unit.ABORTING, unit.ABORTED),
        },
        frames={
            "stoppable": Frame(stop, "Stop is heard in every state of this frame"),
            "abortable": Frame(abort, "Abort is heard in every state of this frame"),
        },
        routes={
            ("Reset", unit.STOPPED): Route("top", "bottom", label=(0, 20)),
            ("Reset", unit.COMPLETE): Route("left", "right"),
            ("SC", unit.RESETTING): Route("left", "right"),
            ("Start", unit.IDLE): Route("top", "bottom"),
            ("SC", unit.STARTING): Route("right", "left"),
            ("SC", unit.EXECUTE): Route(("right", row[2] - 11), ("left", row[2] - 11)),
            ("Complete", unit.EXECUTE): Route(
                ("right", row[2] + 11), ("left", row[2] + 11), label=(0, 20)
            ),
            ("Complete", unit.SUSPENDED): Route("right", ("top", column[5] - 20), label=(-72, 0)),
            ("Complete", unit.HELD): Route("top", ("top", column[5] + 20), vias=(over_the_top,)),
            ("SC", unit.COMPLETING): Route("bottom", "top"),
            ("Hold", unit.EXECUTE): Route(("top", column[2]), "bottom"),
            ("Hold", unit.SUSPENDED): Route("left", "right", vias=(middle,)),
            ("SC", unit.HOLDING): Route("top", ("bottom", column[2])),
            ("Unhold", unit.HELD): Route(("bottom", column[1]), "top"),
            ("SC", unit.UNHOLDING): Route("bottom", ("top", column[1])),
            ("Suspend", unit.EXECUTE): Route(("top", column[3]), "bottom"),
            ("SC", unit.SUSPENDING): Route("top", ("bottom", column[3])),
            ("Unsuspend", unit.SUSPENDED): Route(("bottom", column[4]), "top"),
            ("SC", unit.UNSUSPENDING): Route("bottom", ("top", column[4])),
            ("Stop", "stoppable"): Route(("bottom", column[1]), "top"),
            ("SC", unit.STOPPING): Route("right", "left"),
            ("Abort", "abortable"): Route(("bottom", column[2]), "top"),
            ("SC", unit.ABORTING): Route("right", "left"),
            ("Clear", unit.ABORTED): Route("top", "bottom", label=(0, 16)),
            ("SC", unit.CLEARING): Route("left", "right"),
        },
        resting=(
            unit.STOPPED,
            unit.IDLE,
            unit.SUSPENDED,
            unit.ABORTED,
            unit.HELD,
            unit.COMPLETE,
        ),
        legend=(36.0, 652.0),
        legend_lines=(
            ("acting", "acts, ends by itself (SC: state complete)"),
            ("resting", "waits for a command"),
            ("mark", "the unit mode may change here"),
            ("number", "PackTags number of the state"),
        ),
        marked=unit.MODE_CHANGE_STATES,
    )


def _request_layout() -> Layout:
    column = [316.0, 560.0, 774.0, 972.0]
    row = [126.0, 210.0, 310.0, 410.0]
    outside = 101.0
    middle = (column[1] + column[2]) / 2
    places = {
        request.NONE: Place(outside, row[1]),
        request.CLOSED: Place(outside, row[3]),
        request.WAITING: Place(
            (column[0] + column[3]) / 2, row[0], column[3] - column[0] + BOX_WIDTH
        ),
        request.REGISTERING: Place(middle, row[1], column[2] - column[1] + BOX_WIDTH),
        request.TESTING: Place(column[0], row[2]),
        request.COUNTING: Place(column[1], row[2]),
        request.SETTLING: Place(column[2], row[2]),
        request.VERIFYING: Place(column[3], row[2]),
        request.FREEING: Place(column[3], row[3]),
    }
    return Layout(
        title="Request chart",
        subtitle="one request for a quantity, inside the unit's Execute",
        width=1140.0,
        height=552.0,
        initial=request.NONE,
        initial_dot=(outside, row[1] - 44.0),
        initial_note="power-up",
        places=places,
        families={
            "stop": (request.NONE, request.CLOSED),
            "run": (
                request.TESTING,
                request.REGISTERING,
                request.COUNTING,
                request.SETTLING,
                request.VERIFYING,
            ),
            "pause": (request.FREEING, request.WAITING),
        },
        frames={
            "open": Frame(Place(672.0, 265.0, 880.0, 390.0), "the request is open: close is heard"),
        },
        routes={
            ("open", request.NONE): Route("bottom", ("left", row[2] - 9)),
            ("open", request.CLOSED): Route("top", ("left", row[2] + 9), label=(0, 20)),
            ("beam_ok_known", request.TESTING): Route("right", "left"),
            ("beam_ok_lost", request.TESTING): Route(("top", column[0] + 30), "left"),
            ("registered", request.REGISTERING): Route(("bottom", column[1]), "top"),
            ("run_ended", request.REGISTERING): Route(("bottom", column[2]), "top"),
            ("run_ended", request.COUNTING): Route("right", "left"),
            ("settled", request.SETTLING): Route("right", "left"),
            ("more", request.VERIFYING): Route(
                ("bottom", column[3] - 34), "bottom", vias=(row[2] + 48,)
            ),
            ("lost", request.VERIFYING): Route(("top", column[3] - 30), "right"),
            ("jammed", request.VERIFYING): Route(
                ("bottom", column[3] + 20), ("top", column[3] + 20)
            ),
            ("freed", request.FREEING): Route("left", "bottom"),
            ("help", request.TESTING): Route("top", ("bottom", column[0]), label=(0, -36)),
            ("help", request.REGISTERING): Route("top", ("bottom", middle)),
            ("help", request.VERIFYING): Route(("top", column[3] + 30), ("bottom", column[3] + 30)),
            ("help", request.FREEING): Route("right", "right", vias=(column[3] + 92,)),
            ("helped", request.WAITING): Route(
                ("bottom", column[0] - 30), ("top", column[0] - 30), label=(-57, 0)
            ),
            ("close", "open"): Route(("left", row[3]), "right"),
        },
        resting=(request.NONE, request.WAITING, request.CLOSED),
        legend=(36.0, 500.0),
        legend_lines=(
            ("acting", "acts, and ends by what it finds"),
            ("resting", "waits for the host or for help"),
        ),
    )


def _handshake_layout() -> Layout:
    column = [117.0 + 190.0 * number for number in range(5)]
    row = [120.0, 226.0, 332.0]
    width = column[3] - column[1] + BOX_WIDTH
    places = {
        shake.START: Place(column[0], row[1]),
        shake.IDLE: Place(column[1], row[1]),
        shake.READY: Place(column[2], row[1]),
        shake.BUSY: Place(column[3], row[1]),
        shake.LEFT: Place(column[4], row[1]),
        shake.UNMET: Place(column[4], row[2]),
        shake.DONE: Place(column[2], row[0], width),
        shake.FAULT: Place((column[0] + column[3]) / 2, row[2], column[3] - column[0] + BOX_WIDTH),
    }
    return Layout(
        title="Hard-wired hand-shake",
        subtitle="up and down are those of the robot's wire, give",
        width=994.0,
        height=444.0,
        initial=shake.START,
        initial_dot=(column[0], row[1] - 48.0),
        initial_note="power-up",
        places=places,
        families={
            "stop": (shake.START, shake.IDLE),
            "run": (shake.READY, shake.BUSY, shake.DONE),
            "pause": (shake.LEFT,),
            "fault": (shake.UNMET, shake.FAULT),
        },
        frames={},
        routes={
            ("down", shake.START): Route("right", "left"),
            ("up", shake.START): Route("bottom", ("top", column[0])),
            ("able", shake.IDLE): Route(("right", row[1] - 10), ("left", row[1] - 10)),
            ("unable", shake.READY): Route(
                ("left", row[1] + 10), ("right", row[1] + 10), label=(0, 20)
            ),
            ("up", shake.IDLE): Route(("bottom", column[1] - 30), ("top", column[1] - 30)),
            ("down", shake.FAULT): Route(("top", column[1] + 30), ("bottom", column[1] + 30)),
            ("granted", shake.READY): Route("right", "left"),
            ("up", shake.READY): Route("bottom", ("top", column[2])),
            ("exact", shake.BUSY): Route("top", ("bottom", column[3])),
            ("down", shake.DONE): Route(("bottom", column[1]), "top"),
            ("inexact", shake.BUSY): Route("bottom", ("top", column[3])),
            ("down", shake.BUSY): Route("right", "left"),
            ("closed", shake.LEFT): Route("bottom", "top"),
            ("up", shake.UNMET): Route("left", "right"),
        },
        resting=(shake.IDLE, shake.READY, shake.UNMET, shake.DONE, shake.FAULT),
        legend=(52.0, 396.0),
        legend_lines=(
            ("acting", "ends by itself"),
            ("resting", "waits for the robot, or for the unit"),
        ),
    )


UNIT = _unit_layout()
REQUEST = _request_layout()
HANDSHAKE = _handshake_layout()
