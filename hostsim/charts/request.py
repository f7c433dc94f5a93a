"""The request chart: where its states and arrows lie."""

from controller.cycle import requestchart as request
from hostsim.charts.layout import BOX_WIDTH, Frame, Layout, Place, Route, Routes

COLUMN = [316.0, 560.0, 774.0, 972.0]
ROW = [126.0, 210.0, 310.0, 410.0]
OUTSIDE = 101.0
MIDDLE = (COLUMN[1] + COLUMN[2]) / 2

PLACES = {
    request.NONE: Place(OUTSIDE, ROW[1]),
    request.CLOSED: Place(OUTSIDE, ROW[3]),
    request.WAITING: Place((COLUMN[0] + COLUMN[3]) / 2, ROW[0], COLUMN[3] - COLUMN[0] + BOX_WIDTH),
    request.REGISTERING: Place(MIDDLE, ROW[1], COLUMN[2] - COLUMN[1] + BOX_WIDTH),
    request.TESTING: Place(COLUMN[0], ROW[2]),
    request.COUNTING: Place(COLUMN[1], ROW[2]),
    request.SETTLING: Place(COLUMN[2], ROW[2]),
    request.VERIFYING: Place(COLUMN[3], ROW[2]),
    request.FREEING: Place(COLUMN[3], ROW[3]),
}

ROUTES: Routes = {
    ("open", request.NONE): Route("bottom", ("left", ROW[2] - 9)),
    ("open", request.CLOSED): Route("top", ("left", ROW[2] + 9), label=(0, 20)),
    ("beam_ok_known", request.TESTING): Route("right", "left"),
    ("beam_ok_lost", request.TESTING): Route(("top", COLUMN[0] + 30), "left"),
    ("registered", request.REGISTERING): Route(("bottom", COLUMN[1]), "top"),
    ("run_ended", request.REGISTERING): Route(("bottom", COLUMN[2]), "top"),
    ("run_ended", request.COUNTING): Route("right", "left"),
    ("settled", request.SETTLING): Route("right", "left"),
    ("more", request.VERIFYING): Route(("bottom", COLUMN[3] - 34), "bottom", vias=(ROW[2] + 48,)),
    ("lost", request.VERIFYING): Route(("top", COLUMN[3] - 30), "right"),
    ("jammed", request.VERIFYING): Route(("bottom", COLUMN[3] + 20), ("top", COLUMN[3] + 20)),
    ("freed", request.FREEING): Route("left", "bottom"),
    ("help", request.TESTING): Route("top", ("bottom", COLUMN[0]), label=(0, -36)),
    ("help", request.REGISTERING): Route("top", ("bottom", MIDDLE)),
    ("help", request.VERIFYING): Route(("top", COLUMN[3] + 30), ("bottom", COLUMN[3] + 30)),
    ("help", request.FREEING): Route("right", "right", vias=(COLUMN[3] + 92,)),
    ("helped", request.WAITING): Route(
        ("bottom", COLUMN[0] - 30), ("top", COLUMN[0] - 30), label=(-57, 0)
    ),
    ("close", "open"): Route(("left", ROW[3]), "right"),
}

REQUEST = Layout(
    title="Request chart",
    subtitle="one request for a quantity, inside the unit's Execute",
    width=1140.0,
    height=552.0,
    initial=request.NONE,
    initial_dot=(OUTSIDE, ROW[1] - 44.0),
    initial_note="power-up",
    places=PLACES,
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
    routes=ROUTES,
    resting=(request.NONE, request.WAITING, request.CLOSED),
    legend=(36.0, 500.0),
    legend_lines=(
        ("acting", "acts, and ends by what it finds"),
        ("resting", "waits for the host or for help"),
    ),
)
