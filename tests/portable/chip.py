"""A chip for tests: time, pins and interrupts. Its other units are in `chipunits`.

Theory of operation
-------------------
Everything hangs on one `Chip`, which owns the time.  Each call of the fakes takes a microsecond of
it, and before it returns, whatever a test has put on the agenda for that instant happens: a pin
changes, and its interrupt runs there and then, in the middle of whatever made the call.  Interrupts
do not nest, as on the chip, where all pins share one; while `interrupts_off` is set they wait, and
edges of one pin then melt into one call.

Shapes and rules are those of the documentation and the rp2 port of MicroPython 1.28: `Pin.irq` with
hard interrupts, `Signal`.
"""

TICKS_PERIOD = 1 << 30  # of `time.ticks_us` on a 32-bit chip
CALL_US = 1
FRAM_BYTES = 32768
SDA, SCL = 6, 7  # of the FRAM's bus


class Reset(BaseException):
    """The chip resets. No `except Exception` may stop that."""


class Chip:
    """Time, pins and interrupts; what outlives a reset is handed from one chip to the next."""

    def __init__(self, now_us=0, before=None):
        """`before`: the chip before the reset, whose scratch words and FRAM are taken over."""
        self.now_us = now_us
        self.call_us = CALL_US
        self.pins = {}
        self.interrupts_off = False
        self.dead = False  # the power is gone: nothing has any effect
        self.in_interrupt = False
        self.memory = before.memory if before else {}
        self.fram = before.fram if before else bytearray(b"\xff" * FRAM_BYTES)
        self.fram_answers = True
        self.fram_holds = before.fram_holds if before else 0  # clocks until it lets go of SDA
        self.resets = 0  # by whatever cause
        self.bites_us = None  # when the watchdog resets the chip
        self.events = []  # (time_us, act), in order
        self.timers = []
        self.uarts = {}
        self.before_idle = None  # called in every machine.idle()
        self._pending = []

    # ---- time -----------------------------------------------------------------------------------

    def at(self, time_us, act):
        """Have `act()` called at a time that has not yet come."""
        place = len(self.events)
        while place and self.events[place - 1][0] > time_us:
            place -= 1
        self.events.insert(place, (time_us, act))

    def spend(self, span_us):
        """Let time pass, and happen what is due; time stands still within an interrupt."""
        if self.in_interrupt:
            return
        until_us = self.now_us + span_us
        self.go_to(until_us)

    def go_to(self, until_us):
        while self.events and self.events[0][0] <= until_us:
            at_us, act = self.events.pop(0)
            self.advance(max(at_us, self.now_us))
            act()
        self.advance(until_us)

    def advance(self, until_us):
        """Move the clock; a world with more in it does more here."""
        for timer in list(self.timers):
            while timer.due_us is not None and timer.due_us <= until_us:
                self.now_us = max(self.now_us, timer.due_us)
                timer.due_us += timer.period_us
                self.interrupt(timer.callback, timer)
        self.now_us = max(self.now_us, until_us)
        if self.bites_us is not None and self.now_us >= self.bites_us:
            self.bites_us = None
            raise Reset()

    def output_changed(self, gpio, level):
        """An output was switched; a world with more in it sees more here."""

    def clocked(self):
        """The clock wire of the FRAM's bus has gone up."""
        if self.fram_holds:
            self.fram_holds -= 1
            if not self.fram_holds:
                self.drive(SDA, 1)

    # ---- pins -----------------------------------------------------------------------------------

    def drive(self, gpio, level):
        """The world puts a level on an input."""
        pin = self.pins.setdefault(gpio, PinState(gpio))
        if pin.level == level:
            return
        pin.level = level
        if pin.handler is not None and pin.trigger & (RISING if level else FALLING):
            self.interrupt(pin.handler, pin.owner)

    def interrupt(self, handler, owner):
        """Run a handler as the chip does: not nested, and once for all that waited."""
        if self.dead:
            return
        if self.interrupts_off or self.in_interrupt:
            if (handler, owner) not in self._pending:
                self._pending.append((handler, owner))
            return
        self.in_interrupt = True
        try:
            handler(owner)
        finally:
            self.in_interrupt = False
        if self._pending:
            self.interrupt(*self._pending.pop(0))

    def allow_interrupts(self, on):
        self.interrupts_off = not on
        if on and self._pending:
            self.interrupt(*self._pending.pop(0))


RISING, FALLING = 8, 4


class PinState:
    def __init__(self, gpio):
        self.gpio = gpio
        self.level = 0
        self.mode = None
        self.pull = None
        self.handler = None
        self.trigger = 0
        self.owner = None
        self.log = []  # (time_us, level) of an output


class Pin:
    """One pin. `machine.Pin` is a `PinMaker` of the chip."""

    IN, OUT, OPEN_DRAIN = 0, 1, 2
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_RISING, IRQ_FALLING = RISING, FALLING

    def __init__(self, chip, gpio):
        self._chip = chip
        self.state = chip.pins.setdefault(gpio, PinState(gpio))
        self.state.owner = self

    def value(self, level=None):
        self._chip.spend(self._chip.call_us)
        if level is None:
            return self.state.level
        if not self._chip.dead and self.state.level != level:
            self.state.level = level
            self.state.log.append((self._chip.now_us, level))
            self._chip_changed()
        return None

    def init(self, mode=-1, pull=-1, value=None):
        self.state.mode = mode
        self.state.pull = pull
        if value is not None:
            self.value(value)

    def irq(self, handler=None, trigger=RISING | FALLING, hard=False):
        assert hard, "a soft interrupt waits for the main loop"
        self.state.handler = handler
        self.state.trigger = trigger
        return self

    def _chip_changed(self):
        gpio, level = self.state.gpio, self.state.level
        if gpio == SCL and level:
            self._chip.clocked()
        self._chip.output_changed(gpio, level)


class PinMaker:
    IN, OUT, OPEN_DRAIN = Pin.IN, Pin.OUT, Pin.OPEN_DRAIN
    PULL_UP, PULL_DOWN = Pin.PULL_UP, Pin.PULL_DOWN
    IRQ_RISING, IRQ_FALLING = RISING, FALLING

    def __init__(self, chip):
        self._chip = chip

    def __call__(self, gpio, mode=-1, pull=-1, value=None):
        pin = Pin(self._chip, gpio)
        pin.state.mode = mode
        pin.state.pull = pull
        if value is not None and not self._chip.dead:
            pin.value(value)
        if pull == Pin.PULL_UP and (gpio == SCL or (gpio == SDA and not self._chip.fram_holds)):
            pin.state.level = 1
        return pin


class Signal:
    """As `machine.Signal`."""

    def __init__(self, pin, invert=False):
        self._pin = pin
        self._invert = 1 if invert else 0

    def value(self, on=None):
        if on is None:
            return self._pin.value() ^ self._invert
        return self._pin.value(on ^ self._invert)
