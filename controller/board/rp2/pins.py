"""The pins: which signal is on which one, which way it goes, and what level means what.

Theory of operation
-------------------
`TABLE` is the only place that says so.  A row is

    (signal, GPIO, direction, pull, active level)  # what it is, and what its 1 means

The active level is the one at which the signal is on; for an input that is its safe or ready side,
so its wire is pulled the other way and a cut wire reads "not".  Settings may move a signal to
another pin and turn its level round (`board_pins`, rows of [signal, GPIO] or [signal, GPIO, active
level]); `pincheck` finds what can't be.  The wiring table in README.md is held against this one by
a test.

`rest` is the first thing that a board does: every output at its quiet level, the drive off.  It
needs nothing but this file.
"""

IN = 1
OUT = 2
SERIAL = 3  # left to a UART or I2C unit of the chip
DOWN = 1
UP = 2
BARE = 0

TABLE = (
    ("bus_tx", 0, SERIAL, BARE, 1),  # to DI of the RS-485 transceiver
    ("bus_rx", 1, SERIAL, UP, 1),  # from RO of the RS-485 transceiver
    ("bus_send", 2, OUT, BARE, 1),  # to DE and /RE together: 1 while the module sends
    ("line_tx", 4, SERIAL, BARE, 1),  # serial line of the commands; with board_line uart only
    ("line_rx", 5, SERIAL, UP, 1),  # serial line of the commands; with board_line uart only
    ("store_sda", 6, SERIAL, UP, 1),  # FRAM, I2C data; with board_store fram only
    ("store_scl", 7, SERIAL, UP, 1),  # FRAM, I2C clock; with board_store fram only
    ("step", 8, OUT, BARE, 1),  # a pulse of 2 us a microstep
    ("direction", 9, OUT, BARE, 1),  # 1 forward
    ("enable", 10, OUT, BARE, 0),  # on: motor energised; pulled up outside, so off during reset
    ("stall", 11, IN, DOWN, 1),  # 1: the stepper driver reports a stall
    ("drive_ok", 12, IN, DOWN, 1),  # 1: the stepper driver has no fault
    ("guard", 13, IN, DOWN, 1),  # 1: guard shut, interlock chain healthy
    ("beam", 14, IN, DOWN, 1),  # 1: light; 0: blocked, or no sensor
    ("beam_test", 15, OUT, BARE, 1),  # 1: emitter dark, for the beam's test
    ("pocket_index", 16, IN, DOWN, 1),  # 1: the index flag is at its sensor
    ("magazine", 17, IN, DOWN, 1),  # 1: the low-level sensor sees parts
    ("receiver", 18, IN, DOWN, 1),  # 1: bag or nest in place
    ("give", 19, IN, DOWN, 1),  # 1: the robot asks for parts
    ("ready", 20, OUT, BARE, 1),  # 1: a give would be obeyed
    ("done", 21, OUT, BARE, 1),  # 1: the last give was delivered exactly
    ("fault", 22, OUT, BARE, 1),  # 1: the last give was not
    ("light", 25, OUT, BARE, 1),  # status light
)
SIGNALS = tuple([row[0] for row in TABLE])

# Signal -> (unit, function): both signals of a pair belong to the same unit of the chip.
UART, I2C = "UART", "I2C"
FUNCTIONS = {
    "bus_tx": (UART, 0),
    "bus_rx": (UART, 1),
    "line_tx": (UART, 0),
    "line_rx": (UART, 1),
    "store_sda": (I2C, 0),
    "store_scl": (I2C, 1),
}


class Pins:
    """Where every signal is; `overrides` are sound rows of `board_pins`."""

    def __init__(self, overrides=()):
        self._rows: dict[str, list] = {row[0]: list(row) for row in TABLE}
        self._made: dict = {}  # by signal: a pin is set up once
        for override in overrides:
            row = self._rows[override[0]]
            row[1] = override[1]
            if len(override) > 2:
                row[4] = override[2]

    def gpio(self, signal):
        """Return the number of the signal's pin."""
        return self._rows[signal][1]

    def active(self, signal):
        """Return the level, 0 or 1, at which the signal is on."""
        return self._rows[signal][4]

    def unit(self, signal):
        """Return the number of the UART or I2C unit that the signal's pin belongs to."""
        return _unit(FUNCTIONS[signal][0], self.gpio(signal))

    def pin(self, machine, signal):
        """Return the signal's pin: an input, or an output that was put to its quiet level."""
        if signal not in self._made:
            _, gpio, direction, pull, active = self._rows[signal]
            if direction == OUT:
                made = machine.Pin(gpio, machine.Pin.OUT, value=1 - active)
            else:
                pulls = {DOWN: machine.Pin.PULL_DOWN, UP: machine.Pin.PULL_UP, BARE: None}
                made = machine.Pin(gpio, machine.Pin.IN, pulls[pull])
            self._made[signal] = made
        return self._made[signal]

    def switch(self, machine, signal):
        """Return a `machine.Signal` of the pin, whose 1 is "on"."""
        return machine.Signal(self.pin(machine, signal), invert=self.active(signal) == 0)

    def rest(self, machine):
        """Put every output at its quiet level, the drive's first; later, put it back there."""
        for signal in ("enable", "step") + SIGNALS:
            if self._rows[signal][2] == OUT:
                self.pin(machine, signal).value(1 - self.active(signal))


def _unit(kind, gpio):
    """Return the number of the unit on a pin (RP2040 data sheet 1.4.3, RP2350 9.4)."""
    return (gpio + 4) >> 3 & 1 if kind == UART else gpio >> 1 & 1
