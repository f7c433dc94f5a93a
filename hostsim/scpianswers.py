"""What stands in the answers of the SCPI line: the second half of controller/link/COMMANDS.md.

Theory of operation
-------------------
`FIELDS` says of every field that the command table names what it is and in which unit; a test holds
the names to the table.  Numbers that mean something come from the firmware's own tables, by way of
`hostsim.registerdoc`, which tells them for the other link as well.  Kinds of events and their
operands are told where they are defined, in the comments of `controller/record/events.py`; here
they are read from there.
"""

import inspect
import re
from collections.abc import Iterable, Iterator

from controller import checks, keys
from controller.counting import tally
from controller.link import authority, handshake
from controller.record import book, events
from hostsim.registerdoc import markdown, numbers

ANSWERS = """\
## Answers

Fields are parted by `,`, the answers of one message by `;`. Numbers are whole (NR1) and without
units; yes and no are 1 and 0. What stands in quotes above is a quoted string, in which a quote is
written twice. What stands in capitals is a bare word, and so are the fields of `*IDN?` and
`SYSTem:VERSion?`. `...` says that there may be more, or none: an empty list of tickets is answered
0. `#block` is `#`, one digit, so many digits, and so many bytes as these say: lines of text.
"""

# Name of a field, its unit, what it is.
FIELDS = (
    ("a", "", "first operand of an event, below"),
    ("b", "", "second operand of an event, below"),
    ("bits", "", "conditions, or input levels, as told there and in [README.md](README.md#status)"),
    ("blocked", "", "1: the beam is blocked now"),
    ("byte", "", "the status byte, see [README.md](README.md#status)"),
    ("capacity", "parts", "of a full magazine"),
    ("cause", "", "why the outcome is not exact, a cause below; 0: none"),
    ("code", "", "a cause, below; 0: none; of `WIRes:FAULt?` below 0: an error of SCPI; of"
     " `SYSTem:RESTart?` as told there"),
    ("count", "", "how many wait to be read"),
    ("delay_us", "us", "from its pocket at the release edge to the start of its pulse"),
    ("direction", "", "+1: later or wider than learned; -1: earlier or narrower"),
    ("duration_ms", "ms", "from opened to closed, waiting for help included"),
    ("earlier", "%", "sum of what came earlier; 100 is an alarm"),
    ("events", "", "bits that have risen since the last reading"),
    ("failed", "", "0, or what is broken, as told there"),
    ("jams", "", "stalls and missing pocket indices"),
    ("kind", "", "kind of an event, below; 0: none waits, and all fields are 0"),
    ("known", "", "1: the position is known"),
    ("later", "%", "sum of what came later; 100 is an alarm"),
    ("learned", "", "1: target and sigma are known and compared with"),
    ("left_ms", "ms", "of silence until the command is free; 0: it is, or it is local"),
    ("level", "parts", "reckoned to be left; of `SENSe:INDex?` 1: from there on the flag is seen"),
    ("local", "", "1: the operator at the line has locked it"),
    ("lower", "parts", "surely out"),
    ("maker", "", "Tallywheel"),
    ("mask", "", "bits that are enabled"),
    ("mean", "mdeg, us", "moving average"),
    ("misses", "pockets", "stayed empty although parts were there"),
    ("model", "", "name of the module: setting `name`"),
    ("name", "", "of a setting, below"),
    ("NAME", "", "the number before it as a word; of `SYSTem:LOCK:OWNer?` a link, below"),
    ("narrower", "%", "sum of what was narrower; 100 is an alarm"),
    ("number", "", "state, mode, link or phase, below; of `SYSTem:ERRor?` 0: no error"),
    ("outcome", "", "outcome of a request, below"),
    ("overruns", "", "rounds of over 50 ms since power-up"),
    ("parts", "parts", "quantity less upper, or 0"),
    ("passed", "", "last beam test: 1 passed, 0 failed, -1 none since power-up"),
    ("pieces", "parts", "since the sprocket was changed"),
    ("pocket", "", "number of a pocket from power-up; of `SPRocket:POSition?` the last passed"),
    ("pockets", "pockets", "passed: for the request, or since the sprocket was changed"),
    ("ppm", "ppm", "share of the velocity limit"),
    ("quantity", "parts", "asked for"),
    ("rate_steps_s", "steps/s", "of the motor at the release edge"),
    ("rated", "parts", "rated life of a sprocket"),
    ("remedy", "", "what the person at the bench should do"),
    ("retries", "runs", "beyond the first of a request"),
    ("scatter", "mdeg, us", "present standard deviation about the mean"),
    ("seq", "", "counts up; a gap: a full ring has lost entries. Parts and edges begin with 1 and"
     " have 0 where none waits; events begin with 0"),
    ("serial", "", "the chip's unique number; 0 where there is none"),
    ("sigma", "mdeg, us", "standard deviation that was learned"),
    ("state", "", "state of a request, below"),
    ("steps", "steps", "microsteps commanded to the motor, forward positive"),
    ("target", "mdeg, us", "mean that was learned"),
    ("text", "", "for people: what happened, or how a command is used"),
    ("ticket", "", "number of a request; 0: none"),
    ("time_ms", "ms", "since power-up; goes back where an event was known only later"),
    ("upper", "parts", "possibly out: the truth lies between lower and upper at every instant"),
    ("value", "", "of a setting, in the unit of its name; a table row after row"),
    ("version", "", "of the firmware, or of SCPI"),
    ("wider", "%", "sum of what was wider; 100 is an alarm"),
    ("width_us", "us", "of the pulse"),
    ("worst_us", "us", "longest round of the board's main loop since power-up"),
)  # fmt: skip

# Kinds that a board traces but does not keep: one a pocket would fill the ring.
TRACED_ONLY = (events.RELEASE, events.CREEP_RELEASE)
_KIND = re.compile(r"^[A-Z_]+ = (\d+)  # (.*)$", re.MULTILINE)

PULSES = (
    (tally.GOOD, "good: the part of a pocket"),
    (tally.SHORT, "short: shorter than any part, noise"),
    (tally.LONG, "long: longer than one part, so one or two"),
    (tally.EARLY, "early: before the window of any pocket that waits"),
    (tally.STRAY, "stray: every pocket has its part, or no request is open"),
    (tally.LATE, "late: the part of a silent pocket, which clung"),
)
POCKETS = (
    (tally.FILLED, "filled: its part was seen"),
    (tally.SILENT, "silent: nothing was seen in its window"),
    (tally.DOUBTFUL, "doubtful: what was seen may be a part, or none, or two"),
)
STORE = (
    (book.SOUND, "sound"),
    (book.MISSING, "there is none"),
    (book.LOST, "what it held can't be read"),
    (book.FAILED, "it does not keep what is written to it"),
)

SETTINGS = """\
## Settings

As `SETTing:VALue?` answers them. They are the module's description, checked as a whole, and are not
changed over the line: change the description, then `tallywheel bundle` and `tallywheel flash
--settings`. What the line can change, until the power goes, is `SPRocket:RATE`.
"""


def sections() -> Iterator[str]:
    """The sections of the document, one after the other."""
    yield ANSWERS
    fields = [(f"`{name}`", unit, what) for name, unit, what in FIELDS]
    yield markdown(("field", "unit", "what it is"), fields) + "\n"
    yield "## Numbers\n"
    for title, pairs in (*numbers(), *own_numbers()):
        rows = [(str(number), name) for number, name in pairs]
        yield f"{title}:\n\n{markdown(('number', 'meaning'), rows)}\n"
    yield f"## Kinds of events\n\nThe newest {events.RING_EVENTS} are kept until they are read.\n"
    yield markdown(("kind", "name", "operands"), event_rows()) + "\n"
    yield SETTINGS
    yield markdown(("setting", "unit", "allowed", "what it is"), setting_rows()) + "\n"


def own_numbers() -> Iterator[tuple[str, Iterable[tuple[int, str]]]]:
    """(title, numbers and their meanings) of what only this link tells."""
    yield "Links", enumerate(authority.LINKS)
    yield "Phases of the hard-wired hand-shake", enumerate(handshake.PHASES)
    yield "Verdicts on pulses", PULSES
    yield "Verdicts on pockets", POCKETS
    yield "Conditions of the store", STORE


def event_rows() -> list[tuple[str, str, str]]:
    """(number, name, operands) of every kind that can be read out."""
    kinds = [(int(number), said) for number, said in _KIND.findall(inspect.getsource(events))]
    return [
        (str(number), events.NAMES[number], said)
        for number, said in kinds
        if number < len(events.NAMES) and number not in TRACED_ONLY
    ]


def setting_rows() -> list[tuple[str, str, str, str]]:
    """(name, unit, what it may be, meaning) of every setting."""
    return [
        (f"`{name}`", unit, _allowed(kind, low, high), meaning)
        for name, kind, unit, low, high, _, meaning in keys.ROWS
    ]


def _allowed(kind: int, low: object, high: object) -> str:
    """What a setting of that kind may be."""
    if kind == checks.CHOICE:
        assert isinstance(low, tuple)
        return ", ".join(low)
    if kind == checks.PINS:
        return "signal, pin and perhaps level of each"
    span = f"{low}..{high}"
    return {
        checks.OPTIONAL: f"0, or {span}",
        checks.STAGES: f"{span}, a pair for each stage",
        checks.LADDER: f"{span}, each: move, amount, times",
    }.get(kind, span)
