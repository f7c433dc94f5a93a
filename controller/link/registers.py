"""The register map: everything a Modbus master can read or write, as one table.

Registers stand in blocks.  A block is read through one call and written through one call, so what
belongs together is read as of one instant and takes effect in one piece.  A block is

    (first address, name, what it is, read, write, rows)

`read` and `write` are paths from the `Bank`, `"desk.progress"`, to a method that returns the values
of all rows in their order, or takes them; "" where a block can't be read or written.  What can't be
read reads as 0.  A row is

    (name, kind, unit, divisor, what it is[, low, high])

The value on the bus divided by `divisor` is in `unit`.  Rows that can be written say what is
allowed; a bound may be the name of a setting.  Addresses follow from the block's and the kinds.

Registers have one numbering: functions 3 and 4 read the same ones.  Coils start something once;
discrete inputs are the bits of what registers hold as words.  The bank, REGISTERS.md,
`tallywheel registers` and the tests all read these tables, so a register exists in one place.

Addresses are those in the frame, from 0.  Whenever one changes its meaning MAP_VERSION goes up.
"""

from controller.board import ports
from controller.cycle.maintenance import JOG_PPM_MAX
from controller.cycle.orders import RESULTS_KEPT, TICKET_MAX
from controller.cycle.unit import COMMANDS, MODES
from controller.link import readings
from controller.link.handshake import PHASES

MAP_VERSION = 1

# Kinds. The larger two take two registers, the high word in the first.
U16 = 0
I16 = 1
U32 = 2
I32 = 3
KIND_NAMES = ("u16", "i16", "u32", "i32")
WORDS = (1, 1, 2, 2)

_TICKET = ("ticket", U16, "", 1, "ticket; 0: none")
_QUANTITY = ("quantity", U32, "parts", 1, "parts asked for")
_LOWER = ("lower", U32, "parts", 1, "at least so many parts are out")
_UPPER = ("upper", U32, "parts", 1, "at most so many parts are out")
_POCKETS = ("pockets", U32, "pockets", 1, "pockets passed for it")
_RETRIES = ("retries", U16, "runs", 1, "runs beyond the first")

_RESULT = (
    _TICKET,
    _QUANTITY,
    ("outcome", U16, "", 1, "outcome of a request"),
    _LOWER,
    _UPPER,
    _POCKETS,
    _RETRIES,
    ("duration", U32, "s", 1000, "from opened to closed"),
    ("cause", U16, "", 1, "why the outcome is not exact"),
)

_PHASES = ", ".join([f"{number} {PHASES[number]}" for number in range(len(PHASES))])

BLOCKS = (
    (
        0,
        "identity",
        "this map and this firmware",
        "identity",
        "",
        (
            ("map_version", U16, "", 1, "version of this register map"),
            ("version_major", U16, "", 1, "firmware version"),
            ("version_minor", U16, "", 1, ""),
            ("version_patch", U16, "", 1, ""),
        ),
    ),
    (
        4,
        "unit",
        "state of the unit",
        "unit",
        "",
        (
            ("state", U16, "", 1, "PackML StateCurrent"),
            ("mode", U16, "", 1, "PackML UnitModeCurrent"),
            ("cause", U16, "", 1, "why the unit stopped; 0: it has not"),
            ("busy", U16, "", 1, "1: a request, a change of state or a bench move is under way"),
        ),
    ),
    (
        8,
        "signals",
        "bits as words, and the beam",
        "signals",
        "",
        (
            ("inputs", U16, "bits", 1, "discrete inputs from 0 on"),
            ("operation", U16, "bits", 1, "as STATus:OPERation:CONDition?"),
            ("questionable", U16, "bits", 1, "as STATus:QUEStionable:CONDition?"),
            ("beam_blocked", U16, "", 1, "1: the beam is blocked now"),
            ("beam_test", I16, "", 1, "last beam test: 1 passed, 0 failed, -1 none"),
        ),
    ),
    (
        13,
        "refusals",
        "what became of writes",
        "refusals",
        "",
        (
            ("last_refusal", I16, "", 1, "SCPI error number of the last refused write; 0: none"),
            ("refused", U16, "", 1, "writes refused since power-up; goes round"),
        ),
    ),
    (
        15,
        "progress",
        "the open or last request",
        "desk.progress",
        "",
        (
            _TICKET,
            _QUANTITY,
            ("state", U16, "", 1, "state of a request"),
            _LOWER,
            _UPPER,
            _POCKETS,
            _RETRIES,
        ),
    ),
    (26, "newest", "result of the request that closed last; ticket 0: none", "newest", "", _RESULT),
    (
        40,
        "magazine",
        "what the magazine holds",
        "desk.magazine",
        "",
        (
            ("level", U32, "parts", 1, "parts reckoned to be left"),
            ("capacity", U32, "parts", 1, "parts of a full magazine"),
        ),
    ),
    (
        44,
        "sprocket",
        "counters that maintenance is planned by",
        "desk.sprocket",
        "",
        (
            ("pieces", U32, "parts", 1, "since the sprocket was changed"),
            ("rated", U32, "parts", 1, "rated life of a sprocket"),
            ("pockets", U32, "pockets", 1, "passed since the sprocket was changed"),
            ("misses", U32, "pockets", 1, "stayed empty although parts were there"),
            ("jams", U32, "", 1, "stalls and missing pocket indices"),
            ("retries", U32, "runs", 1, "runs beyond the first of a request"),
        ),
    ),
    (
        56,
        "position",
        "where the sprocket stands",
        "position",
        "",
        (
            ("known", U16, "", 1, "1: the pocket position is known"),
            ("pocket", I32, "pockets", 1, "passed since it was registered"),
        ),
    ),
    (
        59,
        "limits",
        "what can be asked of this module",
        "limits",
        "",
        (
            ("quantity_max", U32, "parts", 1, "most parts of one request"),
            ("pockets", U16, "pockets", 1, "pockets of the sprocket"),
        ),
    ),
    (
        62,
        "authority",
        "which link is in command",
        "authority",
        "",
        (
            ("owner", U16, "", 1, "link in command: 0 none, 1 line, 2 bus, 3 wires"),
            ("local", U16, "", 1, "1: locked by the operator at the line"),
            ("left", U32, "s", 1000, "silence until the command is free"),
        ),
    ),
    (
        66,
        "wires",
        "the hard-wired hand-shake",
        "wires",
        "",
        (
            ("phase", U16, "", 1, _PHASES),
            ("ticket", U16, "", 1, "of its last request; 0: none since power-up"),
            ("fault", I16, "", 1, "of the last give; a cause, or a negative SCPI error number"),
        ),
    ),
    (
        69,
        "board",
        "how the board fares",
        "board",
        "",
        (
            ("started", U16, "", 1, "why: 0 power-up, 1 told to, 2 exception, 3 hung"),
            ("worst_round", U32, "s", 1000000, "longest round of the main loop"),
            ("overruns", U16, "", 1, "rounds that took too long, since power-up"),
        ),
    ),
    (
        73,
        "drift",
        "whether parts still fall as they were learned to",
        "drift",
        "",
        (
            ("alarm", U16, "", 1, "cause; 0: none"),
            ("direction", I16, "", 1, "+1 later or wider, -1 earlier or narrower"),
        ),
    ),
    (
        75,
        "phase",
        "where the sprocket stands when a pocket lets go",
        "desk.release_phase",
        "",
        (
            ("learned", U16, "", 1, "1: target and sigma are known, the chart is kept"),
            ("target", I32, "deg", 1000, "past the release edge, as learned"),
            ("sigma", I32, "deg", 1000, "its standard deviation, as learned"),
            ("mean", I32, "deg", 1000, "its moving average"),
            ("scatter", I32, "deg", 1000, "its present standard deviation"),
            ("later", U16, "%", 1, "sum towards later; 100: alarm"),
            ("earlier", U16, "%", 1, "sum towards earlier; 100: alarm"),
        ),
    ),
    (
        86,
        "width",
        "how long a part darkens the beam",
        "desk.pulse_width",
        "",
        (
            ("learned", U16, "", 1, "1: target and sigma are known, the chart is kept"),
            ("target", I32, "s", 1000000, "pulse width, as learned"),
            ("sigma", I32, "s", 1000000, "its standard deviation, as learned"),
            ("mean", I32, "s", 1000000, "its moving average"),
            ("scatter", I32, "s", 1000000, "its present standard deviation"),
            ("wider", U16, "%", 1, "sum towards wider; 100: alarm"),
            ("narrower", U16, "%", 1, "sum towards narrower; 100: alarm"),
        ),
    ),
    (
        100,
        "selection",
        "choice of the next block's result",
        "selection",
        "select",
        (("ticket", U16, "", 1, "whose result to show; 0: the newest", 0, TICKET_MAX),),
    ),
    (
        101,
        "selected",
        "result of the ticket chosen; ticket 0: there is none",
        "selected",
        "",
        _RESULT,
    ),
    (
        115,
        "kept",
        "tickets whose results can be read, newest first; 0: none",
        "tickets",
        "",
        tuple(
            [
                (f"ticket_{number}", U16, "", 1, "newest" if number == 1 else "")
                for number in range(1, RESULTS_KEPT + 1)
            ]
        ),
    ),
    (
        200,
        "command",
        "commands the unit",
        "",
        "desk.command",
        (("command", U16, "", 1, "PackML CntrlCmd", 1, len(COMMANDS) - 1),),
    ),
    (
        201,
        "mode",
        "changes the unit mode",
        "mode",
        "desk.change_mode",
        (("mode", U16, "", 1, "PackML unit mode", 1, len(MODES) - 1),),
    ),
    (
        202,
        "request",
        "opens a request; reads as the open or last one",
        "order",
        "desk.open_request",
        (
            ("ticket", U16, "", 1, "makes the request unique", 1, TICKET_MAX),
            ("quantity", U32, "parts", 1, "parts to deliver", 1, "request_quantity_max"),
        ),
    ),
    (
        205,
        "load",
        "says that parts have been added",
        "",
        "desk.magazine_load",
        (("parts", U32, "parts", 1, "that have been added", 1, "magazine_capacity"),),
    ),
    (
        207,
        "jog",
        "turns the sprocket a little (Maintenance)",
        "",
        "desk.jog",
        (("way", I32, "pockets", 1000000, "turn at creep", -JOG_PPM_MAX, JOG_PPM_MAX),),
    ),
    (
        209,
        "purge",
        "turns pockets through (Maintenance)",
        "",
        "desk.purge",
        (("pockets", U16, "pockets", 1, "turn through at creep", 1, "sprocket_pockets"),),
    ),
)

# (name, path of a method from the bank, what writing a 1 does); the address is the position.
COILS = (
    ("cancel", "desk.cancel_request", "stop and close the open request"),
    ("register", "desk.register", "find the position again; two parts may fall (Maintenance)"),
    ("beam_test", "desk.beam_test", "test the beam (Maintenance)"),
    ("sprocket_changed", "desk.sprocket_changed", "say that a new sprocket is in (Maintenance)"),
    ("index", "desk.index_one", "turn by one pocket (Manual)"),
    ("release", "desk.release", "give the command back to whichever link wants it"),
    ("drift_clear", "desk.clear_drift", "say that the cause of a drift alarm has been put right"),
    ("drift_learn", "desk.learn_drift", "have the charts of drift learn anew what is right"),
)

# (name, path of a method from the bank, bit of what it returns, what a 1 means); likewise.
INPUTS = (
    ("guard_closed", "desk.inputs", ports.GUARD_CLOSED, "guard shut, interlock healthy"),
    ("magazine_ok", "desk.inputs", ports.MAGAZINE_OK, "the low-level sensor sees parts"),
    ("receiver_ready", "desk.inputs", ports.RECEIVER_READY, "bag or nest in place"),
    ("drive_healthy", "desk.inputs", ports.DRIVE_HEALTHY, "the stepper driver has no fault"),
    ("give", "desk.inputs", ports.GIVE, "the robot's request wire is up"),
    ("in_service", "desk.operation", readings.OPER_IN_SERVICE, "the unit is in Execute"),
    ("request_open", "desk.operation", readings.OPER_REQUEST_OPEN, "a request is open"),
    ("moving", "desk.operation", readings.OPER_MOVING, "the sprocket turns"),
    ("waiting", "desk.operation", readings.OPER_WAITING, "the request waits for help"),
    ("freeing", "desk.operation", readings.OPER_FREEING, "a jam is being freed"),
    ("position_unknown", "desk.questionable", readings.QUES_POSITION, "to be registered first"),
    ("doubtful", "desk.questionable", readings.QUES_DOUBTFUL, "the last result is doubtful"),
    ("stray", "desk.questionable", readings.QUES_STRAY, "a part fell after its request was closed"),
    ("beam_failed", "desk.questionable", readings.QUES_BEAM, "the beam failed its test"),
    ("worn", "desk.questionable", readings.QUES_WORN, "the sprocket is past its rated pieces"),
    ("busy", "desk.busy", 1, "something is under way"),
    ("beam_blocked", "beam_blocked", 1, "the beam is blocked"),
    ("drift", "desk.questionable", readings.QUES_PHASE, "parts do not fall as they used to"),
)


def words_of(block):
    """Return how many registers a block takes."""
    return sum([WORDS[row[1]] for row in block[5]])


def addresses(block):
    """Return the address of each row of a block."""
    found = []
    at = block[0]
    for row in block[5]:
        found.append(at)
        at += WORDS[row[1]]
    return found
