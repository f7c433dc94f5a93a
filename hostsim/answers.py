"""What a module answers on its SCPI line, as types.

Theory of operation
-------------------
A response line holds one or more response units parted by `;`, each a list of fields parted by
`,`; a field is a whole number, a quoted string (a doubled quote stands for one) or a bare word
(IEEE 488.2, response formats NR1, STRING and CHARACTER).  `units()` and `fields()` take a line
apart, and each dataclass below is built from the fields of one answer.

Numbers that mean something are `hostsim.words`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self, TypeVar

from hostsim.errors import ProtocolError
from hostsim.words import EventKind, LinkName, Outcome, RequestState, StartReason, WirePhase

Field = int | str
T = TypeVar("T")


def split_outside_quotes(text: str, mark: str) -> list[str]:
    """Cut `text` at every `mark` that stands outside a quoted string."""
    pieces, start, quoted = [], 0, False
    for place, char in enumerate(text):
        if char == '"':
            quoted = not quoted
        elif char == mark and not quoted:
            pieces.append(text[start:place])
            start = place + 1
    return [*pieces, text[start:]]


def units(line: str) -> list[str]:
    """Take a response line apart into its response units."""
    return split_outside_quotes(line.strip(), ";")


def field(text: str) -> Field:
    """Read one response field: a number, a quoted string or a bare word."""
    text = text.strip()
    if len(text) >= 2 and text[0] == text[-1] == '"':
        return text[1:-1].replace('""', '"')
    try:
        return int(text)
    except ValueError:
        return text


def fields(text: str) -> list[Field]:
    """Take one response unit apart into its fields."""
    return [field(piece) for piece in split_outside_quotes(text, ",")]


class Answer:
    """Base of the answers below: a dataclass whose fields are the fields on the wire, in order."""

    @classmethod
    def read(cls, text: str) -> Self:
        """Build the answer from one response unit; ProtocolError if it does not fit."""
        return cls.of(fields(text))

    @classmethod
    def of(cls, values: Sequence[Field]) -> Self:
        """Build the answer from its fields; ProtocolError if they do not fit."""
        kinds = list(cls.__annotations__.values())
        if len(values) != len(kinds):
            raise ProtocolError(f"{cls.__name__} has {len(kinds)} fields; got {values!r}")
        return cls(*map(convert, kinds, values))


def convert(kind: type[T], value: Field) -> T:
    """Turn one field into `kind`: int, str, bool or a Word; ProtocolError if it cannot be one."""
    if isinstance(value, kind):
        return value
    if kind is not str and isinstance(value, int):
        try:
            return kind(value)  # type: ignore[call-arg]
        except ValueError:
            pass
    raise ProtocolError(f"{value!r} is no {kind.__name__}")


@dataclass(frozen=True)
class Identity(Answer):
    """`*IDN?`: who made it, what it is, its serial number and the version of its firmware."""

    maker: str
    model: str
    serial: str
    version: str


@dataclass(frozen=True)
class Cause(Answer):
    """`UNIT:CAUSe?`: why the unit stopped, and what the person at the bench should do."""

    code: int  # 0: nothing stands in the way
    text: str
    remedy: str


@dataclass(frozen=True)
class BoardStart(Answer):
    """`SYSTem:RESTart?`: why the board has started, and the last fault it has written down."""

    reason: StartReason
    fault: str  # "" if there never was one; it may be of an earlier start


@dataclass(frozen=True)
class Rounds(Answer):
    """`SYSTem:ROUNds?`: how the board's main loop fares since power-up."""

    worst_us: int
    overruns: int


@dataclass(frozen=True)
class Authority(Answer):
    """`UNIT:AUTHority?`: which link is in command."""

    link: LinkName
    name: str
    local: bool  # locked to the line until it is released
    left_ms: int  # of silence until the command is free; 0 if it is, or if it is local


@dataclass(frozen=True)
class Wires(Answer):
    """`WIRes:STATe?`: the hard-wired hand-shake with a robot."""

    phase: WirePhase
    name: str
    ticket: int  # of its last request; 0 none since power-up


@dataclass(frozen=True)
class WiresFault(Answer):
    """`WIRes:FAULt?`: what was wrong with the robot's last give."""

    code: int  # 0 nothing; above: a cause; below: an error number of SCPI-1999
    text: str


@dataclass(frozen=True)
class Progress(Answer):
    """`REQuest:PROGress?`: the open request, or the last one."""

    ticket: int
    quantity: int
    state: RequestState
    lower: int  # parts surely out
    upper: int  # parts possibly out
    pockets: int  # pockets passed for this request
    retries: int

    @property
    def open(self) -> bool:
        """Whether the request is still under way."""
        return self.state not in (RequestState.NONE, RequestState.CLOSED)


@dataclass(frozen=True)
class Result(Answer):
    """`REQuest:RESult?`: a closed request."""

    ticket: int
    quantity: int
    outcome: Outcome
    lower: int
    upper: int
    pockets: int
    retries: int
    duration_ms: int  # opening to closing, by the module's clock
    cause: int  # code of the cause that cut it short; 0 none

    @property
    def seconds(self) -> float:
        """Time from opening to closing, s."""
        return self.duration_ms / 1000

    @property
    def missing(self) -> int:
        """Parts surely missing, as `REQuest:REMainder?` tells them; to be ordered anew."""
        return max(0, self.quantity - self.upper)


@dataclass(frozen=True)
class Counters(Answer):
    """`SPRocket:COUNters?`: what the sprocket has done since it was changed."""

    pieces: int
    rated: int  # pieces the sprocket is made for
    pockets: int  # pockets passed
    misses: int  # pockets that stayed empty although parts were there
    jams: int
    retries: int


@dataclass(frozen=True)
class Magazine(Answer):
    """`MAGazine:LEVel?`: parts thought to be in the magazine; it counts down, it cannot look."""

    level: int
    capacity: int


@dataclass(frozen=True)
class Position(Answer):
    """`SPRocket:POSition?`: where the sprocket stands."""

    known: bool
    pocket: int
    steps: int


@dataclass(frozen=True)
class ChartOf(Answer):
    """`SENSe:PHASe?` in mdeg of the sprocket, `SENSe:WIDTh?` in us: a chart of counted parts."""

    learned: bool  # target and sigma are known, and the chart is kept
    target: int
    sigma: int  # standard deviation
    mean: int  # moving average
    scatter: int  # present standard deviation about it
    up: int  # sum towards later or wider, in per cent of its limit: 100 is an alarm
    down: int  # sum towards earlier or narrower


@dataclass(frozen=True)
class Drift(Answer):
    """`SENSe:DRIFt?`: whether parts still fall as they were learned to."""

    code: int  # 0: they do
    text: str
    remedy: str
    direction: int  # +1: later or wider, -1: earlier or narrower


@dataclass(frozen=True)
class MeasuredPart(Answer):
    """`SENSe:PART?`: one counted part as it was measured."""

    sequence: int  # from 1 on; a gap: parts were lost to a full ring; 0: none waits
    pocket: int
    delay_us: int  # from the instant its pocket was at the release edge to the start of its pulse
    width_us: int  # of the pulse
    rate_steps_s: int  # of the motor at the release edge


@dataclass(frozen=True)
class IndexEdge(Answer):
    """`SENSe:INDex?`: one change of the pocket index sensor."""

    sequence: int  # as of a part
    steps: int  # where the motor was commanded to be, from power-up, lash and all
    level: int  # 1: the sensor sees the flag from there on


@dataclass(frozen=True)
class Event(Answer):
    """`EVENt?`: one entry of the module's event memory.

    What `a` and `b` are is told kind by kind in COMMANDS.md (Kinds of events).
    """

    sequence: int  # from 0 on; a gap: entries were lost to a full memory
    time_ms: int  # since power-up
    kind: EventKind
    a: int
    b: int
