"""A guided procedure: a table of steps, carried out one after the other.

Theory of operation
-------------------
A `Step` says in words what the person does, what may hurt, and what counts as passed, and has one
function that does it.  `carry_out` goes through the table: what the record has already is not done
again; before a step in which the motor may turn, the person is asked whether hands are out of the
gears and the guard is shut, every time.  Each finding is recorded at once.  The first step that
fails ends the run, with its remedy: what comes after it relies on what it looked at.

However a run ends, the unit is stopped and the full rate asked for again.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeVar

from hostsim.answers import ModuleError, UnitMode, UnitState
from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig
from hostsim.dispenser import DeviceError, NotReadyError
from hostsim.guided.conversation import Conversation, LeftError
from hostsim.guided.record import Finding, Record

PATIENCE_S = 120.0  # how long a person may take for one deed that the module watches for
LOOK_S = 0.1  # between two looks at the module meanwhile
GUARD_SHUT, MAGAZINE_OK, BAG_THERE, DRIVE_HEALTHY = 1, 2, 4, 8  # bits of SENSe:INPuts?

HANDS_OUT = (
    "The sprocket and the gears are about to turn by themselves and draw in fingers, hair and"
    " sleeves. Hands and tools out, guard shut, everybody at the machine told."
)
T = TypeVar("T")


def utc_now() -> datetime:
    """The time of day, for the record."""
    return datetime.now(UTC)


@dataclass
class Session:
    """All that a step may use."""

    client: DispenserClient
    talk: Conversation
    record: Record
    config: ModuleConfig | None = None  # the description, if one was given
    options: Mapping[str, Any] = field(default_factory=dict)
    now: Callable[[], datetime] = utc_now

    def inputs(self) -> int:
        """The level bits of the module."""
        return int(self.client.ask("SENSe:INPuts?"))

    def setting(self, name: str) -> Any:
        """A setting as the module runs with it."""
        return self.client.setting(name)

    def until(self, look: Callable[[], T], wanted: Callable[[T], bool], told: str) -> T | None:
        """Look until what is seen is as wanted, and return it; None if it never was.

        `told` with the seconds left is shown meanwhile.
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
            self.talk.live(f"{told} ({left_s:.0f} s)")
            time.pause(LOOK_S)

    def in_service(self, mode: UnitMode) -> None:
        """Have the unit in Execute in that mode. The motor is energised; nothing moves."""
        client = self.client
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
    caution: str = ""


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
            talk.show(f"\n{number} of {len(steps)}  {step.title}")
            if record.done(step.key):
                talk.show(f"done on {record.entries[step.key].at}")
                continue
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


def _carry_out_one(step: Step, session: Session) -> Finding:
    talk = session.talk
    talk.show(step.does)
    if step.caution:
        talk.caution(step.caution)
    if step.moves:
        talk.caution(HANDS_OUT)
        if not talk.agree(f"begin {step.key}", "Is the guard shut, and may it begin to turn?"):
            raise LeftError
    try:
        return step.run(session)
    except (DeviceError, NotReadyError) as refusal:
        return _refused(session, refusal)


def _refused(session: Session, refusal: ModuleError) -> Finding:
    """A finding for a module that would not do what a step asked of it."""
    cause = session.client.cause()
    why = str(refusal) if not cause.code else f"{refusal} ({cause.text})"
    remedy = cause.remedy or "See that guard, bag and driver are as they should be; then go on."
    return Finding("failed", why, {"cause": cause.code}, remedy)


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
