"""The drive port on the step engine: starts, shortens and stops moves, and counts their pulses.

Theory of operation
-------------------
`programs` turns words into pulses, `feed` brings it the words, and the count machine says how many
pulses there really were.  A move runs until the count has reached what was ordered: neither the
DMA's nor this file's opinion enters `status`.

A move can end early in three ways:

- `amend` shortens its cruise.  At most ten words are with the engine by then, of six steps each at
  cruise, and the tail follows: the stopping distance is 60 steps and the tail.
- `halt` stops the engine within a tick (0.2 us).  The pin stays as it is for as long as a pulse
  takes, so that a pulse that is cut is longer than others and never shorter; then it is put low.
  The count is exact, and what is left in the queue is dropped before the next start.
- `cut` does the least that stops a motor, from a hard interrupt: engine off, ENABLE off, flags.
  `poll` does the rest.  The interrupt may come between any two instructions of any method here;
  each that could set the motor going looks at the flag again behind the instruction that does.

DIR is set before anything else of a move, and the first word goes out DIRECTION_US later at the
soonest.  As a rule so much time has passed by then; the clock is read until it has, never slept.
"""

from controller.board.ports import CUT, RUNNING, STALLED
from controller.board.rp2.feed import Feed

# Set-up of DIR before STEP: 20 ns to 650 ns for bare driver chips, up to 5 us for drives with
# opto-couplers (common practice, no source). Twice that.
DIRECTION_US = 10
PULSE_US = 2  # PULSE_TICKS of `controller.motion.words`
# A reading of the clock takes the better part of a microsecond; this bounds a wait if it stands.
READINGS = 64

# Instructions put to the count machine from outside (data sheet, chapter PIO, "Instruction Set").
_FULL_X = 0xA02B  # mov x, ~null: no pulses yet
_COUNT_TO_ISR = 0xA0C9  # mov isr, ~x
_PUSH = 0x8000  # push noblock


class PioDrive:
    """`controller.board.ports.Drive` on `parts`, which look like `programs.StepParts`."""

    def __init__(self, parts, clock):
        """Be at rest, released, and counting. `clock`: the board's, for waits of microseconds."""
        self._parts = parts
        self._clock = clock
        self._step = parts.step_sm
        self._count = parts.count_sm
        self._direction = parts.direction
        self._enable = parts.enable
        self._guard = parts.guard
        self._stall = parts.stall
        self._stall_level = parts.stall_level
        self._enable.value(0)
        self._feed = Feed(parts.dma_data, parts.dma_control, parts.step_sm, parts.dreq)
        self._running = False
        self._stalled = False
        self._cut = False
        self._unsettled = False  # cut, and the pin perhaps still high
        self._stale = False  # the queue may hold words of a move that was stopped
        self._ordered = 0  # steps of the move as it stands
        self._cruise = 0  # of them at cruise
        self._issued = 0
        self._count.exec(_FULL_X)
        self._count.active(1)
        if self._stall is not None:
            edge = self._stall.IRQ_RISING if self._stall_level else self._stall.IRQ_FALLING
            self._stall.irq(handler=self._on_stall, trigger=edge, hard=True)

    def start(self, move):
        """Begin `move` now. With the drive cut nothing moves, and CUT says so."""
        self._direction.value(1 if move.direction > 0 else 0)
        turned_us = self._clock.now_us()
        self._settle()
        if self._stale:
            self._parts.reset_step()
            self._stale = False
        self._stalled = False
        self._issued = 0
        self._count.exec(_FULL_X)
        self._ordered = move.steps
        self._cruise = move.cruise_steps
        self._wait(turned_us, DIRECTION_US)
        self._running = True
        self._step.active(1)
        if self._cut:  # perhaps only now, between the last two instructions
            self.cut()
            return
        self._feed.begin(move)

    def amend(self, cruise_steps):
        """Set the cruise of the move under way to fewer steps; False if it is too late for that."""
        if not self._running or cruise_steps > self._cruise:
            return False
        if cruise_steps < self._cruise and not self._feed.amend(cruise_steps):
            return False
        self._ordered -= self._cruise - cruise_steps
        self._cruise = cruise_steps
        return True

    def halt(self):
        """No further pulse from this instant; the count stays exact."""
        self._step.active(0)
        self._running = False
        self._stale = True
        self._unsettled = True
        self._settle()

    def cut(self):
        """Stop and release at once; for hard interrupts. CUT stays until the guard is shut and
        `enable` is called with True."""
        self._step.active(0)
        self._enable.value(0)
        self._cut = True
        self._running = False
        self._stale = True
        self._unsettled = True

    def enable(self, on):
        """Energise (True) or release (False) the motor. With the guard open it stays released."""
        if not on:
            if self._running:
                self.halt()
            self._enable.value(0)
            return
        self._cut = False
        if self._guard.value():
            self._enable.value(1)
        if self._cut or not self._guard.value():
            self.cut()

    def status(self):
        """Return (flags, issued), as the port has it."""
        count = self._count
        count.exec(_COUNT_TO_ISR)
        count.exec(_PUSH)
        if count.rx_fifo():
            self._issued = count.get()
        if self._issued >= self._ordered:
            self._running = False
        flags = RUNNING if self._running else 0
        if self._stalled:
            flags |= STALLED
        if self._cut:
            flags |= CUT
        return (flags, self._issued)

    def poll(self):
        """Do what interrupts have left over; once in each round of the main loop."""
        self._settle()
        # A stall output that is up from before the move gives no edge; one pulse in, it should be
        # down again.
        looked_at = self._stall is not None and self._running and self._issued
        if looked_at and self._stall.value() == self._stall_level:
            self._stalled = True

    def _on_stall(self, _pin):
        if self._running:
            self._stalled = True

    def _settle(self):
        """Stop the feed and put the pin low, at least a pulse after the engine was stopped."""
        if not self._unsettled:
            return
        self._unsettled = False
        stopped_us = self._clock.now_us()
        self._feed.stop()
        self._wait(stopped_us, PULSE_US)
        self._step.restart()

    def _wait(self, since_us, us):
        """Read the clock until more than so many us, at most ten, have passed since then."""
        for _ in range(READINGS):
            if self._clock.now_us() - since_us > us:
                return
