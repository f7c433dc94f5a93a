"""The two PIO programs of the step engine, and the parts of the chip that run them.

Theory of operation
-------------------
`step` takes the words of `controller.motion.words`.  Autopull hands it a word, it keeps n - 1 in X
and interval - 14 in the ISR, and then goes round once a step:

    wait    Y + 1 ticks, Y = interval - 14, counted down with the pin low
    pulse   10 ticks with the pin high: the jump that counts the steps, and its delay
    then    2 ticks to fetch the next word, or 2 ticks that cost the same without one
    again   1 tick to load Y

which is Y + 14, within a word and from word to word: no jitter, whatever the words are.  Where the
queue is dry the program stalls in the first `out` with the pin low, and goes on as if the word had
been there all along: starving makes steps late by as much, never early and never lost.  From rest
the first pulse rises 9 ticks before its interval is over, because there is no pulse before it.

`count` runs on a state machine of its own at the speed of the chip and watches the pin itself.  X
starts at 2^32 - 1 and loses one a pulse, so the pulses really issued are ~X.  It is never stopped.

`StepParts` claims both state machines and two DMA channels.  All are at rest when it returns.  PIO
block 0 belongs to the engine alone: switching a state machine on or off rewrites a register that
all four of a block share, which an interrupt may do in the middle of.

The names in the programs (`out`, `x`, `label` ...) are put there by `rp2.asm_pio` while it reads
them, and no longer; that is why this file, alone of all, lets ruff and mypy pass unknown names.
Nothing else of the module is to be seen from a program, so delays are numbers, which a test holds
to `words`.
"""
# ruff: noqa: F821
# mypy: disable-error-code="name-defined"

from controller.motion.words import TICK_HZ

STEP_MACHINE = 0  # state machines 0 to 3 are those of PIO block 0
COUNT_MACHINE = 1
# Words to the queue of the step machine are asked for under this number: block * 8 + machine
# (table "DREQs" in the data sheets of RP2040 and RP2350).
STEP_DREQ = STEP_MACHINE


def assemble(rp2):
    """Return (step, count): the programs as `rp2.StateMachine` takes them."""
    pio = rp2.PIO

    @rp2.asm_pio(
        sideset_init=pio.OUT_LOW,
        out_shiftdir=pio.SHIFT_RIGHT,
        autopull=True,
        pull_thresh=32,
        fifo_join=pio.JOIN_TX,
    )
    def step():
        wrap_target()
        out(x, 12).side(0)  # n - 1; stalls here, pin low, when there is no word
        out(isr, 20).side(0)  # interval - 14
        label("load")
        mov(y, isr).side(0)
        label("hold")
        jmp(y_dec, "hold").side(0)
        jmp(x_dec, "again").side(1)[9]  # the pulse: 10 ticks
        wrap()
        label("again")
        jmp("load").side(0)[1]  # as long as the two `out`

    @rp2.asm_pio()
    def count():
        wrap_target()
        label("top")
        wait(0, pin, 0)
        wait(1, pin, 0)
        jmp(x_dec, "top")  # goes on at the top either way
        wrap()

    return step, count


class StepParts:
    """What `steps.PioDrive` drives: state machines, DMA channels, and the signals around them."""

    def __init__(self, rp2, clock_hz, step, direction, enable, guard, stall, stall_level):
        """Claim the parts and set them up, at rest and with an empty queue.

        `step`: the STEP pin.  `direction` (1 forward), `enable` (1 energised), `guard` (1 shut):
        objects with `value`, such as `machine.Signal`.  `stall`: the pin of the stepper driver's
        stall output, or None where it has none; `stall_level`: the level that means a stall.
        Raises ValueError where the chip's clock is no multiple of the tick.
        """
        if clock_hz % TICK_HZ:
            raise ValueError(f"a clock of {clock_hz} Hz is not a multiple of {TICK_HZ} Hz")
        self.direction = direction
        self.enable = enable
        self.guard = guard
        self.stall = stall
        self.stall_level = stall_level
        self.dreq = STEP_DREQ
        self._pin = step
        self._step, count = assemble(rp2)
        self.step_sm = rp2.StateMachine(STEP_MACHINE)
        self.reset_step()
        self.count_sm = rp2.StateMachine(COUNT_MACHINE, count, in_base=step)
        self.dma_data = rp2.DMA()
        self.dma_control = rp2.DMA()

    def reset_step(self):
        """Stop the step machine, drop every word in its queue, and put it at its beginning."""
        self.step_sm.init(self._step, TICK_HZ, sideset_base=self._pin)
