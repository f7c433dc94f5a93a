"""What the step engine's drive takes of the memory: nothing in interrupts and while DMA is frozen.

Under CPython only that it works is seen here.  The parts are as plain as can be; that the drive
moves something is shown on the chips of tests/controller/board/rp2.
"""

import gc
import sys

from controller.board.ports import CUT, RUNNING
from controller.board.rp2.steps import PioDrive
from controller.motion.profile import Planner

MICROPYTHON = sys.implementation.name == "micropython"
TUPLE_BYTES = 32  # of two, on 64 bits
RUN = Planner(8_000, 80_000, 1_600_000).move(4_000, 1)


class Channel:
    """A DMA channel that is told everything and does nothing."""

    def __init__(self, channel, known):
        self.channel = channel
        self.count = 0
        self.ctrl = 0
        self.registers = [0] * 16
        self.busy = False
        self._known = known
        self._read = 0

    @property
    def write(self):
        return 0

    @write.setter
    def write(self, thing):
        pass

    @property
    def read(self):
        return self._read

    @read.setter
    def read(self, thing):
        if isinstance(thing, int):
            self._read = thing
            return
        for at in range(len(self._known)):
            if self._known[at] is thing:
                break
        else:
            at = len(self._known)
            self._known.append(thing)
        self._read = at << 20

    def pack_ctrl(self, **_):
        return 1

    def config(self, read, **_):
        self.read = read

    def active(self, value=None):
        return self.busy


class Machine:
    def __init__(self):
        self.on = 0
        self.issued = 0

    def active(self, value):
        self.on = value

    def exec(self, word):
        pass

    def restart(self):
        pass

    def rx_fifo(self):
        return 1

    def get(self):
        return self.issued


class Wire:
    def __init__(self, level):
        self.level = level

    def value(self, level=None):
        if level is not None:
            self.level = level
        return self.level


class Parts:
    def __init__(self):
        known = []
        self.step_sm, self.count_sm = Machine(), Machine()
        self.dma_data, self.dma_control = Channel(0, known), Channel(1, known)
        self.direction, self.enable, self.guard = Wire(0), Wire(0), Wire(1)
        self.stall = None
        self.stall_level = 1
        self.dreq = 0
        self.begun_at = 0  # where the control channel has found the first block
        self.now = 0

    def now_us(self):
        self.now += 1
        return self.now

    def reset_step(self):
        pass


def running():
    parts = Parts()
    drive = PioDrive(parts, parts)
    drive.enable(True)
    drive.start(RUN)
    parts.begun_at = parts.dma_control.read
    parts.count_sm.issued = 1
    parts.dma_data.busy = True
    return drive, parts


def in_block(parts, number, left):
    """The control channel has set up that many blocks, and of the last so many words are left."""
    parts.dma_control.read = parts.begun_at + 16 * number
    parts.dma_data.count = left


def taken_by(action):
    """Bytes that an action leaves behind, with nothing collected."""
    if not MICROPYTHON:
        action()
        return 0
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    action()
    taken = gc.mem_alloc() - before
    gc.enable()
    return taken


def test_a_cut_takes_no_memory():
    drive, parts = running()
    cut = drive.cut
    if MICROPYTHON:
        import micropython  # noqa: PLC0415  there is none elsewhere

        micropython.heap_lock()
        try:
            cut()
        finally:
            micropython.heap_unlock()
    else:
        cut()
    assert parts.step_sm.on == 0 and parts.enable.level == 0
    assert drive.status() == (CUT, 1)


def test_shortening_a_move_leaves_no_garbage():
    cruise = RUN.cruise_steps
    for block, left, to in ((1, 3, 100), (2, cruise // 6 - 5, 90), (2, 0, 90)):
        drive, parts = running()
        in_block(parts, block, left)
        amended = [None]

        def amend(drive=drive, amended=amended, to=to):
            amended[0] = drive.amend(to)

        assert taken_by(amend) == 0
        assert amended[0] == (block == 1 or left > 0)


def test_a_round_takes_one_tuple():
    drive, _ = running()

    def rounds():
        for _ in range(100):
            drive.poll()
            drive.status()

    assert taken_by(rounds) <= 100 * TUPLE_BYTES
    assert drive.status() == (RUNNING, 1)
