"""A whole module for tests on both interpreters: the firmware, a wheel, a beam and a bag.

Theory of operation
-------------------
The firmware stands in front of the pictures of `controller.board.lockstep`, as it does under any
host.  Behind them are the `Wheel` of these tests and the plainest of parts: each pocket that is
let go drops one, unless its number is in `empty`; the part darkens the beam `FALL_US` later for
`DARK_US`, and has then passed.  While the test output is on, or the beam has died dark, it reads
blocked; a beam that has died clear never does.

`moving_when` remembers the state of the unit whenever a move was begun.
"""

from controller.board import lockstep
from controller.board.ports import (
    DRIVE_HEALTHY,
    GUARD_CLOSED,
    MAGAZINE_OK,
    POCKET_INDEX,
    POCKET_INDEX_LEFT,
    RECEIVER_READY,
)
from controller.cycle import requestchart, unit
from controller.firmware import Firmware
from tests.portable.wheel import Wheel, wheel_settings

FALL_US = 64_000
DARK_US = 8_000
QUANTITY = 3  # of the requests that `open_in` opens
ALL_READY = GUARD_CLOSED | MAGAZINE_OK | RECEIVER_READY | DRIVE_HEALTHY


class Rig:
    """One module and its host."""

    def __init__(self, at_steps=0, **changes):
        self.settings = wheel_settings(**changes)
        self.wheel = Wheel(at_steps)
        self.levels = ALL_READY
        self.empty = ()  # places in the row of pockets let go that hold no part
        self.lost_edges = 0  # to a full ring so far
        self.dead = None  # what a dead beam reads
        self.energised = False
        self.passed = []  # times at which parts have left the beam
        self.moving_when = []  # state of the unit at the begin of each move
        self.notes = []  # (time_us, kind, a, b)
        self._lit = True
        self._level = 0
        self._shade = 0  # parts in the beam
        self._dropped = 0  # pockets that have been looked at for a part
        self._coming = []  # (time_us, 1 into the beam or -1 out of it), in order
        self._said = b""
        self.now_us = 1_000_000
        self.wheel.advance(self.now_us)
        self._picture = lockstep.Lockstep(self.now_us, (b"\xff" * 4096, b"\xff" * 4096), 1)
        self.firmware = Firmware(self._picture.ports, self.settings)
        self._carry_out()
        self._due_us = self.now_us

    # ---- the host -------------------------------------------------------------------------------

    def tell(self, line):
        """Send a line and let the firmware take it."""
        self._picture.line.heard += line.encode() + b"\n"
        self._round(self.now_us)

    def ask(self, line):
        """Send a line and return the answer, which must come at once."""
        self._said = b""
        self.tell(line)
        assert self._said.endswith(b"\n"), (line, self._said)
        return self._said.decode().strip()

    @property
    def state(self):
        """The unit's state by name."""
        return self.ask("UNIT:STAT?").split(",")[1]

    def command(self, *names):
        """Give commands to the unit, each a while after the other."""
        for name in names:
            self.tell("UNIT:COMM " + name)
            self.wait(300_000)

    def in_execute(self, mode="PROD"):
        """Lead a module that has just got its power to Execute; return self."""
        self.tell("UNIT:MODE " + mode)
        self.command("RES", "STAR")
        assert self.state == "EXECUTE"
        return self

    def refused(self, line):
        """Send a line that must be refused; return the number of the error."""
        self.tell(line)
        return int(self.ask("SYST:ERR?").split(",")[0])

    # ---- the bench ------------------------------------------------------------------------------

    def guard(self, shut):
        """Open or shut the guard, which cuts the drive in hardware."""
        if not shut:
            self.wheel.cut()
        self.level(GUARD_CLOSED, shut)

    def level(self, bit, on):
        """Set one of the inputs, which calls for a round."""
        self.levels = self.levels | bit if on else self.levels & ~bit
        self._round(self.now_us)

    # ---- time -----------------------------------------------------------------------------------

    def wait(self, span_us):
        """Let time pass."""
        until_us = self.now_us + span_us
        while self.now_us < until_us:
            self._next_round(until_us)

    def wait_for(self, what, limit_us=120_000_000):
        """Go round until `what()` is true."""
        until_us = self.now_us + limit_us
        while not what():
            assert self.now_us < until_us, "in vain"
            self._next_round(until_us)

    def _next_round(self, until_us):
        self._see(self.now_us)  # what a test may have changed
        due = [self._due_us, until_us]
        if self.wheel.end_us is not None:
            due.append(self.wheel.end_us)
        self._round(max(self.now_us + 1, min(due)))

    def closed(self):
        """Wait until no request is open; return the result as a list of numbers."""
        self.wait_for(lambda: not self.firmware.request.is_open)
        return [int(field) for field in self.ask("REQ:RES?").split(",")]

    def _round(self, now_us):
        self.now_us = now_us
        self.wheel.advance(now_us)
        self._let_fall()
        picture = self._picture
        picture.show(now_us, self.levels, *self.wheel.status(), self._level, self.lost_edges)
        changes = [(at_us, POCKET_INDEX) for at_us in self.wheel.edges]
        changes += [(at_us, POCKET_INDEX_LEFT) for at_us in self.wheel.left]
        picture.inputs.changes += sorted(changes)
        self.wheel.edges = []
        self.wheel.left = []
        self._due_us = self.firmware.poll(now_us)
        assert self._due_us > now_us
        self._carry_out()

    def drop(self, dark_us=DARK_US):
        """Let something fall through the beam that no pocket has let go now."""
        self._coming.append((self.now_us + 1, 1))
        self._coming.append((self.now_us + 1 + dark_us, -1))
        self._coming.sort()  # parts may be on their way already

    def _let_fall(self):
        """Let parts drop and cross the beam up to now."""
        for at_us in self.wheel.let_go[self._dropped :]:
            if self._dropped not in self.empty:
                self._coming.append((at_us + FALL_US, 1))
                self._coming.append((at_us + FALL_US + DARK_US, -1))
            self._dropped += 1
        while self._coming and self._coming[0][0] <= self.now_us:
            at_us, shade = self._coming.pop(0)
            self._shade += shade
            if shade < 0:
                self.passed.append(at_us)
            self._see(at_us)

    def _see(self, at_us):
        """Let the beam read what it must, and record the edge if that is a change."""
        level = 1 if self._shade or not self._lit else 0
        if self.dead is not None:
            level = self.dead
        if level != self._level:
            self._level = level
            self._picture.beam.edges.append((at_us, level))

    def _carry_out(self):
        obey = {
            lockstep.START: self._start,
            lockstep.AMEND: self.wheel.amend,
            lockstep.HALT: lambda _: self.wheel.halt(),
            lockstep.ENABLE: self._enable,
            lockstep.TEST: self._test,
        }
        for code, argument in self._picture.orders:
            if code in obey:
                obey[code](argument)
        self.notes += self._picture.notes
        self._said += self._picture.line.said
        self._picture.clear()

    def _start(self, move):
        assert self.energised
        self.moving_when.append(self.firmware.service.unit.state)
        self.wheel.start(move)

    def _enable(self, on):
        self.energised = on != 0

    def _test(self, on):
        self._lit = not on
        self._see(self.now_us)


# ---- modules that have come so far ---------------------------------------------------------------


def open_in(state):
    """A module whose request for `QUANTITY` parts has just come to that state of the chart."""
    rig = Rig().in_execute()
    ticket = 1
    if state != requestchart.REGISTERING:
        rig.tell(f"REQ:OPEN 1,{QUANTITY}")  # the position is known from then on
        rig.closed()
        ticket = 2
    if state == requestchart.VERIFYING:
        rig.empty = (4,)  # a silent pocket, so that the beam is to be proven
    elif state == requestchart.FREEING:
        rig.wheel.stall_at = 300
    elif state == requestchart.WAITING:
        rig.empty = range(4, 1000)
    rig.opened_us = rig.now_us
    rig.tell(f"REQ:OPEN {ticket},{QUANTITY}")
    rig.wait_for(lambda: rig.firmware.request.state == state)
    return rig


def help_out(rig):
    """A person takes out what jams and fills the magazine."""
    rig.wheel.stall_at = None
    rig.empty = ()


def at_rest(rig):
    """Wait until the unit rests in a state and the request has nothing to do by itself."""
    resting = (unit.STOPPED, unit.SUSPENDED, unit.ABORTED, unit.HELD, unit.COMPLETE)
    request = rig.firmware.request
    rig.wait_for(lambda: rig.firmware.service.unit.state in resting and request.at_rest)
