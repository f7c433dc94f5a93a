"""The chart of the hard-wired hand-shake: where its phases and arrows lie."""

from controller.link import handshake as shake
from hostsim.charts.layout import BOX_WIDTH, Layout, Place, Route, Routes

COLUMN = [117.0 + 190.0 * number for number in range(5)]
ROW = [120.0, 226.0, 332.0]
WIDTH = COLUMN[3] - COLUMN[1] + BOX_WIDTH

PLACES = {
    shake.START: Place(COLUMN[0], ROW[1]),
    shake.IDLE: Place(COLUMN[1], ROW[1]),
    shake.READY: Place(COLUMN[2], ROW[1]),
    shake.BUSY: Place(COLUMN[3], ROW[1]),
    shake.LEFT: Place(COLUMN[4], ROW[1]),
    shake.UNMET: Place(COLUMN[4], ROW[2]),
    shake.DONE: Place(COLUMN[2], ROW[0], WIDTH),
    shake.FAULT: Place((COLUMN[0] + COLUMN[3]) / 2, ROW[2], COLUMN[3] - COLUMN[0] + BOX_WIDTH),
}

ROUTES: Routes = {
    ("down", shake.START): Route("right", "left"),
    ("up", shake.START): Route("bottom", ("top", COLUMN[0])),
    ("able", shake.IDLE): Route(("right", ROW[1] - 10), ("left", ROW[1] - 10)),
    ("unable", shake.READY): Route(("left", ROW[1] + 10), ("right", ROW[1] + 10), label=(0, 20)),
    ("up", shake.IDLE): Route(("bottom", COLUMN[1] - 30), ("top", COLUMN[1] - 30)),
    ("down", shake.FAULT): Route(("top", COLUMN[1] + 30), ("bottom", COLUMN[1] + 30)),
    ("granted", shake.READY): Route("right", "left"),
    ("up", shake.READY): Route("bottom", ("top", COLUMN[2])),
    ("exact", shake.BUSY): Route("top", ("bottom", COLUMN[3])),
    ("down", shake.DONE): Route(("bottom", COLUMN[1]), "top"),
    ("inexact", shake.BUSY): Route("bottom", ("top", COLUMN[3])),
    ("down", shake.BUSY): Route("right", "left"),
    ("closed", shake.LEFT): Route("bottom", "top"),
    ("up", shake.UNMET): Route("left", "right"),
}

HANDSHAKE = Layout(
    title="Hard-wired hand-shake",
    subtitle="up and down are those of the robot's wire, give",
    width=994.0,
    height=444.0,
    initial=shake.START,
    initial_dot=(COLUMN[0], ROW[1] - 48.0),
    initial_note="power-up",
    places=PLACES,
    families={
        "stop": (shake.START, shake.IDLE),
        "run": (shake.READY, shake.BUSY, shake.DONE),
        "pause": (shake.LEFT,),
        "fault": (shake.UNMET, shake.FAULT),
    },
    frames={},
    routes=ROUTES,
    resting=(shake.IDLE, shake.READY, shake.UNMET, shake.DONE, shake.FAULT),
    legend=(52.0, 396.0),
    legend_lines=(
        ("acting", "ends by itself"),
        ("resting", "waits for the robot, or for the unit"),
    ),
)
