"""Client for one dispensing module over its SCPI line.

    with DispenserClient("/dev/ttyACM0") as module:
        module.make_ready()
        result = module.request(25)
        print(result.outcome, result.lower, result.upper)

Theory of operation
-------------------
Every command and query is sent together with `SYSTem:ERRor?`, so one exchange yields the answer
and says whether the module took the command; a refusal is raised as `DeviceError`.  Every wait
has a time-out.

When the line is lost, or an answer makes no sense, the client opens the line again and repeats what
was asked, but only where asking twice is harmless: queries, and `REQuest:OPEN`, because a module
never delivers a ticket twice.  Anything else raises `LinkError` and leaves it to the caller to look
at the module first.

A line of text has no check sum.  Over USB, which has its own, that is as it should be; on a bare
serial wire a number may arrive as another one, and then Modbus is the link to take.
"""

from collections.abc import Iterator
from typing import Self, TypeVar

from hostsim.answers import (
    Answer,
    Authority,
    BoardStart,
    Cause,
    ChartOf,
    Counters,
    Drift,
    Event,
    Field,
    Identity,
    IndexEdge,
    Magazine,
    MeasuredPart,
    Position,
    Progress,
    Result,
    Rounds,
    Wires,
    WiresFault,
    convert,
    fields,
    units,
)
from hostsim.dispenser import OPERATION_TIMEOUT_S, Dispenser
from hostsim.errors import DeviceError, LinkError, ProtocolError
from hostsim.links import Link, TextLink
from hostsim.wires import SerialWire
from hostsim.words import Inputs, Questionable, UnitMode, UnitState

ERROR_QUEUE_MAX = 64  # more entries than any module keeps: reading it out always ends
TRIES = 3  # how often a harmless question is asked before its loss is reported

A = TypeVar("A", bound=Answer)
W = TypeVar("W", int, UnitState, UnitMode, Inputs, Questionable)


class DispenserClient(Dispenser):
    """One module. `port` is a device path or port name, or a `Link` already open.

    `timeout_s` bounds the wait for one answer, `reconnect_s` the wait for a lost line to return,
    `poll_s` is the pause between two looks at an open request.
    Raises LinkError when no module answers on the port.
    """

    def __init__(
        self,
        port: str | Link,
        *,
        baud: int = 115200,
        timeout_s: float = 2.0,
        reconnect_s: float = 10.0,
        poll_s: float = 0.2,
    ) -> None:
        self._link = TextLink(SerialWire(port, baud)) if isinstance(port, str) else port
        self._timeout_s = timeout_s
        self._reconnect_s = reconnect_s
        super().__init__(self._link, poll_s)

    def close(self) -> None:
        """Let go of the line; an open request goes on."""
        self._link.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- exchange -----------------------------------------------------------------------------

    def ask(self, query: str, *, repeatable: bool = True, timeout_s: float | None = None) -> str:
        """Send a query and return its response unit: one line, so no `SYSTem:HELP:HEADers?`.

        It is repeated after a lost line if it is `repeatable`. Raises DeviceError when refused,
        LinkError when the line is lost for good, ProtocolError if it has not just one answer, and
        ValueError, before anything is sent, if it is not one line of printable ASCII.
        """
        return self._expect(self._exchange(query, repeatable, timeout_s), 1, query)[0]

    def tell(self, command: str, *, repeatable: bool = False) -> None:
        """Send a command that has no answer. Raises as `ask` does."""
        self._expect(self._exchange(command, repeatable, None), 0, command)

    def operate(self, command: str, timeout_s: float = OPERATION_TIMEOUT_S) -> None:
        """Send a command and wait until the module has carried it out. Raises as `ask` does."""
        self.ask(f"{command};*OPC?", repeatable=False, timeout_s=timeout_s)

    def _exchange(self, message: str, repeatable: bool, timeout_s: float | None) -> list[str]:
        """Send `message` and the question for errors; return the response units but the error."""
        if not (message.isascii() and message.isprintable()):
            raise ValueError(f"{message!r} is not one line of printable ASCII")
        line = f"{message};:SYSTem:ERRor?"
        timeout_s = self._timeout_s if timeout_s is None else timeout_s
        tries_left = TRIES if repeatable else 1
        while True:
            tries_left -= 1
            try:
                *answers, error = units(self._link.ask(line, timeout_s))
                number, text = self._error(error)
                break
            except (LinkError, ProtocolError) as lost:
                number, text = self._error(self._link.reopen(self._reconnect_s))
                if tries_left:
                    continue
                if number:  # it has been heard, and not answered because it can't be obeyed
                    raise DeviceError(number, text) from lost
                raise LinkError(f"{message} is unanswered: {lost}") from lost
        if number:
            self._raise_refusal(number, text)
        return answers

    def _raise_refusal(self, number: int, text: str) -> None:
        """Raise the oldest error, having emptied the queue so that no later call trips over it."""
        for _ in range(ERROR_QUEUE_MAX):
            if self._error(self._link.ask("SYSTem:ERRor?", self._timeout_s))[0] == 0:
                break
        raise DeviceError(number, text)

    @staticmethod
    def _error(unit: str) -> tuple[int, str]:
        match fields(unit):
            case [int(number), str(text)]:
                return number, text
        raise ProtocolError(f"the module answered {unit!r} where an error entry belongs")

    @staticmethod
    def _expect(answers: list[str], count: int, message: str) -> list[str]:
        if len(answers) != count:
            raise ProtocolError(f"{message!r} has {count} answers; the module gave {answers!r}")
        return answers

    def _read(self, kind: type[A], query: str) -> A:
        return kind.read(self.ask(query))

    # -- the module ---------------------------------------------------------------------------

    def identity(self) -> Identity:
        """Who made the module, what it is, serial number, firmware version."""
        return Identity(*self._link.ask("*IDN?", self._timeout_s).split(",", 3))

    def part_name(self) -> str:
        return str(self.setting("part_name"))

    def state(self) -> UnitState:
        return self._word(UnitState, "UNIT:STATe?")

    def mode(self) -> UnitMode:
        return self._word(UnitMode, "UNIT:MODE?")

    def _word(self, kind: type[W], query: str) -> W:
        """An answer of a number, perhaps with its name, such as `6,EXECUTE`: the number."""
        return convert(kind, fields(self.ask(query))[0])

    def cause(self) -> Cause:
        return self._read(Cause, "UNIT:CAUSe?")

    def give(self, command: str) -> None:
        self.tell(f"UNIT:COMMand {command}")

    def change_mode(self, mode: UnitMode) -> None:
        """Go to another mode. DeviceError unless the unit is stopped, idle or aborted."""
        self.tell(f"UNIT:MODE {mode.name}")

    def inputs(self) -> Inputs:
        """Guard, magazine, receiver and drive, as the module sees them now."""
        return self._word(Inputs, "SENSe:INPuts?")

    def questionable(self) -> Questionable:
        """What is in doubt now."""
        return self._word(Questionable, "STATus:QUEStionable:CONDition?")

    # -- its board ----------------------------------------------------------------------------

    def board_start(self) -> BoardStart:
        """Why the module's board has started."""
        return self._read(BoardStart, "SYSTem:RESTart?")

    def rounds(self) -> Rounds:
        """The longest round of the board's main loop, and how many took too long."""
        return self._read(Rounds, "SYSTem:ROUNds?")

    def restart(self, into_prompt: bool = False) -> None:
        """Start the board anew, or leave it in its interpreter's prompt; the line is lost then.

        DeviceError unless the unit is stopped or aborted, or if it is no board.
        """
        self.tell(f"SYSTem:RESTart {'PROMpt' if into_prompt else 'RUN'}")

    # -- who is in command --------------------------------------------------------------------

    def authority(self) -> Authority:
        """Which link is in command, and for how long."""
        return self._read(Authority, "UNIT:AUTHority?")

    def lock(self) -> None:
        """Take the command for this line, from whichever link holds it, until `release`."""
        self.ask("SYSTem:LOCK:REQuest?")

    def release(self) -> None:
        """Give the command back. DeviceError if another link holds it."""
        self.tell("SYSTem:LOCK:RELease")

    def wires(self) -> Wires:
        """Where the hard-wired hand-shake with a robot stands."""
        return self._read(Wires, "WIRes:STATe?")

    def wires_fault(self) -> WiresFault:
        """What was wrong with the robot's last give."""
        return self._read(WiresFault, "WIRes:FAULt?")

    # -- requests -----------------------------------------------------------------------------

    def order(self, ticket: int, quantity: int) -> None:
        self.tell(f"REQuest:OPEN {ticket},{quantity}", repeatable=True)

    def progress(self) -> Progress:
        return self._read(Progress, "REQuest:PROGress?")

    def result(self, ticket: int) -> Result:
        return self._read(Result, f"REQuest:RESult? {ticket}")

    def tickets(self) -> list[int]:
        found = fields(self.ask("REQuest:TICKets?"))
        return [ticket for ticket in found if isinstance(ticket, int) and ticket]

    def cancel_request(self) -> None:
        """Close the open request early; what is already out is in its result."""
        self.operate("REQuest:CANCel")

    # -- magazine and sprocket ----------------------------------------------------------------

    def load_magazine(self, parts: int) -> None:
        """Tell the module that `parts` more have been put into its magazine."""
        self.tell(f"MAGazine:LOAD {parts}")

    def count_magazine(self, parts: int) -> None:
        """Tell the module how many parts are in its magazine, whatever it reckons."""
        self.tell(f"MAGazine:LEVel {parts}", repeatable=True)

    def magazine(self) -> Magazine:
        """Parts thought to be in the magazine, and how many it holds."""
        return self._read(Magazine, "MAGazine:LEVel?")

    def counters(self) -> Counters:
        """What the sprocket has done since it was changed."""
        return self._read(Counters, "SPRocket:COUNters?")

    def sprocket_changed(self) -> None:
        """Tell the module that it has a new sprocket: its counters start again."""
        self.tell("SPRocket:CHANged")

    def position(self) -> Position:
        """Where the sprocket stands."""
        return self._read(Position, "SPRocket:POSition?")

    def rate(self) -> float:
        """The share of the velocity limit that runs go at, 0.05 to 1."""
        return self._word(int, "SPRocket:RATE?") / 1e6

    def set_rate(self, share: float) -> None:
        """Have runs go at that share of the velocity limit, 0.05 to 1, from the next one on, until
        the power goes. DeviceError if it is out of range."""
        self.tell(f"SPRocket:RATE {round(share * 1e6)}")

    # -- maintenance (unit mode Maintenance, unless it says otherwise) --------------------------

    def jog(self, pockets: float) -> None:
        """Turn by a fraction of a pocket, either way, at creep speed; hold to run: one call, one
        bounded bit."""
        self.operate(f"MAINtenance:JOG {round(pockets * 1e6)}")

    def purge(self, pockets: int) -> None:
        """Empty the next `pockets` pockets, uncounted; goes on by itself until they are through."""
        self.operate(f"MAINtenance:PURGe {pockets}")

    def register(self) -> None:
        """Find the position of the sprocket; two parts may fall. The unit is held if that fails."""
        self.operate("MAINtenance:REGister")

    def test_beam(self) -> bool:
        """Darken the beam's emitter: True if the beam noticed."""
        self.operate("MAINtenance:BEAM")
        return fields(self.ask("MAINtenance:BEAM?"))[-1] == 1

    def index_one(self) -> None:
        """Advance by one pocket (unit mode Manual)."""
        self.operate("MAINtenance:INDex")

    # -- read-out -----------------------------------------------------------------------------

    def settings(self) -> dict[str, Field | list[Field]]:
        """Every setting by its name, in the units of the names."""
        names = [str(name) for name in fields(self.ask("SETTing:CATalog?"))]
        return {name: self.setting(name) for name in names}

    def setting(self, name: str) -> Field | list[Field]:
        """One setting by its name, a table row after row. DeviceError if there is no such name."""
        quoted = name.replace('"', '""')
        values = fields(self.ask(f'SETTing:VALue? "{quoted}"'))
        return values[0] if len(values) == 1 else values

    def measured_parts(self) -> Iterator[MeasuredPart]:
        """Read out the parts measured since the last time, oldest first."""
        for _ in range(self._word(int, "SENSe:PART:COUNt?")):
            yield self._read(MeasuredPart, "SENSe:PART?")

    def release_phase(self) -> ChartOf:
        """Where the sprocket stands when a pocket lets go, past the nominal edge, in mdeg."""
        return self._read(ChartOf, "SENSe:PHASe?")

    def pulse_width(self) -> ChartOf:
        """How long a part darkens the beam, in us."""
        return self._read(ChartOf, "SENSe:WIDTh?")

    def drift(self) -> Drift:
        """Whether parts still fall as they were learned to, and what to do if not."""
        return self._read(Drift, "SENSe:DRIFt?")

    def clear_drift(self) -> None:
        """Tell the module that the cause of a drift alarm has been put right."""
        self.tell("SENSe:DRIFt:CLEar")

    def learn_drift(self) -> None:
        """Have the module learn anew from its next parts what is right."""
        self.tell("SENSe:DRIFt:LEARn")

    def index_edges(self) -> Iterator[IndexEdge]:
        """Read out the edges of the pocket index sensor since the last time, oldest first."""
        for _ in range(self._word(int, "SENSe:INDex:COUNt?")):
            yield self._read(IndexEdge, "SENSe:INDex?")

    def events(self) -> Iterator[Event]:
        """Read out the module's event memory, oldest first, until it is empty."""
        for _ in range(self._word(int, "EVENt:COUNt?")):
            yield self._read(Event, "EVENt?")
