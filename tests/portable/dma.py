"""State machines and DMA channels in front of a simulated drive.

Theory of operation
-------------------
`controller.board.rp2.feed` describes a move to two DMA channels as blocks in memory.  Here the
blocks are read as the data sheets have it (control, read address, write address, count; the control
channel hands them to the data channel one by one), put together into the words of one move, and
given to the plant, which makes the pulses.  The number of words handed over at any time follows
from the pulses: those before it, the one that runs, one unpacked and eight in the queue.

Only what the feed does is here; anything else it might do raises.
"""

from array import array

QUEUE_WORDS = 10  # running, unpacked, and eight in the queue
FULL_X, COUNT_TO_ISR, PUSH = 0xA02B, 0xA0C9, 0x8000
BLOCK_BYTES = 16
PAGE = 1 << 20  # between the addresses of two arrays


class Words:
    """A move as the words that reach the engine: what `Wheel` and the plant read of a move."""

    def __init__(self, direction, head, cruise_steps, cruise_ticks, tail):
        self.direction = direction
        self.head = head
        self.cruise_steps = cruise_steps
        self.cruise_ticks = cruise_ticks
        self.tail = tail
        self.steps = sum([steps for steps, _ in self.pairs()])

    def pairs(self):
        """Return (steps, ticks) of each word, the cruise as one."""
        pairs = [unpack(word) for word in self.head]
        if self.cruise_steps:
            pairs.append((self.cruise_steps, self.cruise_ticks))
        return pairs + [unpack(word) for word in self.tail]

    def amended(self, cruise_steps):
        return Words(self.direction, self.head, cruise_steps, self.cruise_ticks, self.tail)


def unpack(word):
    """Return (steps, ticks) of a word: 12 bits of steps less 1, 20 bits of ticks less 14."""
    return (word & 0xFFF) + 1, (word >> 12) + 14


class Rp2:
    """As the module `rp2`. `drive`: start(move), replace(move), halt(), issued(), direction."""

    class PIO:
        OUT_LOW, SHIFT_RIGHT, JOIN_TX = 0, 1, 2

    def __init__(self, drive):
        self._engine = Engine(drive)

    def asm_pio(self, **_):
        return lambda program: program.__name__

    def StateMachine(self, number, program="", **_):  # noqa: N802
        return CountMachine(self._engine) if program == "count" else StepMachine(self._engine)

    def DMA(self):  # noqa: N802
        return Channel(self._engine)


class Engine:
    """What the parts share."""

    def __init__(self, drive):
        self.drive = drive
        self.channels: list[Channel] = []
        self.arrays: list = []
        self.active = False
        self.zeroed = True  # nothing has been started since the count was put to nought
        self.blocks: list[tuple[list[int], bool]] = []  # words, and whether they are the cruise
        self.handed: list[int] = []  # words handed over before these blocks
        self.loaded_at = 0  # where these blocks lie
        self.cruise_page = None
        self.moved = False  # the control channel has been given a new place to read
        self.step = None

    def address(self, thing):
        if isinstance(thing, int):
            return thing
        for at, known in enumerate(self.arrays):
            if known is thing:
                return at * PAGE
        self.arrays.append(thing)
        return (len(self.arrays) - 1) * PAGE

    def words_at(self, address, count):
        start = address % PAGE // 4
        found = list(self.arrays[address // PAGE][start : start + count])
        assert len(found) == count, "beyond the end of an array"
        return found

    def is_end(self, address):
        """Tell whether an address lies behind the array it belongs to."""
        return address % PAGE // 4 >= len(self.arrays[address // PAGE])

    def load(self, address):
        """Read the chain of blocks from an address to the one that chains no further."""
        data, control = self.channels
        self.blocks = []
        self.loaded_at = address
        while not self.is_end(address):
            settings, read, write, count = self.words_at(address, 4)
            address += BLOCK_BYTES
            assert write == self.address(self.step), "words for nobody"
            fields = data.unpacked(settings)
            if fields.get("inc_read", True):
                words = self.words_at(read, count)
            else:
                words = self.words_at(read, 1) * count
            # The words of the cruise are the first thing that the data channel is told to read.
            self.blocks.append((words, read // PAGE == self.cruise_page))
            if fields["chain_to"] != control.channel:
                return
        raise AssertionError("the chain of blocks has no end")

    def move(self):
        """The blocks, and what was handed over before them, as one move."""
        head, tail = array("I", self.handed), array("I")
        cruise = ticks = 0
        for words, cruising in self.blocks:
            for word in words:
                if cruising:
                    steps, ticks = unpack(word)
                    cruise += steps
                elif cruise:
                    tail.append(word)
                else:
                    head.append(word)
        return Words(self.drive.direction, head, cruise, ticks or 14, tail)

    def sent(self):
        """The words that have been handed over by now."""
        words = list(self.handed)
        for block, _ in self.blocks:
            words += block
        left = self.drive.issued()
        done = 0
        for word in words:
            left -= unpack(word)[0]
            if left < 0:
                break
            done += 1
        return words[: done + QUEUE_WORDS]


class StepMachine:
    def __init__(self, engine):
        self._engine = engine
        engine.step = self

    def init(self, program, freq, sideset_base):
        assert freq == 5_000_000
        self._engine.active = False

    def active(self, on):
        self._engine.active = bool(on)
        if not on:
            self._engine.drive.halt()

    def restart(self):
        assert not self._engine.active

    def exec(self, instruction):
        assert not self._engine.active


class CountMachine:
    """Counts the pulses of one move, as the drive has issued them."""

    def __init__(self, engine):
        self._engine = engine
        self._queue: list[int] = []
        self._value = 0

    def active(self, on):
        assert on, "the count machine is never stopped"

    def exec(self, instruction):
        if instruction == FULL_X:
            self._engine.zeroed = True
        elif instruction == COUNT_TO_ISR:
            self._value = 0 if self._engine.zeroed else self._engine.drive.issued()
        else:
            assert instruction == PUSH
            self._queue.append(self._value)

    def rx_fifo(self):
        return len(self._queue)

    def get(self):
        return self._queue.pop(0)


class Channel:
    """One DMA channel; the first made is the data channel, the second the control channel."""

    def __init__(self, engine):
        self._engine = engine
        self.channel = len(engine.channels)
        engine.channels.append(self)
        self.registers = array("I", [0] * 16)
        self.count = 0
        self._write_at = 0
        self._settings: list = []
        self._ctrl = 0
        self._read_at = 0
        self._sent: list[int] | None = None  # while frozen: words handed over by then

    def pack_ctrl(self, **fields):
        self._settings.append(fields)
        return len(self._settings) - 1

    def unpacked(self, settings):
        return self._settings[settings]

    @property
    def read(self):
        return self._read_at

    @read.setter
    def read(self, thing):
        engine = self._engine
        self._read_at = engine.address(thing)
        if self.channel == 1:
            engine.moved = True
        elif engine.cruise_page is None:
            engine.cruise_page = self._read_at // PAGE

    @property
    def write(self):
        return self._write_at

    @write.setter
    def write(self, thing):
        self._write_at = self._engine.address(thing)

    @property
    def ctrl(self):
        return self._ctrl

    @ctrl.setter
    def ctrl(self, settings):
        self._ctrl = settings
        if self.channel == 0:
            if not self.unpacked(settings).get("enable", True):
                self._freeze()
            elif self._sent is not None:
                self._go_on()
        elif self._engine.moved and self._engine.is_end(self._read_at):
            self._engine.channels[0]._go_on()  # after an abort, and nothing is left to come

    def config(self, read, write, count, ctrl, trigger):
        assert self.channel == 1 and trigger and count == 4
        engine = self._engine
        self.read = read
        engine.handed = []
        engine.load(read)
        engine.moved = False
        engine.zeroed = False
        engine.channels[0]._sent = None
        if engine.active:
            engine.drive.start(engine.move())

    def active(self, on=None):
        """With 0: stop; with 1: have the control channel go on where it reads."""
        if on is None:
            return 1 if self.channel == 0 and self.count else 0
        if on:
            assert self.channel == 1
            self._engine.channels[0]._go_on()
        elif self.channel == 0 and self._sent is not None:
            self.count = 0  # aborted: what was handed over is all there is, until there is more
            self._engine.blocks = []
            self._engine.handed = self._sent
        return 0

    def _freeze(self):
        """Say which block the data channel is in and how much of it is left."""
        engine = self._engine
        control = engine.channels[1]
        self._sent = engine.sent()
        engine.moved = False
        beyond = len(self._sent) - len(engine.handed)
        for slot, (words, _) in enumerate(engine.blocks):
            if beyond <= len(words) or slot == len(engine.blocks) - 1:
                self.count = max(0, len(words) - beyond)
                control._read_at = engine.loaded_at + (slot + 1) * BLOCK_BYTES
                return
            beyond -= len(words)

    def _go_on(self):
        """Go on with the block under way, and with others behind it if they have been moved."""
        engine = self._engine
        if engine.moved:
            under_way = []
            for words, _ in engine.blocks:
                under_way += words
                if len(engine.handed) + len(under_way) >= len(self._sent) + self.count:
                    break
            engine.handed = engine.handed + under_way
            engine.moved = False
            engine.blocks = []
            if not engine.is_end(engine.channels[1]._read_at):
                engine.load(engine.channels[1]._read_at)
        self._sent = None
        engine.drive.replace(engine.move())
