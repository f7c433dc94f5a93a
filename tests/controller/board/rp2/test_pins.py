"""The pin table: it can be wired as it is, refuses what can't, and the README shows it."""

import copy
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.board.rp2.light import (
    ABORTED,
    ACTING,
    HELD,
    PATTERNS,
    READY,
    REFUSED,
    STEADY,
    SUSPENDED,
    WAITING,
    WORKING,
    level_at,
    pattern_of,
)
from controller.board.rp2.pincheck import CHIPS, check, conflicts
from controller.board.rp2.pins import (
    BARE,
    DOWN,
    IN,
    OUT,
    SERIAL,
    SIGNALS,
    TABLE,
    UP,
    Pins,
)
from controller.cycle import unit
from hostsim.config import ConfigError, convert
from tests.portable.chip import Chip
from tests.portable.chipunits import Machine

ROOT = Path(__file__).parents[4]
NUT = tomllib.loads((ROOT / "configs/m4_nut.toml").read_text())
README = (ROOT / "controller/board/README.md").read_text()

# UART and I2C functions of GPIO 0 to 29: RP2040 data sheet 1.4.3 (from memory); MicroPython's
# rp2 port takes the same (ports/rp2/machine_uart.c, machine_i2c.c).
UART_TX = {0: (0, 12, 16, 28), 1: (4, 8, 20, 24)}
UART_RX = {0: (1, 13, 17, 29), 1: (5, 9, 21, 25)}
I2C_SDA = {0: range(0, 30, 4), 1: range(2, 30, 4)}


def refused(**board: Any) -> list[str]:
    """What is said of a nut module's [board] section."""
    written = copy.deepcopy(NUT)
    written["board"] = board
    try:
        convert(written, Path("changed.toml"))
    except ConfigError as error:
        return error.problems
    return []


def test_the_table_itself_has_no_conflict_on_either_chip() -> None:
    assert len(set(SIGNALS)) == len(SIGNALS)
    for chip in CHIPS:
        assert conflicts("board_pins", chip, ()) == []


@pytest.mark.parametrize(
    ("functions", "signals"),
    [(UART_TX, ("bus_tx", "line_tx")), (UART_RX, ("bus_rx", "line_rx")), (I2C_SDA, ("store_sda",))],
    ids=["TX", "RX", "SDA"],
)
def test_serial_signals_may_be_on_the_pins_that_have_the_function(functions, signals) -> None:
    for signal in signals:
        for gpio in range(30):
            pins = Pins([(signal, gpio)])
            fits = [unit for unit, those in functions.items() if gpio in those]
            told = [str(p) for p in conflicts("k", "rp2040", [(signal, gpio)])]
            assert any("must be a" in line and signal in line for line in told) == (
                not fits and not _taken(signal, gpio)
            )
            if fits:
                assert pins.unit(signal) == fits[0]


def _taken(signal: str, gpio: int) -> bool:
    """Whether a signal before this one in the table has the pin, which is what is told then."""
    return any(row[1] == gpio for row in TABLE[: SIGNALS.index(signal)])


@pytest.mark.parametrize(
    ("pins", "said"),
    [
        ([["beem", 26]], 'board.pins[0] = "beem": no such signal; the nearest is beam'),
        ([["beam", 13]], "board.pins.beam = 13: guard is on this pin"),
        ([["beam", 30]], "board.pins.beam = 30: allowed 0 to 29 (GPIOs of the rp2350)"),
        ([["beam", -1]], "board.pins[0] = -1: allowed 0 to 29 (beam)"),
        ([["beam", 26], ["beam", 27]], 'board.pins[1] = "beam": stands twice'),
        ([["beam", 26, 2]], "board.pins[0] = 2: allowed 0 to 1 (beam: the active level)"),
        ([["step", 8, 0]], "board.pins[0] = 0: allowed 1 to 1 (step: this level is fixed)"),
        ([["bus_tx", 0, 0]], "board.pins[0] = 0: allowed 1 to 1 (bus_tx: this level is fixed)"),
        ([["beam"]], "board.pins[0] ="),
        (["beam"], "board.pins[0] ="),
        ([["bus_tx", 26]], "board.pins.bus_tx = 26: must be a UART's TX"),
        ([["bus_tx", 24]], "board.pins.bus_rx = 1: must be on the same unit of the chip as bus_tx"),
        ([["store_scl", 27], ["store_sda", 28]], "board.pins.store_scl = 27: must be on the same"),
    ],
)
def test_pins_that_cannot_be_are_refused_in_the_words_of_the_file(pins, said) -> None:
    lines = refused(pins=pins)
    assert any(line.startswith(said) for line in lines), lines


def test_signals_may_change_places_and_levels() -> None:
    assert refused(pins=[["beam", 13], ["guard", 14], ["enable", 10, 1]]) == []
    pins = Pins([("beam", 13), ("guard", 14), ("enable", 10, 1)])
    assert (pins.gpio("beam"), pins.gpio("guard")) == (13, 14)
    assert (pins.active("enable"), pins.active("beam")) == (1, 1)


def test_the_board_section_is_refused_word_by_word() -> None:
    (line,) = refused(name="rp2400")
    assert line == 'board.name = "rp2400": must be one of "rp2040", "rp2350"'
    (line,) = refused(store="disk")
    assert line.startswith('board.store = "disk": must be one of "fram", "flash", "none"')
    (line,) = refused(store="flash")
    assert line.startswith("record.checkpoint = 25 parts: allowed 0 to 0 parts")


def test_forms_that_are_none_are_refused() -> None:
    for value in (None, 7, "beam", {"beam": 1}, [[]], [[1, 2]], [None]):
        assert check("board_pins", value), value


def test_at_rest_every_output_is_quiet_and_no_input_is_driven() -> None:
    chip = Chip()
    Pins().rest(Machine(chip))
    for _, gpio, direction, _, active in TABLE:
        if direction == OUT:
            assert chip.pins[gpio].mode == Machine(chip).Pin.OUT
            assert chip.pins[gpio].level == 1 - active
        else:
            assert gpio not in chip.pins


def test_a_cut_wire_of_an_input_reads_not() -> None:
    for signal, _, direction, pull, active in TABLE:
        if direction == IN:
            assert pull == (DOWN if active else UP), signal


# ---- what the README shows -----------------------------------------------------------------------

WAYS = {IN: "in", OUT: "out", SERIAL: "serial"}
PULLS = {DOWN: "down", UP: "up", BARE: ""}


def test_the_wiring_table_is_the_one_of_the_pins() -> None:
    source = (ROOT / "controller/board/rp2/pins.py").read_text()
    for signal, gpio, direction, pull, active in TABLE:
        found = re.search(rf'^    \("{signal}", .*\),  # (.*)$', source, re.MULTILINE)
        assert found
        note = found[1]
        row = f"| `{signal}` | {gpio} | {WAYS[direction]} | {PULLS[pull]} | {active} | {note} |"
        assert row.replace("|  |", "| |") in README, row


def test_the_light_table_names_every_pattern() -> None:
    for pattern in (STEADY, WORKING, WAITING, READY, HELD, SUSPENDED, ACTING, ABORTED, REFUSED):
        times = ", ".join(f"{ms}" for ms in pattern if ms)
        assert f"| {times} |" in README, times


def test_each_state_has_a_pattern_that_can_be_told_from_the_others() -> None:
    shown = {
        pattern: tuple(level_at(pattern, ms) for ms in range(0, 6_000, 10))
        for pattern in {*PATTERNS.values(), WORKING, ACTING, REFUSED}
    }
    assert len(set(shown.values())) == len(shown)
    assert pattern_of(unit.EXECUTE, True) is WORKING
    assert pattern_of(unit.EXECUTE, False) is STEADY
    assert pattern_of(unit.CLEARING, False) is ACTING
    blinks = [sum(b > a for a, b in zip((0, *row), row, strict=False)) for row in shown.values()]
    for pattern, count in ((WAITING, 1), (READY, 2), (HELD, 3), (SUSPENDED, 4)):
        row = tuple(level_at(pattern, ms) for ms in range(0, sum(pattern), 10))
        assert sum(b > a for a, b in zip((0, *row), row, strict=False)) == count
    assert len(blinks) == len(shown)
