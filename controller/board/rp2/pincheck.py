"""What can't be about the pins of a board: the settings `board_name` and `board_pins`.

An unknown signal, a pin that the chip lacks, two signals on one pin, a serial signal on a pin that
has no such function, a level that can't be turned round.  Read once at boot, and by the host.
"""

from controller.board.rp2.pins import FUNCTIONS, SERIAL, SIGNALS, TABLE, UART, Pins
from controller.checks import Problem, nearest

# Their level is made by a unit of the chip, which knows one way round.
FIXED = ("step",) + tuple([row[0] for row in TABLE if row[2] == SERIAL])

# Name of the chip -> how many GPIOs it brings out (the RP2350 in its smaller package).
CHIPS = {"rp2040": 30, "rp2350": 30}
CHIP_NAMES = tuple(sorted(CHIPS))

_PAIRS = (("bus_tx", "bus_rx"), ("line_tx", "line_rx"), ("store_sda", "store_scl"))
_WHERE = {  # what a pin must be, in words
    ("UART", 0): "must be a UART's TX: 0, 4, 8, 12, 16, 20, 24 or 28",
    ("UART", 1): "must be a UART's RX: 1, 5, 9, 13, 17, 21, 25 or 29",
    ("I2C", 0): "must be an I2C unit's SDA: an even pin",
    ("I2C", 1): "must be an I2C unit's SCL: an odd pin",
}


def check(key, value):
    """Return what is wrong with the form of `board_pins`, row by row."""
    if not isinstance(value, (list, tuple)) or len(value) > len(TABLE):
        why = "must be a list of [signal, GPIO] or [signal, GPIO, active level]"
        return [Problem(key, value, "rows", 0, len(TABLE), why)]
    problems = []
    named = []
    for at in range(len(value)):
        name = f"{key}[{at}]"
        row = value[at]
        if not isinstance(row, (list, tuple)) or len(row) not in (2, 3):
            why = "must be [signal, GPIO] or [signal, GPIO, active level]"
            problems.append(Problem(name, row, "", None, None, why))
        elif row[0] not in SIGNALS:
            why = "must be a signal"
            if isinstance(row[0], str):
                why = "no such signal; the nearest is " + nearest(row[0], SIGNALS)
            problems.append(Problem(name, row[0], "", None, None, why))
        elif row[0] in named:
            problems.append(Problem(name, row[0], "", None, None, "stands twice"))
        elif type(row[1]) is not int or row[1] < 0:
            problems.append(Problem(name, row[1], "GPIO", 0, max(CHIPS.values()) - 1, row[0]))
        elif len(row) == 3 and row[0] in FIXED:
            problems.append(Problem(name, row[2], "", 1, 1, row[0] + ": this level is fixed"))
        elif len(row) == 3 and (type(row[2]) is not int or not 0 <= row[2] <= 1):
            problems.append(Problem(name, row[2], "", 0, 1, row[0] + ": the active level"))
        else:
            named.append(row[0])
    return problems


def conflicts(key, chip, overrides):
    """Return what can't be about sound rows on `chip`: one problem for each pin in question."""
    pins = Pins(overrides)
    problems = []
    user: dict[int, str] = {}
    for signal in SIGNALS:
        gpio = pins.gpio(signal)
        name = f"{key}.{signal}"
        if gpio >= CHIPS[chip]:
            problems.append(Problem(name, gpio, "", 0, CHIPS[chip] - 1, "GPIOs of the " + chip))
        elif gpio in user:
            why = f"{user[gpio]} is on this pin; move one of them"
            problems.append(Problem(name, gpio, "", None, None, why))
        elif signal in FUNCTIONS and not _fits(signal, gpio):
            problems.append(Problem(name, gpio, "", None, None, _WHERE[FUNCTIONS[signal]]))
        else:
            user[gpio] = signal
    if problems:
        return problems
    for first, second in _PAIRS:
        if pins.unit(first) != pins.unit(second):
            why = f"must be on the same unit of the chip as {first}"
            problems.append(Problem(f"{key}.{second}", pins.gpio(second), "", None, None, why))
    if pins.unit("bus_tx") == pins.unit("line_tx"):
        why = "must be on the other UART than bus_tx"
        problems.append(Problem(key + ".line_tx", pins.gpio("line_tx"), "", None, None, why))
    return problems


def _fits(signal, gpio):
    unit, function = FUNCTIONS[signal]
    return gpio % (4 if unit == UART else 2) == function
