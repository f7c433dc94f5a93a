"""The entry point on a board: at rest first, then the firmware in the main loop.

Theory of operation
-------------------
`run` puts every output at rest before it does anything that takes time, and only then reads on:
settings, store, firmware.  Settings that are refused leave it at rest (`refused`).  Then it goes
round for ever.  One turn:

    clock -> firmware.poll, if its time has come or something happened -> drive -> lines -> light

What has happened is a byte on a line, a level that changed, or a flag of a drive that moves.  Turns
with nothing to do idle until the next interrupt, for a millisecond at most; nothing sleeps.  Beam
and index edges call for nothing: they are stamped, and wait.

Garbage is collected at rest, between requests; within one only while nothing moves and memory runs
low.  Collecting takes some 15 ms; interrupts go on meanwhile, and so do the pulses.

Any exception ends in the same place: the drive is cut, the outputs go to rest, the reason is
written down, the chip resets.  The way out for somebody with new files is `SYSTem:RESTart PROMpt`.
"""

import json

from controller.board.ports import EXCEPTION, HUNG, RUNNING, Ports
from controller.board.rp2 import health as marks
from controller.board.rp2.clock import Clock
from controller.board.rp2.health import (
    FAULTS_MAX,
    HEALTHY_US,
    PROVEN_US,
    WATCHDOG_MS,
    Health,
    Scratch,
    chip_of,
    look_back,
    write_fault,
)
from controller.board.rp2.pins import Pins, check, conflicts

SETTINGS, WORDS = "settings.json", "profile.bin"
# A drive that moves is looked at this often: a stall is to be noticed before the next pocket.
LOOK_US = 2000
COLLECT_US = 500000  # from one look at the memory to the next; a look walks through all of it
COLLECT_BYTES = 16384  # garbage worth collecting at rest
LOW_BYTES = 32768  # left: worth collecting within a request, while nothing moves
LEAVE_US = 300000  # for the last answers to get out


class Tools:
    """The interpreter's own modules, as far as a board needs them; a test has others."""

    def __init__(self):
        self.gc = __import__("gc")
        self.io = __import__("io")
        self.micropython = __import__("micropython")
        self.select = __import__("select")
        self.sys = __import__("sys")
        self.time = __import__("time")

    def trace(self, error):
        """Return an exception with its trace, as text."""
        sink = self.io.StringIO()
        self.sys.print_exception(error, sink)
        return sink.getvalue()


def run(machine, rp2, tools=None, folder=""):
    """Be the board. Returns only into the prompt. `folder`: of settings, "" or with a slash."""
    tools = tools or Tools()
    chip = chip_of(tools.sys)
    text, pins, problems = _wiring(folder, chip)
    if pins is not None:
        pins.rest(machine)
    scratch = Scratch(machine, chip)
    if scratch.prompt:
        scratch.keep(0)
        return
    code, fault = look_back(machine, scratch, folder)
    faults = scratch.faults + 1 if code in (EXCEPTION, HUNG) else 0
    scratch.keep(faults)
    clock = Clock(tools.time)

    # Only now what takes its time.
    from controller.board.rp2 import build, refused  # noqa: PLC0415
    from controller.shims.install import install  # noqa: PLC0415

    install()
    from controller.settings import SettingsError, from_json  # noqa: PLC0415

    serial = build.serial(machine)
    if faults >= FAULTS_MAX:
        problems.append(f"{faults} faults in a row, the last one: {fault}")
    try:
        settings = from_json(text)
    except SettingsError as error:
        said = [str(problem) for problem in error.problems]
        problems = said + [problem for problem in problems if problem not in said]
    if pins is None or problems:
        line = build.UsbLine(tools.select, tools.sys, build.LINE_BYTES)
        lamp = None if pins is None else pins.switch(machine, "light")
        refused.stay(line, problems, serial, clock, machine.idle, lamp)
        return
    health = Health(serial, code, fault)
    scratch.mark(marks.BOOT)
    drive = None
    try:
        drive = build.drive(machine, rp2, pins, clock)
        board = Loop(machine, tools, settings, pins, drive, clock, scratch, health, folder)
        into_prompt = board.serve(faults)
        scratch.keep(0, told=True, prompt=into_prompt)
    except Exception as error:
        _let_go(machine, pins, drive)
        write_fault(folder, f"{type(error).__name__}: {error}", tools.trace(error))
    finally:
        _let_go(machine, pins, drive)
    machine.reset()


def _let_go(machine, pins, drive):
    if drive is not None:
        drive.cut()
    pins.rest(machine)


class Loop:
    """The firmware, its ports, and the main loop around them."""

    def __init__(self, machine, tools, settings, pins, drive, clock, scratch, health, folder):
        from controller.board.rp2 import build, light  # noqa: PLC0415  after the pins are at rest
        from controller.firmware import Firmware  # noqa: PLC0415

        self._machine = machine
        self._gc = tools.gc
        self._clock = clock
        self._scratch = scratch
        self._health = health
        self._drive = drive
        tools.micropython.kbd_intr(-1)  # byte 3 is the device clear
        beam = build.beam(machine, pins, clock)
        self._inputs = build.inputs(machine, pins, drive.cut, clock)
        self._line = build.line(machine, pins, settings, tools)
        self._bus = build.bus(machine, pins, settings)
        ports = Ports(
            drive,
            beam,
            self._inputs,
            build.Outputs(machine, pins),
            self._line,
            self._bus,
            build.store(machine, pins, settings, folder, beam.distrust),
            clock,
            build.NoTrace(),
            health,
        )
        clock.begin_round()
        self.firmware = Firmware(ports, settings, _words(folder))
        self._light = light.Light(pins.switch(machine, "light"))
        self._pattern_of = light.pattern_of
        self._due_us = clock.round_us
        self._looked_us = clock.round_us
        self._flags = 0
        self._collected_us = clock.round_us
        self._live_bytes = 0  # in use after the last collection
        self._collect()

    def serve(self, faults):
        """Go round until told to start anew; return whether into the prompt."""
        watchdog = self._machine.WDT(timeout=WATCHDOG_MS)
        clock = self._clock
        begun_us = clock.round_us
        leave_us = None
        while leave_us is None or clock.round_us < leave_us:
            now_us = clock.begin_round()
            if now_us >= self._due_us or self._called():
                late_us = max(0, now_us - self._due_us)
                self._round(now_us)
                spent_us = clock.now_us() - now_us
                self._health.took(spent_us)
                if late_us + spent_us < HEALTHY_US:
                    watchdog.feed()
                if faults and now_us - begun_us > PROVEN_US:
                    faults = 0
                    self._scratch.keep(0)
                if leave_us is None and self._health.leaving is not None:
                    leave_us = now_us + LEAVE_US
            else:
                self._machine.idle()
            self._turn(now_us)
        return self._health.leaving

    def _called(self):
        """Tell whether something has happened that the firmware should see before it is due."""
        if self._line.ready or self._bus.ready or self._inputs.waiting:
            return True
        if not self._flags & RUNNING or self._clock.round_us - self._looked_us < LOOK_US:
            return False
        self._looked_us = self._clock.round_us
        return self._drive.status()[0] != self._flags

    def _round(self, now_us):
        self._scratch.mark(marks.ROUND)
        self._due_us = self.firmware.poll(now_us)
        self._flags = self._drive.status()[0]
        self._looked_us = now_us

    def _turn(self, now_us):
        """What wants to be done in every turn, whether there was a round or not."""
        scratch = self._scratch
        firmware = self.firmware
        scratch.mark(marks.DRIVE)
        self._drive.poll()
        scratch.mark(marks.LINES)
        self._line.poll()
        self._bus.poll()
        self._light.show(
            self._pattern_of(firmware.service.unit.state, firmware.request.is_open), now_us
        )
        if now_us - self._collected_us >= COLLECT_US and not firmware.sprocket.moving:
            scratch.mark(marks.REST)
            self._tidy(firmware.request.is_open or firmware.reader.open_since_us is not None)
            self._collected_us = now_us

    def _tidy(self, counting):
        """Collect garbage if there is enough of it, or too little memory left."""
        memory = self._gc
        if counting:
            if memory.mem_free() < LOW_BYTES:
                self._collect()
        elif memory.mem_alloc() - self._live_bytes > COLLECT_BYTES:
            self._collect()

    def _collect(self):
        self._gc.collect()
        self._live_bytes = self._gc.mem_alloc()


def _wiring(folder, chip):
    """Return (settings as text, Pins or None, problems) from what can be said of the settings.

    Pins that are in doubt are not touched at all: nobody knows what hangs on them.
    """
    try:
        with open(folder + SETTINGS) as file:
            text = file.read()
        values = json.loads(text)
    except (OSError, ValueError):
        return "", None, [f"{SETTINGS}: missing, or no JSON"]
    if not isinstance(values, dict):
        return text, None, [f"{SETTINGS}: no table"]
    rows = values.get("board_pins", ())
    problems = check("board_pins", rows) or conflicts("board_pins", chip, rows)
    if problems:
        return text, None, [str(problem) for problem in problems]
    if values.get("board_name", chip) != chip:
        return text, Pins(rows), [f"board_name = {values['board_name']}: this board is an {chip}"]
    return text, Pins(rows), []


def _words(folder):
    """Return the moves planned ahead; none, if there are none."""
    try:
        with open(folder + WORDS, "rb") as file:
            return file.read()
    except OSError:
        return b""
