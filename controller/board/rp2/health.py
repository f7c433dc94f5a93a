"""The board's health: how long rounds take, why it has started, and what it leaves behind.

Theory of operation
-------------------
The watchdog is fed by rounds that were in time, and by nothing else.  When the main loop hangs,
when it never comes to a round, or when every round is late, the chip resets, and starts at rest.

What a reset finds out about the time before it comes from two places.  An exception is written to a
file, which also outlives the power.  A hang can write nothing, so in every round the loop leaves a
mark of what it is doing in a scratch register of the watchdog, which a reset leaves alone.  Flash
is no place for that: it would wear out in a day.

A fault that comes again at every start would reset the board for ever, and keep everybody out.  A
second register counts such starts; after FAULTS_MAX of them in a row the board stays at rest and
only tells why.  A minute of running, or the power switch, ends the row.
"""

import os

from controller.board.ports import COMMANDED, EXCEPTION, HUNG, POWER_UP

# A pocket takes 100 ms at the highest rate of the shipped modules.  The record of what is out
# allows for one pocket unseen, so a round that took half of that was still in time.
ROUND_LIMIT_US = 50000
# Longer than any write of a store (half a second), and quick enough for a person at the bench.
WATCHDOG_MS = 2000
HEALTHY_US = 1000000  # a round that is later than this all in all does not feed the watchdog
FAULTS_MAX = 3
PROVEN_US = 60000000  # a start that has run for so long is none of a row of faults

# Marks: what the main loop is doing.
MARK_NONE = 0
MARK_START = 1
MARK_ROUND = 2
MARK_DRIVE = 3
MARK_LINES = 4
MARK_GARBAGE = 5
MARKS = ("", "starting", "in a round", "at the drive", "at the lines", "collecting garbage")

# Scratch register 0 of the watchdog (data sheets: RP2040 4.7.6, RP2350 12.9.7).  The boot ROM uses
# the higher ones.
_SCRATCH = {"rp2040": 0x4005800C, "rp2350": 0x400D800C}
_PROMPT = 0x100
_TOLD = 0x200
_FAULTS = 0xFF
_MAGIC = 0x2D570000
_MAGIC_MASK = 0x7FFF0000

FRESH, KNOWN = "fault.new", "fault.txt"
FAULT_BYTES = 400


def chip_of(sys):
    """Return the name, as in `pincheck.CHIPS`, of the chip that this interpreter runs on."""
    return "rp2350" if "RP2350" in sys.implementation._machine else "rp2040"


class Scratch:
    """Two words that outlive a reset, though not the power."""

    def __init__(self, machine, chip):
        self._memory = machine.mem32
        self._mark = _SCRATCH[chip]
        self._state = _SCRATCH[chip] + 4
        self.marked = self._memory[self._mark]  # as the time before has left it
        state = self._memory[self._state]
        self._bits = state & ~_MAGIC_MASK if state & _MAGIC_MASK == _MAGIC else 0
        self.prompt = self._bits & _PROMPT != 0
        self.told = self._bits & _TOLD != 0
        self.faults = self._bits & _FAULTS
        self.mark(MARK_NONE)
        self.keep(self.faults)

    def mark(self, doing):
        """Leave a mark."""
        self._memory[self._mark] = doing

    def keep(self, faults, told=False, prompt=False):
        """Leave word for the next start."""
        bits = min(faults, _FAULTS) | (_TOLD if told else 0) | (_PROMPT if prompt else 0)
        self._memory[self._state] = _MAGIC | bits


class Health:
    """`controller.board.ports.Board`: what the board knows of itself."""

    hung_us = WATCHDOG_MS * 1000

    def __init__(self, serial, code, fault):
        """`code`: why it has started; `fault`: text of the last one, "" if there is none."""
        self.serial = serial
        self.leaving = None  # once told to start anew: True for the prompt
        self._code = code
        self._fault = fault
        self._worst_us = 0
        self._overruns = 0

    def rounds(self):
        return (self._worst_us, self._overruns)

    def started(self):
        return (self._code, self._fault)

    def restart(self, into_prompt):
        self.leaving = into_prompt
        return True

    def took(self, spent_us):
        """Take note of one round."""
        self._worst_us = max(self._worst_us, spent_us)
        if spent_us > ROUND_LIMIT_US:
            self._overruns += 1


def look_back(machine, scratch, folder):
    """Return (code, text) for `Health`: why the board has started, and its last fault."""
    reset = machine.reset_cause() == machine.WDT_RESET
    if _exists(folder + FRESH):
        code = EXCEPTION
    elif not reset:
        code = POWER_UP
    elif scratch.told or not 0 < scratch.marked < len(MARKS):
        code = COMMANDED
    else:
        code = HUNG
        write_fault(folder, "the main loop hung " + MARKS[scratch.marked])
    if _exists(folder + FRESH):
        if _exists(folder + KNOWN):
            os.remove(folder + KNOWN)  # not every file system renames over a file
        os.rename(folder + FRESH, folder + KNOWN)
    return code, _read(folder + KNOWN)


def write_fault(folder, text, trace=""):
    """Put a fault down for the next start, with the end of its trace as far as there is room.

    Where the file system fails too, the reset is told as a hang, by its mark.
    """
    text = (text + " " + trace[-max(1, FAULT_BYTES - len(text) - 1) :])[:FAULT_BYTES].strip()
    try:
        with open(folder + FRESH, "w") as file:
            file.write("".join([c if " " <= c <= "~" and c != '"' else " " for c in text]))
    except OSError:
        return


def _exists(path):
    try:
        os.stat(path)
    except OSError:
        return False
    return True


def _read(path):
    try:
        with open(path) as file:
            return file.read(FAULT_BYTES)
    except OSError:
        return ""
