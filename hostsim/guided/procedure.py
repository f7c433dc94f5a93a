"""A guided procedure: a table of steps, carried out one after the other.

Theory of operation
-------------------
A `Step` says in words what the person does, what may hurt, and what counts as passed, and has one
function that does it.  `carry_out` goes through the table: what the record has already is not done
again.  Each finding is recorded at once.  The first step that fails ends the run, with its remedy:
what comes after it relies on what it looked at.

What protects the person is the exception: between two runs somebody has mended something, and may
have left the guard's plug out.  So such a step is done in every run in which something may still
turn, whatever the record says.

Nothing turns that the person has not agreed to.  Before a step in which the motor may turn they are
asked whether hands are out of the gears and the guard is shut, every time, and where hands are at
the module first, then after that.  One agreement leads the
unit to Execute once.  Where the unit has left it since for any reason but want of parts (somebody
has opened the guard or pressed stop, a part has jammed), nothing is cleared or started again: the
step fails with the cause, and the next run asks anew.

However a run ends, the unit is stopped and the full rate asked for again.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeVar

from controller.cycle import causes
from hostsim.answers import Cause
from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig
from hostsim.errors import DeviceError, ModuleError, NotReadyError
from hostsim.guided.conversation import Conversation, LeftError
from hostsim.guided.record import Finding, Record, failed, moment
from hostsim.words import Inputs, UnitMode, UnitState

PATIENCE_S = 120.0  # how long a person may take for one deed that the module watches for
LOOK_S = 0.1  # between two looks at the module meanwhile
# What a unit that is short of parts gives as its cause; it may be led on without asking.
WANTS_PARTS = (causes.RETRIES_USED, causes.MAGAZINE_EMPTY, causes.CANCELLED)

HANDS_OUT = (
    "From here on the sprocket and the gears may turn by themselves and draw in fingers, hair and"
    " sleeves. Hands and tools out, guard shut, everybody at the machine told."
)
T = TypeVar("T")


def utc_now() -> datetime:
    """The time of day, for the record."""
    return datetime.now(UTC)


class BrokenOffError(ModuleError):
    """The unit has left Execute in the middle of a step, and not for want of parts."""

    def __init__(self, state: UnitState, cause: Cause) -> None:
        super().__init__(f"the unit has become {state}: {cause.text or 'somebody has stopped it'}")


@dataclass
class Session:
    """All that a step may use."""

    client: DispenserClient
    talk: Conversation
    record: Record
    config: ModuleConfig | None = None  # the description, if one was given
    options: Mapping[str, Any] = field(default_factory=dict)
    now: Callable[[], datetime] = utc_now
    agreed: bool = False  # the unit may be led to Execute, once

    def may_turn(self, name: str) -> None:
        """Ask whether the motor may begin to turn. LeftError if not."""
        self.talk.caution(HANDS_OUT)
        if not self.talk.agree(f"begin {name}", "Is the guard shut, and may it begin to turn?"):
            raise LeftError
        self.agreed = True

    def inputs(self) -> Inputs:
        """The input levels of the module."""
        return self.client.inputs()

    def setting(self, name: str) -> Any:
        """A setting as the module runs with it."""
        return self.client.setting(name)

    def until(
        self, look: Callable[[], T], wanted: Callable[[T], bool], told: Callable[[T], str]
    ) -> T | None:
        """Look until what is seen is as wanted, and return it; None if it never was.

        Meanwhile `told` says, live, what is seen, with the seconds left.
        """
        time = self.client.time
        deadline_s = time.clock_s() + PATIENCE_S
        while True:
            seen = look()
            if wanted(seen):
                return seen
            left_s = deadline_s - time.clock_s()
            if left_s <= 0:
                return None
            self.talk.live(f"{left_s:3.0f} s  {told(seen)}")
            time.pause(LOOK_S)

    def in_service(self, mode: UnitMode) -> None:
        """Have the unit in Execute in that mode. The motor is energised; nothing moves.

        Raises BrokenOffError if the unit has been taken out of Execute since the person agreed.
        """
        client = self.client
        if not self.agreed and client.state() is not UnitState.EXECUTE:
            cause = client.cause()
            if cause.code not in WANTS_PARTS:
                raise BrokenOffError(client.state(), cause)
        self.agreed = False
        if client.mode() is not mode:
            if client.state() not in (UnitState.STOPPED, UnitState.IDLE, UnitState.ABORTED):
                client.command("stop")
            client.change_mode(mode)
        client.make_ready()

    def rest(self) -> None:
        """Stop the unit, wherever it is, and ask for the full rate again."""
        client = self.client
        if client.state() not in (UnitState.STOPPED, UnitState.ABORTED):
            client.command("stop")
        client.set_rate(1.0)


@dataclass(frozen=True)
class Step:
    """One row of a procedure."""

    key: str
    title: str
    does: str  # what happens and what the person does
    rule: str  # what counts as passed
    run: Callable[[Session], Finding]
    moves: bool = False  # the motor may turn
    deeds: bool = False  # the person is to do something at the module
    caution: str = ""
    protects: bool = False  # looked at anew in every run that may still turn something


@dataclass(frozen=True)
class Ended:
    """How a run of a procedure ended."""

    how: str  # "finished", "failed", "left"
    at: Step | None = None  # where, unless it finished
    finding: Finding | None = None  # of the step that failed


def carry_out(steps: Sequence[Step], session: Session) -> Ended:
    """Carry out what the record does not have yet. Raises ModuleError when the line is lost."""
    talk, record = session.talk, session.record
    with at_rest_afterwards(session):
        for number, step in enumerate(steps, 1):
            talk.title(f"{number} of {len(steps)}  {step.title}")
            if record.done(step.key):
                talk.show(f"done on {moment(record.entries[step.key].at)}")
                if not (step.protects and _may_turn_yet(steps[number:], record)):
                    continue
                talk.show("Looked at anew, since it protects you in what is still to come.")
            try:
                finding = _carry_out_one(step, session)
            except LeftError:
                return Ended("left", step)
            record.note(step.key, step.title, finding, session.now())
            talk.show(f"{finding.verdict.upper()}: {finding.said}")
            if not finding.ok:
                talk.show(finding.remedy)
                return Ended("failed", step, finding)
        record.finish(session.now())
    return Ended("finished")


def _may_turn_yet(steps: Sequence[Step], record: Record) -> bool:
    """Whether a step of these is still to be done in which the motor may turn."""
    return any((step.moves or step.deeds) and not record.done(step.key) for step in steps)


def _carry_out_one(step: Step, session: Session) -> Finding:
    talk = session.talk
    talk.show(step.does)
    if step.caution:
        talk.caution(step.caution)
    session.agreed = False
    if step.moves:
        session.may_turn(step.key)
    elif step.deeds:
        talk.ready("Are you at the module?")
    try:
        return step.run(session)
    except (DeviceError, NotReadyError, BrokenOffError) as refusal:
        return _refused(session, refusal)


def _refused(session: Session, refusal: ModuleError) -> Finding:
    """A finding for a module that would not do what a step asked of it."""
    cause = session.client.cause()
    why = str(refusal)
    if cause.code and cause.text not in why:
        why += f" ({cause.text})"
    remedy = cause.remedy or "See that guard, bag and driver are as they should be; then go on."
    return failed(why, remedy, cause=cause.code)


@contextmanager
def at_rest_afterwards(session: Session) -> Iterator[None]:
    """Leave the module at rest; a line that is lost meanwhile is told by what lost it."""
    try:
        yield
    except BaseException:
        try:
            session.rest()
        except ModuleError:
            pass  # the first trouble is the one to tell
        raise
    session.rest()
