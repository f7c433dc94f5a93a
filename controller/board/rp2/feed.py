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

1. Lay out what will follow, in the other one of two lists of blocks.  Only how many cruise words
   are left to send is not known yet.
2. Freeze.  The control channel is disabled while it is idle, so nobody starts the data channel
   again; then the data channel is disabled, and its chain cut.  Its transfers under way take some
   ten cycles, less than the next instruction of the interpreter.  From here on the queue alone runs
   the engine: eight words last for a millisecond.
3. Look.  The control channel's read address says which block the data channel is in, the data
   channel's count how many words of it are left.
4. In the head: have the control channel go on with the new list, and let go.  In the cruise, if no
   more has been handed over than may still be steps of it: abort the data channel (its count can't
   be changed) and start the new list.  Else it is too late, and all goes on as if nothing was.

An abort comes to a channel that is disabled, unchained and has nothing under way, as the data sheet
of the RP2350 wants it (12.6.8.3, erratum RP2350-E5); it raises no interrupt, as none is asked for
(erratum RP2040-E13).

While DMA is frozen nothing takes memory, so no garbage is collected then: no method in Python is
called, because MicroPython may take memory for its frame, and no number is beyond 30 bits.
"""

from array import array

from controller.motion.words import pack

CRUISE_WORD_STEPS = 6  # see IN_FLIGHT_STEPS in `controller.motion.words`
HEAD, CRUISE, REST, TAIL = range(4)
SLOTS = 5  # of a list: one block of each kind, laid out towards its end; the first stays free
BLOCK_WORDS = 4  # control, read address, write address, count
BLOCK_BYTES = 16
_RING_16_BYTES = 4  # ring_size of the control channel: addresses go round every 2^4 bytes
_ALIAS_1 = 4  # index of the data channel's registers in the order of a block
# The control channel writes a block in a fraction of a microsecond: whoever meets it at that finds
# it done at the second look.
FREEZE_LOOKS = 4


class _List:
    """A list of blocks in memory."""

    def __init__(self, control, queue_at):
        self.blocks = array("I", [0] * (SLOTS * BLOCK_WORDS))
        self.kinds = bytearray(SLOTS)
        self.slot = 0  # of the first block laid out
        control.read = self.blocks  # a register takes whatever lies in memory, and
        self.at = control.read  # tells its address
        for slot in range(SLOTS):
            self.blocks[slot * BLOCK_WORDS + 2] = queue_at

    def put(self, kind, control, at, words):
        """Put a block before those laid out: `words` words from the address `at`."""
        self.slot -= 1
        start = self.slot * BLOCK_WORDS
        self.blocks[start] = control
        self.blocks[start + 1] = at
        self.blocks[start + 3] = words
        self.kinds[self.slot] = kind


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
        data.write = sm
        self._list = _List(control, data.write)  # the one that the control channel reads
        self._spare = _List(control, data.write)
        self._cruise = array("I", [0] * CRUISE_WORD_STEPS)  # words of 1 to 6 steps at cruise
        data.read = self._cruise
        self._cruise_at = data.read
        self._tail_at = 0
        self._tail_words = 0
        self._sent_words = 0  # of the cruise, in blocks before the one that is under way
        self._cruise_words = 0  # in the cruise block of the list

    def begin(self, move):
        """Start to feed `move`, which must stay as it is; nothing else may be under way."""
        data = self._data
        data.ctrl = self._cleared  # of a bus error, which has ended the move before
        for steps in range(1, CRUISE_WORD_STEPS + 1):
            self._cruise[steps - 1] = pack(steps, move.cruise_ticks)
        data.read = move.tail
        self._tail_at = data.read
        self._tail_words = len(move.tail)
        self._sent_words = 0
        self._cruise_words = move.cruise_steps // CRUISE_WORD_STEPS
        to_come = self._list
        self._lay(to_come, move.cruise_steps)
        if not self._cruise_words:
            to_come.slot += 1
        if len(move.head):
            data.read = move.head
            last = to_come.slot == SLOTS
            control = self._stream_last if last else self._stream
            to_come.put(HEAD, control, data.read, len(move.head))
        self._control.config(
            read=to_come.at + to_come.slot * BLOCK_BYTES,
            write=self._registers,
            count=BLOCK_WORDS,
            ctrl=self._writing,
            trigger=True,
        )

    def amend(self, cruise_steps):
        """Shorten the cruise to `cruise_steps` in all; False if too late, and nothing changes."""
        data, control = self._data, self._control
        now, to_come = self._list, self._spare
        self._lay(to_come, cruise_steps)
        words = cruise_steps // CRUISE_WORD_STEPS
        if not self._freeze():
            return False
        slot = (control.read - now.at) // BLOCK_BYTES - 1
        left = data.count if data.active() else 0
        kind = now.kinds[slot]
        sent = self._sent_words
        if kind != HEAD:
            sent += self._cruise_words
        if kind == CRUISE:
            sent -= left
        words -= sent
        if words < 0 or kind == TAIL or (kind == REST and not left):
            control.ctrl = self._writing
            if left:
                data.ctrl = now.blocks[slot * BLOCK_WORDS]
            elif slot + 1 < SLOTS:
                control.active(1)  # the block was over, and its chain met a frozen channel
            return False
        first = to_come.slot
        to_come.blocks[first * BLOCK_WORDS + 3] = words
        if not words:
            first += 1
        if kind != HEAD:
            data.active(0)
            left = 0
        to_come.kinds[first - 1] = HEAD  # what is under way until the first block is
        to_come.blocks[(first - 1) * BLOCK_WORDS] = self._stream
        if first == SLOTS:
            to_come.blocks[(first - 1) * BLOCK_WORDS] = self._stream_last
        control.read = to_come.at + first * BLOCK_BYTES
        control.ctrl = self._writing
        if left:
            data.ctrl = to_come.blocks[(first - 1) * BLOCK_WORDS]
        elif first < SLOTS:
            control.active(1)
        self._list, self._spare = to_come, now
        self._sent_words = sent
        self._cruise_words = words
        return True

    def stop(self):
        """Hand over nothing more; what is in the queue stays there."""
        self._freeze()
        self._data.active(0)
        self._control.active(0)

    def _freeze(self):
        """Stop both channels where they are; False if the control channel can't be caught idle."""
        for _ in range(FREEZE_LOOKS):
            self._control.ctrl = self._idle
            if not self._control.active():
                self._data.ctrl = self._frozen
                return True
            self._control.ctrl = self._writing
        return False

    def _lay(self, blocks, cruise_steps):
        """Lay out cruise and tail; the cruise block comes first, with or without words in it."""
        words = cruise_steps // CRUISE_WORD_STEPS
        rest = cruise_steps % CRUISE_WORD_STEPS
        blocks.slot = SLOTS
        if self._tail_words:
            blocks.put(TAIL, self._stream_last, self._tail_at, self._tail_words)
        if rest:
            control = self._stream_last if blocks.slot == SLOTS else self._stream
            blocks.put(REST, control, self._cruise_at + 4 * (rest - 1), 1)
        control = self._repeat_last if blocks.slot == SLOTS else self._repeat
        blocks.put(CRUISE, control, self._cruise_at + 4 * (CRUISE_WORD_STEPS - 1), words)
