"""The main loop of a board: the firmware, its ports, and who else wants to be called.

Theory of operation
-------------------
One turn:

    clock -> firmware.poll, if its time has come or something happened -> drive -> lines -> light

What has happened is a byte on a line, a level that changed, or a flag of a drive that moves.  Turns
with nothing to do idle until the next interrupt, for a millisecond at most; nothing sleeps.  They
take no memory either: microseconds since power-up soon need more than 30 bits, and with that a
place in the heap, so between rounds only the time since the last one is asked for.  Beam and index
edges call for nothing: they are stamped, and wait.

Garbage is collected at rest, between requests; within one only while nothing moves and memory runs
low.  Collecting takes some 15 ms; interrupts go on meanwhile, and so do the pulses.
"""

from controller.board.ports import RUNNING, Ports
from controller.board.rp2 import build
from controller.board.rp2.health import (
    HEALTHY_US,
    MARK_DRIVE,
    MARK_GARBAGE,
    MARK_LINES,
    MARK_ROUND,
    PROVEN_US,
    WATCHDOG_MS,
    Health,
)
from controller.board.rp2.light import Light, pattern_of
from controller.firmware import Firmware

WORDS = "profile.bin"
# A drive that moves is looked at this often: a stall is to be noticed before the next pocket.
LOOK_US = 2000
COLLECT_US = 500000  # from one look at the memory to the next; a look walks through all of it
COLLECT_BYTES = 16384  # garbage worth collecting at rest
LOW_BYTES = 32768  # left: worth collecting within a request, while nothing moves
LEAVE_US = 300000  # for the last answers to get out
INTERRUPT_KEY = 3


class Loop:
    """The firmware on a `main.Board`. `code`, `fault`: as `Health` takes them."""

    def __init__(self, board, settings, code, fault):
        machine, pins, tools, clock = board.machine, board.pins, board.tools, board.clock
        self._board = board
        self._machine = machine
        self._clock = clock
        self._scratch = board.scratch
        self._gc = tools.gc
        self._health = Health(build.serial(machine), code, fault)
        # On USB byte 3 is the device clear, unless commands come in elsewhere.
        tools.micropython.kbd_intr(-1 if settings.board_line == "usb" else INTERRUPT_KEY)
        board.drive = self._drive = build.drive(machine, board.rp2, pins, clock)
        beam = build.beam(machine, pins, clock)
        self._inputs = build.inputs(machine, pins, self._drive.cut, clock)
        self._line = build.line(machine, pins, settings, tools)
        self._bus = build.bus(machine, pins, settings)
        ports = Ports(
            self._drive,
            beam,
            self._inputs,
            build.Outputs(machine, pins),
            self._line,
            self._bus,
            build.store(machine, pins, settings, board.folder, beam.distrust),
            clock,
            build.NoTrace(),
            self._health,
        )
        clock.begin_round()
        self.firmware = Firmware(ports, settings, _words(board.folder))
        self._light = Light(pins.switch(machine, "light"), tools.time)
        self._due_in_us = 0  # from the begin of the last round on
        self._looked_in_us = 0  # likewise: when the drive was looked at
        self._flags = 0
        self._collected_us = clock.round_us
        self._live_bytes = 0  # in use after the last collection
        self._collect()

    def serve(self):
        """Go round until told to start anew; return whether into the prompt."""
        watchdog = self._machine.WDT(timeout=WATCHDOG_MS)
        begun_us = self._clock.round_us
        leave_us = None
        while True:
            late_us = self.turn()
            if late_us is None:
                self._machine.idle()
                continue
            if late_us < HEALTHY_US:
                watchdog.feed()
            now_us = self._clock.round_us
            if self._board.faults and now_us - begun_us > PROVEN_US:
                self._board.faults = 0
                self._scratch.keep(0)
            if leave_us is not None and now_us > leave_us:
                return self._health.leaving
            if leave_us is None and self._health.leaving is not None:
                leave_us = now_us + LEAVE_US

    def turn(self):
        """One turn; return how late its round was over, in us, or None without one."""
        heard = self._bus.look()  # first, for the sake of its silences
        heard = self._line.look() or heard
        late_us = self._round() if heard or self._called() else None
        scratch = self._scratch
        firmware = self.firmware
        scratch.mark(MARK_DRIVE)
        self._drive.poll()
        scratch.mark(MARK_LINES)
        self._line.poll()
        self._bus.poll()
        self._light.show(pattern_of(firmware.service.unit.state, firmware.request.is_open))
        return late_us

    def _called(self):
        """Tell whether a round is due, or something has happened that it should see before."""
        if self._inputs.waiting:
            return True
        since_us = self._clock.since_us()
        if since_us >= self._due_in_us:
            return True
        if not self._flags & RUNNING or since_us - self._looked_in_us < LOOK_US:
            return False
        self._looked_in_us = since_us
        return self._drive.status()[0] != self._flags

    def _round(self):
        """One round of the firmware; return how late it is over, in us."""
        clock = self._clock
        late_us = max(0, clock.since_us() - self._due_in_us)
        now_us = clock.begin_round()
        self._scratch.mark(MARK_ROUND)
        self._due_in_us = self.firmware.poll(now_us) - now_us
        self._flags = self._drive.status()[0]
        spent_us = self._looked_in_us = clock.since_us()
        self._health.took(spent_us)
        self._tidy(now_us)
        return late_us + spent_us

    def _tidy(self, now_us):
        """Collect garbage at rest if there is enough of it, or too little memory left."""
        firmware = self.firmware
        if now_us - self._collected_us < COLLECT_US or firmware.sprocket.moving:
            return
        self._collected_us = now_us
        self._scratch.mark(MARK_GARBAGE)
        memory = self._gc
        if firmware.request.is_open or firmware.reader.open_since_us is not None:
            if memory.mem_free() < LOW_BYTES:
                self._collect()
        elif memory.mem_alloc() - self._live_bytes > COLLECT_BYTES:
            self._collect()

    def _collect(self):
        self._gc.collect()
        self._live_bytes = self._gc.mem_alloc()


def _words(folder):
    """Return the moves planned ahead; none, if there are none."""
    try:
        with open(folder + WORDS, "rb") as file:
            return file.read()
    except OSError:
        return b""
