"""Three links on one whole module, wishing at random, against a model of who is in command.

The model keeps the diary of a clerk: every granted wish, every lock and release, every closing of
a request, each with its time.  Who is in command is read from the page since the last release.
"""

from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.cycle import unit
from controller.link.authority import BUS, LINE, NOBODY, WIRES
from controller.link.desk import Desk
from controller.link.refusal import Refused
from controller.record import events
from hostsim.config import load
from hostsim.engine import InProcess
from hostsim.module import SimModule

CONFIG = load(Path(__file__).parents[3] / "configs" / "m4_nut.toml")
HOLD_US = CONFIG.settings.command_hold_ms * 1000
PROTECTED = -203
STOP, ABORT = 3, 8
LINKS = st.sampled_from((LINE, BUS, WIRES))


@dataclass
class Entry:
    """One line of the diary."""

    time_us: int
    what: str  # "wish", "lock", "release"
    who: int


class Model:
    """Who is in command, by the diary."""

    def __init__(self) -> None:
        self.diary: list[Entry] = []
        self.closings_us = [0]
        self.open = False

    def commander(self, now_us: int) -> int:
        """The link in command; NOBODY when any may take it."""
        releases = [at for at, entry in enumerate(self.diary) if entry.what == "release"]
        page = self.diary[releases[-1] + 1 :] if releases else self.diary
        if any(entry.what == "lock" for entry in page):
            return LINE
        if not page:
            return NOBODY
        since_us = max(page[-1].time_us, self.closings_us[-1])
        return page[-1].who if self.open or now_us < since_us + HOLD_US else NOBODY


class AuthorityMachine(RuleBasedStateMachine):
    @initialize()
    def power_up(self) -> None:
        self.engine = InProcess()
        self.module = SimModule(CONFIG, engine=self.engine)
        firmware = self.engine.firmware
        self.desks = {who: Desk(firmware, who) for who in (LINE, BUS, WIRES)}
        self.model = Model()
        self.ticket = 0
        self.module.run_until(1000)

    @property
    def now_us(self) -> int:
        return self.engine.firmware.now_us

    def wish(self, who: int, wish: str, *arguments: int) -> bool:
        """Utter a wish; whether it was granted. It must be heard if, and only if, it may be."""
        commander = self.model.commander(self.now_us)
        try:
            getattr(self.desks[who], wish)(*arguments)
        except Refused as refused:
            assert (refused.number == PROTECTED) == (commander not in (NOBODY, who)), refused
            return False
        assert commander in (NOBODY, who)
        self.model.diary.append(Entry(self.now_us, "wish", who))
        self.time(0)  # what it has set going is carried out at the same instant
        return True

    # ---- what links do --------------------------------------------------------------------------

    @rule(who=LINKS)
    def load(self, who: int) -> None:
        self.wish(who, "magazine_load", 1)

    @rule(who=LINKS, number=st.sampled_from([1, 2, 4, 5, 6, 7, 9, 10]))
    def command(self, who: int, number: int) -> None:
        self.wish(who, "command", number)

    @rule(who=LINKS, number=st.sampled_from([STOP, ABORT]))
    def stop(self, who: int, number: int) -> None:
        """Heard from every link; takes nothing."""
        try:
            self.desks[who].command(number)
        except Refused as refused:
            assert refused.number != PROTECTED
        self.time(0)

    @rule(who=LINKS)
    def lead_to_execute(self, who: int) -> None:
        towards = {unit.ABORTED: 9, unit.STOPPED: 1, unit.COMPLETE: 1, unit.IDLE: 2, unit.HELD: 5}
        while (number := towards.get(self.desks[who].unit.state)) is not None:
            if not self.wish(who, "command", number):
                return
            self.time(500_000)

    @rule(who=LINKS, quantity=st.integers(1, 3))
    def open(self, who: int, quantity: int) -> None:
        open_already = self.model.open
        if self.wish(who, "open_request", self.ticket + 1, quantity):
            assert not open_already
            self.ticket += 1
            self.model.open = True

    @precondition(lambda self: self.ticket)
    @rule(who=LINKS)
    def repeat(self, who: int) -> None:
        """A ticket that is known: acknowledged to who may command, and no wish."""
        request = self.engine.firmware.request
        commander = self.model.commander(self.now_us)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(request, "open", None)  # to deliver it again would be an error
            try:
                self.desks[who].open_request(self.ticket, request.quantity)
            except Refused as refused:
                assert refused.number == PROTECTED and commander not in (NOBODY, who)
            else:
                assert commander in (NOBODY, who)

    @precondition(lambda self: self.model.open)
    @rule(who=LINKS)
    def cancel(self, who: int) -> None:
        self.wish(who, "cancel_request")

    @rule(who=LINKS)
    def lock(self, who: int) -> None:
        try:
            self.desks[who].lock()
        except Refused as refused:
            assert refused.number == PROTECTED and who != LINE
        else:
            assert who == LINE
            self.model.diary.append(Entry(self.now_us, "lock", who))

    @rule(who=LINKS)
    def release(self, who: int) -> None:
        commander = self.model.commander(self.now_us)
        try:
            self.desks[who].release()
        except Refused as refused:
            assert refused.number == PROTECTED and commander not in (NOBODY, who)
        else:
            assert commander in (NOBODY, who)
            self.model.diary.append(Entry(self.now_us, "release", who))

    @rule(
        delay_us=st.one_of(
            st.integers(0, 300_000), st.sampled_from([HOLD_US - 1000, HOLD_US, 2 * HOLD_US])
        )
    )
    def time(self, delay_us: int) -> None:
        module = self.module
        module.run_until(module.now_us + delay_us)
        module.board.write(b"")  # a round now
        module.run_until(module.now_us)
        for time_us, kind, _, _ in module.notes:
            if kind == events.REQUEST_CLOSED:
                self.model.closings_us.append(time_us)
                self.model.open = False
        module.notes.clear()

    # ---- what must hold -------------------------------------------------------------------------

    @invariant()
    def every_link_reads_who_is_in_command(self) -> None:
        commander = self.model.commander(self.now_us)
        before = len(self.model.diary)
        for who, desk in self.desks.items():
            assert desk.owner()[0] == commander
            for read in (desk.progress, desk.results, desk.magazine, desk.cause, desk.inputs):
                read()
            ready = desk.unit.state == unit.EXECUTE and not self.model.open
            assert desk.able() == (ready and commander in (NOBODY, who))
        assert len(self.model.diary) == before


TestAuthority = AuthorityMachine.TestCase
TestAuthority.settings = hypothesis_settings(max_examples=60, stateful_step_count=40, deadline=None)
