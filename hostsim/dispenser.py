"""What a host has a module do, over whichever link leads to it.

Theory of operation
-------------------
The clients of both links (`hostsim.client` for SCPI, `hostsim.modbus_client` for Modbus) differ in
how they put a question.  What they ask, and in which order, is the same and stands here: the way to
Execute, an order that may be repeated, the wait for its result.

An order survives what a line and a mains plug can do, because a ticket is delivered once: it may be
given again whenever nobody knows whether it has arrived, and its result may be asked for at any
time later.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Protocol

from hostsim.answers import Cause, Counters, Drift, Progress, Result
from hostsim.errors import (
    AnswerTimeoutError,
    DeviceError,
    LinkError,
    NotReadyError,
    ProtocolError,
)
from hostsim.words import RequestState, UnitMode, UnitState

OPERATION_TIMEOUT_S = 60.0  # a change of state may register the sprocket: a turn at creep speed
PROGRESS_TIMEOUT_S = 600.0  # a request in which nothing moves for so long will not close
LOST_COMMANDS_MAX = 3  # so many commands to Execute may be lost, or overtaken by events
SETTINGS_CONFLICT = -221  # SCPI-1999: of a command that is not legal now, or not safe
TICKET_MAX = 65_535  # a module counts tickets in one word of a fieldbus

# The one command that leads on towards Execute from each state in which the unit rests.
TOWARDS_EXECUTE = {
    UnitState.ABORTED: "clear",
    UnitState.STOPPED: "reset",
    UnitState.COMPLETE: "reset",
    UnitState.IDLE: "start",
    UnitState.HELD: "unhold",
    UnitState.SUSPENDED: "unsuspend",
}
# States that end by themselves.
ON_THE_WAY = set(UnitState) - set(TOWARDS_EXECUTE) - {UnitState.EXECUTE}


class Time(Protocol):
    """The time a link lives in: the wall clock's, or that of a simulation."""

    def pause(self, seconds: float) -> None:
        """Let time pass."""

    def clock_s(self) -> float:
        """Time since some fixed instant, s."""


class Dispenser(ABC):
    """One module. Every method raises LinkError when the line is lost for good."""

    def __init__(self, time: Time, poll_s: float) -> None:
        """`poll_s` is the pause between two looks at something that takes its time."""
        self.time = time
        self._poll_s = poll_s

    # -- what each link does in its own way ---------------------------------------------------

    @abstractmethod
    def part_name(self) -> str:
        """What the module dispenses, such as "M4 nut"."""

    @abstractmethod
    def state(self) -> UnitState:
        """State of the unit."""

    @abstractmethod
    def mode(self) -> UnitMode:
        """Mode of the unit."""

    @abstractmethod
    def cause(self) -> Cause:
        """Why the unit stopped and what to do; `.code` is 0 when nothing stands in the way."""

    @abstractmethod
    def give(self, command: str) -> None:
        """Give a PackML command by its name, in lower case. DeviceError if it is not legal now."""

    @abstractmethod
    def order(self, ticket: int, quantity: int) -> None:
        """Order `quantity` parts; returns once that is acknowledged. DeviceError if refused.

        Harmless to repeat with the same numbers, however often and whenever: a ticket is
        delivered once. The unit must be in Execute, unless the ticket is known already.
        """

    @abstractmethod
    def progress(self) -> Progress:
        """The open request, or the last one."""

    @abstractmethod
    def result(self, ticket: int) -> Result:
        """How a closed request ended. DeviceError if the module does not remember it."""

    @abstractmethod
    def tickets(self) -> list[int]:
        """Tickets of the requests the module remembers, newest first."""

    @abstractmethod
    def counters(self) -> Counters:
        """What the sprocket has done since it was changed."""

    @abstractmethod
    def drift(self) -> Drift:
        """Whether parts still fall as they were learned to; `.code` is 0 while they do."""

    # -- unit ---------------------------------------------------------------------------------

    def command(self, name: str) -> UnitState:
        """Give a PackML command (`"reset"`, `"start"`, `"stop"`, `"hold"`, `"unhold"`,
        `"suspend"`, `"unsuspend"`, `"abort"`, `"clear"`, `"complete"`) and wait for the state that
        it leads to, which is returned. DeviceError if the state does not allow the command.
        """
        self.give(name)
        return self._resting_state()

    def _resting_state(self) -> UnitState:
        """The state of the unit, when it has come to one that it stays in by itself."""
        deadline_s = self.time.clock_s() + OPERATION_TIMEOUT_S
        while (state := self.state()) in ON_THE_WAY:
            if self.time.clock_s() > deadline_s:
                raise AnswerTimeoutError(f"the unit has been {state} for {OPERATION_TIMEOUT_S:g} s")
            self.time.pause(self._poll_s)
        return state

    def make_ready(self) -> None:
        """Lead the unit to Execute, by the commands a person would give one after the other.

        Motion starts only by this explicit call. Raises NotReadyError when the unit falls back, or
        a command is not safe, as with the guard open: look at its cause, put it right, call again.
        Raises DeviceError when another link is in command.
        """
        left = set(TOWARDS_EXECUTE)
        lost_left = LOST_COMMANDS_MAX
        state = self._resting_state()
        while state is not UnitState.EXECUTE:
            if state not in left:
                raise NotReadyError(state, self.cause())
            try:
                after = self.command(TOWARDS_EXECUTE[state])
                left.remove(state)
            except LinkError:  # obeyed or not: the state tells
                if not lost_left:
                    raise
                lost_left -= 1
                after = self._resting_state()
            except DeviceError as refused:  # not safe, or it has gone on by itself meanwhile
                if refused.number != SETTINGS_CONFLICT:
                    raise
                after = self._resting_state()
                if after is state or not lost_left:
                    raise NotReadyError(after, self.cause()) from refused
                lost_left -= 1
            state = after

    # -- requests -----------------------------------------------------------------------------

    def request(
        self,
        quantity: int,
        ticket: int | None = None,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Result:
        """Have `quantity` parts delivered and return how that ended.

        The same `ticket` asked again is never delivered again: its result is returned. Without
        one, the next unused is taken. Raises DeviceError when the request is refused (the unit must
        be in Execute).

        `on_progress` is called at every look at the request. In state WAITING a person has to act:
        `cause` says why, and what to do; `make_ready` goes on when that is done. If nobody comes,
        the module closes the request short after its patience (setting `recovery_patience_ms`).
        """
        if ticket is None:
            ticket = self.next_ticket()
        self.order(ticket, quantity)
        result = self._await_result(ticket, on_progress)
        if result.quantity != quantity:  # the line has altered the order on its way
            raise ProtocolError(f"ticket {ticket} was taken as {result.quantity}, not {quantity}")
        return result

    def _await_result(self, ticket: int, on_progress: Callable[[Progress], None] | None) -> Result:
        seen: Progress | None = None
        deadline_s = 0.0
        while True:
            progress = self.progress()
            if progress.ticket != ticket or not progress.open:
                return self.result(ticket)
            if on_progress is not None:
                on_progress(progress)
            now_s = self.time.clock_s()
            if progress != seen or progress.state is RequestState.WAITING:  # the module ends that
                seen, deadline_s = progress, now_s + PROGRESS_TIMEOUT_S
            if now_s > deadline_s:
                raise AnswerTimeoutError(
                    f"request {ticket} has not moved for {PROGRESS_TIMEOUT_S:g} s"
                )
            self.time.pause(self._poll_s)

    def next_ticket(self) -> int:
        """The ticket after the newest one, open or closed; after the last number, the first again.

        The newest since power-up is told with its progress; of those before, there are results.
        """
        newest = self.progress().ticket or next(iter(self.tickets()), 0)
        return newest % TICKET_MAX + 1
