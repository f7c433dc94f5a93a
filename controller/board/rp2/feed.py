"""The feed: DMA carries the words of one move to the queue of the step engine.

Theory of operation
-------------------
The processor can't feed the engine: collecting garbage alone takes longer than the queue lasts.  So
a move is described to the DMA once, and needs the processor no more:

    data channel      head words -> six-step cruise word, over and over -> rest word -> tail words
    control channel   before each of these blocks writes the data channel's four registers anew

The blocks lie in memory, four words each (control, read address, write address, count), laid out as
the registers are from their alias 1, where the last one written starts the channel.  The data
channel chains to the control channel at the end of a block, except of the last one.  This is the
"control blocks" use of the data sheets (RP2040 2.5.6.2, RP2350 12.6.9.2).

Why not a channel for each block, chained one after the other: the data sheets allow a request line
one channel only ("multiple channels must not be connected to the same DREQ").

Six steps a word at cruise, because a word that is in the queue can't be taken back: ten of them are
on their way at worst.  `amend` shortens the cruise of a move under way:

1. Freeze.  The control channel is disabled while it is idle, so nobody starts the data channel
   again; then the data channel is disabled, and its chain cut.  Its transfers under way take some
   ten cycles, less than the next instruction of the interpreter.  From here on the queue runs the
   engine alone: eight words, and this takes a fraction of a millisecond.
2. Look.  The control channel's read address says which block the data channel is in, the data
   channel's count how many words of it are left.
3. In the head: lay out the blocks behind it anew, and let go.  In the cruise, if no more has been
   handed over than may still be steps of it: abort the data channel (its count can't be changed),
   lay out what remains and start that.  Else it is too late, and all goes on as if nothing was.

An abort comes to a channel that is disabled, unchained and has nothing under way, as the data sheet
of the RP2350 wants it (12.6.8.3, erratum RP2350-E5); it raises no interrupt, as none is asked for
(erratum RP2040-E13).

Nothing from freezing to letting go leaves garbage, and collecting it is switched off meanwhile,
because MicroPython may take memory for the frame of a call.
"""

import gc
from array import array

from controller.motion.words import pack

CRUISE_WORD_STEPS = 6  # see IN_FLIGHT_STEPS in `controller.motion.words`
HEAD, CRUISE, REST, TAIL = range(4)
BLOCKS = 4  # at most one of each kind
BLOCK_WORDS = 4  # control, read address, write address, count
BLOCK_BYTES = 16
_RING_16_BYTES = 4  # ring_size of the control channel: addresses go round every 2^4 bytes
_ALIAS_1 = 4  # index of the data channel's registers in the order of a block
# The control channel writes a block in a fraction of a microsecond: whoever meets it at that finds
# it done at the second look.
FREEZE_LOOKS = 4


class Feed:
    """Feeds one move at a time to the queue of `sm`, a state machine that asks under `dreq`."""

    def __init__(self, data, control, sm, dreq):
        """`data`, `control`: `rp2.DMA` channels of our own."""
        self._data = data
        self._control = control
        me, other = data.channel, control.channel
        self._stream = data.pack_ctrl(inc_write=False, treq_sel=dreq, chain_to=other)
        self._stream_last = data.pack_ctrl(inc_write=False, treq_sel=dreq, chain_to=me)
        self._repeat = data.pack_ctrl(
            inc_read=False, inc_write=False, treq_sel=dreq, chain_to=other
        )
        self._repeat_last = data.pack_ctrl(
            inc_read=False, inc_write=False, treq_sel=dreq, chain_to=me
        )
        self._frozen = data.pack_ctrl(enable=False, inc_write=False, treq_sel=dreq, chain_to=me)
        self._cleared = data.pack_ctrl(enable=False, read_err=True, write_err=True)
        self._writing = control.pack_ctrl(ring_size=_RING_16_BYTES, ring_sel=True)
        self._idle = control.pack_ctrl(enable=False)
        self._registers = data.registers[_ALIAS_1 : _ALIAS_1 + BLOCK_WORDS]
        self._blocks = array("I", [0] * (BLOCKS * BLOCK_WORDS))
        self._kinds = bytearray(BLOCKS)
        self._end = 0  # blocks laid out
        self._cruise = array("I", [0] * CRUISE_WORD_STEPS)  # words of 1 to 6 steps at cruise
        # A register takes whatever lies in memory and tells its address.
        control.read = self._blocks
        self._blocks_at = control.read
        data.read = self._cruise
        self._cruise_at = data.read
        data.write = sm
        for slot in range(BLOCKS):
            self._blocks[slot * BLOCK_WORDS + 2] = data.write
        self._tail_at = 0
        self._tail_words = 0
        self._handed_steps = 0  # of the cruise, before the block that is under way
        self._cruise_words = 0  # in the cruise block that is under way or to come

    def begin(self, move):
        """Start to feed `move`, which must stay as it is; nothing else may be under way."""
        self._data.ctrl = self._cleared  # of a bus error, which has ended the move before
        for steps in range(1, CRUISE_WORD_STEPS + 1):
            self._cruise[steps - 1] = pack(steps, move.cruise_ticks)
        self._data.read = move.tail
        self._tail_at = self._data.read
        self._tail_words = len(move.tail)
        self._handed_steps = 0
        self._end = 0
        if len(move.head):
            self._data.read = move.head
            self._lay(HEAD, self._stream, self._data.read, len(move.head))
        self._lay_rest(move.cruise_steps)
        if self._end:
            self._control.config(
                read=self._blocks,
                write=self._registers,
                count=BLOCK_WORDS,
                ctrl=self._writing,
                trigger=True,
            )

    def amend(self, cruise_steps):
        """Shorten the cruise to `cruise_steps` in all; False if too late, and nothing changes."""
        collecting = gc.isenabled()
        gc.disable()
        try:
            return self._amend(cruise_steps)
        finally:
            if collecting:
                gc.enable()

    def stop(self):
        """Hand over nothing more; what is in the queue stays there."""
        self._freeze()
        self._data.active(0)
        self._control.active(0)

    def _amend(self, cruise_steps):
        if not self._freeze():
            return False
        slot = (self._control.read - self._blocks_at) // BLOCK_BYTES - 1
        left = self._data.count if self._data.active() else 0
        kind = self._kinds[slot]
        if kind == HEAD:
            self._end = slot + 1
            self._lay_rest(cruise_steps)
            self._go_on(slot, left)
            return True
        handed = self._handed_steps + self._cruise_words * CRUISE_WORD_STEPS
        if kind == CRUISE:
            handed -= left * CRUISE_WORD_STEPS
        if handed > cruise_steps or kind == TAIL or (kind == REST and not left):
            self._go_on(slot, left)
            return False
        self._data.active(0)
        self._handed_steps = handed
        self._end = 0
        self._lay_rest(cruise_steps - handed)
        self._control.read = self._blocks
        self._control.ctrl = self._writing
        if self._end:
            self._control.active(1)
        return True

    def _freeze(self):
        """Stop both channels where they are; False if the control channel can't be caught idle."""
        for _ in range(FREEZE_LOOKS):
            self._control.ctrl = self._idle
            if not self._control.active():
                self._data.ctrl = self._frozen
                return True
            self._control.ctrl = self._writing
        return False

    def _go_on(self, slot, left):
        """Let go what was frozen in block `slot` with `left` words of it not yet handed over."""
        self._control.ctrl = self._writing
        if left:
            self._data.ctrl = self._blocks[slot * BLOCK_WORDS]
        elif slot + 1 < self._end:
            self._control.active(1)  # the block was over, and its chain met a frozen channel

    def _lay_rest(self, cruise_steps):
        """Lay out cruise and tail behind what is laid out already; nothing chains to nothing."""
        words = cruise_steps // CRUISE_WORD_STEPS
        rest = cruise_steps % CRUISE_WORD_STEPS
        self._cruise_words = words
        if words:
            at = self._cruise_at + 4 * (CRUISE_WORD_STEPS - 1)
            self._lay(CRUISE, self._repeat, at, words)
        if rest:
            self._lay(REST, self._stream, self._cruise_at + 4 * (rest - 1), 1)
        if self._tail_words:
            self._lay(TAIL, self._stream, self._tail_at, self._tail_words)
        if self._end:
            last = self._end - 1
            repeated = self._kinds[last] == CRUISE
            self._blocks[last * BLOCK_WORDS] = self._repeat_last if repeated else self._stream_last

    def _lay(self, kind, control, at, words):
        """Append a block: `words` words from the address `at`."""
        start = self._end * BLOCK_WORDS
        self._blocks[start] = control
        self._blocks[start + 1] = at
        self._blocks[start + 3] = words
        self._kinds[self._end] = kind
        self._end += 1
