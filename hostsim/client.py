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

When the line is lost the client opens it again and repeats what was asked, but only where asking
twice is harmless: queries, and `REQuest:OPEN`, because a module never delivers a ticket twice.
Anything else raises `LinkError` and leaves it to the caller to look at the module first.
"""

from collections.abc import Callable, Iterator
from typing import Self, TypeVar

from hostsim.answers import (
    Answer,
    Cause,
    Counters,
    Event,
    Field,
    Identity,
    Magazine,
    ModuleError,
    Position,
    Progress,
    ProtocolError,
    RequestState,
    Result,
    UnitMode,
    UnitState,
    fields,
    units,
)
from hostsim.links import AnswerTimeoutError, Link, LinkError, SerialLink

ERROR_QUEUE_MAX = 64  # more entries than any module keeps: reading it out always ends
TRIES = 3  # how often a harmless question is asked before its loss is reported
OPERATION_TIMEOUT_S = 60.0  # a change of state may register the sprocket: a turn at creep speed
PROGRESS_TIMEOUT_S = 600.0  # a request in which nothing moves for so long will not close
TICKET_MAX = 65_535  # a module counts tickets in one word of a fieldbus

A = TypeVar("A", bound=Answer)

# The one command that leads on towards Execute from each state in which the unit rests.
TOWARDS_EXECUTE = {
    UnitState.ABORTED: "CLEar",
    UnitState.STOPPED: "RESet",
    UnitState.COMPLETE: "RESet",
    UnitState.IDLE: "STARt",
    UnitState.HELD: "UNHold",
    UnitState.SUSPENDED: "UNSuspend",
}
# States that end by themselves.
ON_THE_WAY = set(UnitState) - set(TOWARDS_EXECUTE) - {UnitState.EXECUTE}


class DeviceError(ModuleError):
    """The module refused: an entry of its error queue."""

    def __init__(self, number: int, text: str) -> None:
        super().__init__(f"the module refused: {number}, {text}")
        self.number = number
        self.text = text


class NotReadyError(ModuleError):
    """The unit did not come to Execute. `.state` and `.cause` say where it stands and why."""

    def __init__(self, state: UnitState, cause: Cause) -> None:
        why = f": {cause.text}; {cause.remedy}" if cause.code else ""
        super().__init__(f"the unit stays {state}{why}")
        self.state = state
        self.cause = cause


class DispenserClient:
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
        self._link = SerialLink(port, baud) if isinstance(port, str) else port
        self._timeout_s = timeout_s
        self._reconnect_s = reconnect_s
        self._poll_s = poll_s

    def close(self) -> None:
        """Let go of the line; an open request goes on."""
        self._link.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- exchange -----------------------------------------------------------------------------

    def ask(self, query: str, *, repeatable: bool = True, timeout_s: float | None = None) -> str:
        """Send a query and return its response unit.

        Raises DeviceError when refused, LinkError when the line is lost for good.
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
        line = f"{message};:SYSTem:ERRor?"
        timeout_s = self._timeout_s if timeout_s is None else timeout_s
        tries_left = TRIES if repeatable else 1
        while True:
            tries_left -= 1
            try:
                *answers, error = units(self._link.ask(line, timeout_s))
                break
            except LinkError as lost:
                self._link.reopen(self._reconnect_s)
                if not tries_left:
                    raise LinkError(f"{message} is unanswered: {lost}") from lost
        self._raise_refusal(error)
        return answers

    def _raise_refusal(self, error: str) -> None:
        """Raise the oldest error, having emptied the queue so that no later call trips over it."""
        number, text = self._error(error)
        if number == 0:
            return
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

    def state(self) -> UnitState:
        """State of the unit."""
        return UnitState(self._first_number("UNIT:STATe?"))

    def mode(self) -> UnitMode:
        """Mode of the unit."""
        return UnitMode(self._first_number("UNIT:MODE?"))

    def _first_number(self, query: str) -> int:
        """An answer of a number and its name, such as `6,EXECUTE`: the number."""
        number = fields(self.ask(query))[0]
        if not isinstance(number, int):
            raise ProtocolError(f"the module answered {number!r} to {query}")
        return number

    def cause(self) -> Cause:
        """Why the unit stopped and what to do; `.code` is 0 when nothing stands in the way."""
        return self._read(Cause, "UNIT:CAUSe?")

    def command(self, name: str) -> UnitState:
        """Give a PackML command (`"reset"`, `"start"`, `"stop"`, `"hold"`, `"unhold"`,
        `"suspend"`, `"unsuspend"`, `"abort"`, `"clear"`, `"complete"`) and wait for the state that
        it leads to, which is returned. DeviceError if the state does not allow the command.
        """
        self.tell(f"UNIT:COMMand {name}")
        return self._resting_state()

    def _resting_state(self) -> UnitState:
        """The state of the unit, when it has come to one that it stays in by itself.

        Not by *OPC?, which would also wait for an open request to close.
        """
        deadline_s = self._link.clock_s() + OPERATION_TIMEOUT_S
        while (state := self.state()) in ON_THE_WAY:
            if self._link.clock_s() > deadline_s:
                raise AnswerTimeoutError(f"the unit has been {state} for {OPERATION_TIMEOUT_S:g} s")
            self._link.pause(self._poll_s)
        return state

    def change_mode(self, mode: UnitMode) -> None:
        """Go to another mode. DeviceError unless the unit is stopped, idle or aborted."""
        self.tell(f"UNIT:MODE {mode.name}")

    def make_ready(self) -> None:
        """Lead the unit to Execute, by the commands a person would give one after the other.

        Motion starts only by this explicit call. Raises NotReadyError when the unit falls back:
        look at its cause, put it right, call again.
        """
        left = set(TOWARDS_EXECUTE)
        state = self._resting_state()
        while state is not UnitState.EXECUTE:
            if state not in left:
                raise NotReadyError(state, self.cause())
            left.remove(state)
            state = self.command(TOWARDS_EXECUTE[state])

    # -- requests -----------------------------------------------------------------------------

    def request(
        self,
        quantity: int,
        ticket: int | None = None,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Result:
        """Have `quantity` parts delivered and return how that ended.

        The same `ticket` asked again is never delivered again: its result is returned. Without
        one, the next unused is taken. `on_progress` is called at every look at the request.
        Raises DeviceError when the request is refused (the unit must be in Execute).
        """
        if ticket is None:
            ticket = self.next_ticket()
        self.tell(f"REQuest:OPEN {ticket},{quantity}", repeatable=True)
        return self._await_result(ticket, on_progress)

    def _await_result(self, ticket: int, on_progress: Callable[[Progress], None] | None) -> Result:
        seen: Progress | None = None
        deadline_s = 0.0
        while True:
            progress = self.progress()
            if progress.ticket != ticket or progress.state is RequestState.CLOSED:
                return self.result(ticket)
            if on_progress is not None:
                on_progress(progress)
            now_s = self._link.clock_s()
            if progress != seen:
                seen, deadline_s = progress, now_s + PROGRESS_TIMEOUT_S
            if now_s > deadline_s:
                raise AnswerTimeoutError(
                    f"request {ticket} has not moved for {PROGRESS_TIMEOUT_S:g} s"
                )
            self._link.pause(self._poll_s)

    def next_ticket(self) -> int:
        """The ticket after the newest one; after the last number, the first again."""
        newest = self.tickets()[:1] or [self.progress().ticket]
        return newest[0] % TICKET_MAX + 1

    def progress(self) -> Progress:
        """The open request, or the last one."""
        return self._read(Progress, "REQuest:PROGress?")

    def result(self, ticket: int) -> Result:
        """How a closed request ended. DeviceError if the module does not remember it."""
        return self._read(Result, f"REQuest:RESult? {ticket}")

    def tickets(self) -> list[int]:
        """Tickets of the requests the module remembers, newest first."""
        found = fields(self.ask("REQuest:TICKets?"))
        return [ticket for ticket in found if isinstance(ticket, int) and ticket]

    def cancel_request(self) -> None:
        """Close the open request early; what is already out is in its result."""
        self.operate("REQuest:CANCel")

    # -- magazine and sprocket ----------------------------------------------------------------

    def load_magazine(self, parts: int) -> None:
        """Tell the module that `parts` more have been put into its magazine."""
        self.tell(f"MAGazine:LOAD {parts}")

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

    # -- maintenance (unit mode Maintenance, unless it says otherwise) --------------------------

    def jog(self, pockets: float) -> None:
        """Turn by a fraction of a pocket, either way, at creep speed; hold to run: one call, one
        bounded bit."""
        self.operate(f"MAINtenance:JOG {round(pockets * 1e6)}")

    def purge(self, pockets: int) -> None:
        """Empty the next `pockets` pockets, uncounted."""
        self.operate(f"MAINtenance:PURGe {pockets}")

    def register(self) -> None:
        """Find the position of the sprocket."""
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
        values = fields(self.ask(f'SETTing:VALue? "{name}"'))
        return values[0] if len(values) == 1 else values

    def events(self) -> Iterator[Event]:
        """Read out the module's event memory, oldest first, until it is empty."""
        for _ in range(self._first_number("EVENt:COUNt?")):
            yield self._read(Event, "EVENt?")
