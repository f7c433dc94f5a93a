"""The unit chart: where its states and arrows lie."""

from controller.cycle import unit
from hostsim.charts.layout import BOX_WIDTH, Frame, Layout, Place, Route, Routes

PITCH = 156.0
COLUMN = [133.0 + PITCH * number for number in range(5)]
COLUMN.append(COLUMN[4] + PITCH + 54.0)  # leaves room for the word Complete
ROW = [176.0, 266.0, 356.0, 452.0, 564.0, 680.0]
MIDDLE = (COLUMN[2] + COLUMN[3]) / 2  # also the gap between the two loops
LEFT_PAIR = (COLUMN[1] + COLUMN[2]) / 2
RIGHT_PAIR = (COLUMN[3] + COLUMN[4]) / 2
PAIR = BOX_WIDTH + PITCH

PLACES = {
    unit.HELD: Place(LEFT_PAIR, ROW[0], PAIR),
    unit.SUSPENDED: Place(RIGHT_PAIR, ROW[0], PAIR),
    unit.UNHOLDING: Place(COLUMN[1], ROW[1]),
    unit.HOLDING: Place(COLUMN[2], ROW[1]),
    unit.SUSPENDING: Place(COLUMN[3], ROW[1]),
    unit.UNSUSPENDING: Place(COLUMN[4], ROW[1]),
    unit.STARTING: Place(COLUMN[0], ROW[2]),
    unit.EXECUTE: Place(MIDDLE, ROW[2], BOX_WIDTH + 3 * PITCH),
    unit.COMPLETING: Place(COLUMN[5], ROW[2]),
    unit.IDLE: Place(COLUMN[0], ROW[3]),
    unit.RESETTING: Place(MIDDLE, ROW[3]),
    unit.COMPLETE: Place(COLUMN[5], ROW[3]),
    unit.STOPPING: Place(COLUMN[1], ROW[4]),
    unit.STOPPED: Place(MIDDLE, ROW[4]),
    unit.CLEARING: Place(COLUMN[4], ROW[4]),
    unit.ABORTING: Place(COLUMN[2], ROW[5]),
    unit.ABORTED: Place(COLUMN[4], ROW[5]),
}
CENTRE = (COLUMN[0] + COLUMN[5]) / 2
STOP = Place(CENTRE, 299.0, 1000.0, 378.0)
ABORT = Place(CENTRE, 347.0, 1040.0, 538.0)
OVER_THE_TOP = ROW[0] - 46.0

ROUTES: Routes = {
    ("Reset", unit.STOPPED): Route("top", "bottom", label=(0, 20)),
    ("Reset", unit.COMPLETE): Route("left", "right"),
    ("SC", unit.RESETTING): Route("left", "right"),
    ("Start", unit.IDLE): Route("top", "bottom"),
    ("SC", unit.STARTING): Route("right", "left"),
    ("SC", unit.EXECUTE): Route(("right", ROW[2] - 11), ("left", ROW[2] - 11)),
    ("Complete", unit.EXECUTE): Route(("right", ROW[2] + 11), ("left", ROW[2] + 11), label=(0, 20)),
    ("Complete", unit.SUSPENDED): Route("right", ("top", COLUMN[5] - 20), label=(-72, 0)),
    ("Complete", unit.HELD): Route("top", ("top", COLUMN[5] + 20), vias=(OVER_THE_TOP,)),
    ("SC", unit.COMPLETING): Route("bottom", "top"),
    ("Hold", unit.EXECUTE): Route(("top", COLUMN[2]), "bottom"),
    ("Hold", unit.SUSPENDED): Route("left", "right", vias=(MIDDLE,)),
    ("SC", unit.HOLDING): Route("top", ("bottom", COLUMN[2])),
    ("Unhold", unit.HELD): Route(("bottom", COLUMN[1]), "top"),
    ("SC", unit.UNHOLDING): Route("bottom", ("top", COLUMN[1])),
    ("Suspend", unit.EXECUTE): Route(("top", COLUMN[3]), "bottom"),
    ("SC", unit.SUSPENDING): Route("top", ("bottom", COLUMN[3])),
    ("Unsuspend", unit.SUSPENDED): Route(("bottom", COLUMN[4]), "top"),
    ("SC", unit.UNSUSPENDING): Route("bottom", ("top", COLUMN[4])),
    ("Stop", "stoppable"): Route(("bottom", COLUMN[1]), "top"),
    ("SC", unit.STOPPING): Route("right", "left"),
    ("Abort", "abortable"): Route(("bottom", COLUMN[2]), "top"),
    ("SC", unit.ABORTING): Route("right", "left"),
    ("Clear", unit.ABORTED): Route("top", "bottom", label=(0, 16)),
    ("SC", unit.CLEARING): Route("left", "right"),
}

UNIT = Layout(
    title="Unit chart",
    subtitle="states, commands and numbers of ANSI/ISA-TR88.00.02 (PackML)",
    width=1096.0,
    height=752.0,
    initial=unit.STOPPED,
    initial_dot=(MIDDLE, ROW[4] + 40.0),
    initial_note="power-up",
    places=PLACES,
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
        "stoppable": Frame(STOP, "Stop is heard in every state of this frame"),
        "abortable": Frame(ABORT, "Abort is heard in every state of this frame"),
    },
    routes=ROUTES,
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
