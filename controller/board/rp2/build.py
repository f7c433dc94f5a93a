"""The ports of the firmware, built from the chip's own units.

Which pin is what says `pins`, how each port works the file of its name.  Nothing is patched or
looked up: `machine` and `rp2` are handed in, so a test hands in its own.
"""

from binascii import hexlify

from controller.board.ports import (
    DRIVE_HEALTHY,
    GIVE,
    GUARD_CLOSED,
    MAGAZINE_OK,
    OUT_DONE,
    OUT_FAULT,
    OUT_READY,
    POCKET_INDEX,
    POCKET_INDEX_LEFT,
    RECEIVER_READY,
)
from controller.board.rp2.beam import Beam
from controller.board.rp2.inputs import Inputs
from controller.board.rp2.programs import StepParts
from controller.board.rp2.steps import PioDrive
from controller.board.rp2.uart import UART_BYTES, UartLine
from controller.board.rp2.usb import UsbLine

# What may wait to be sent. The links keep to 2048 and 512 bytes of answers nobody takes.
LINE_BYTES = 4096
BUS_BYTES = 1024
EVEN = 0  # as MicroPython has it; the default parity of the Modbus serial line guide, 2.5.1

LEVELS = (
    (GUARD_CLOSED, "guard"),
    (MAGAZINE_OK, "magazine"),
    (RECEIVER_READY, "receiver"),
    (DRIVE_HEALTHY, "drive_ok"),
    (GIVE, "give"),
)
OUTPUTS = ((OUT_READY, "ready"), (OUT_DONE, "done"), (OUT_FAULT, "fault"))


class Outputs:
    """`controller.board.ports.Outputs`."""

    def __init__(self, machine, pins):
        self._wires = [(bit, pins.switch(machine, signal)) for bit, signal in OUTPUTS]

    def set(self, bits):
        for bit, wire in self._wires:
            wire.value(1 if bits & bit else 0)


class NoStore:
    """No memory outlives the power: the firmware then says so, and works."""

    size_bytes = 0
    unit_bytes = 1


class NoTrace:
    """Events are read out over the links."""

    def note(self, time_us, kind, a, b):
        return


def serial(machine):
    """Return the chip's unique number as text."""
    return hexlify(machine.unique_id()).decode().upper()


def drive(machine, rp2, pins, clock):
    """Return the drive, at rest and released."""
    parts = StepParts(
        rp2,
        machine.freq(),
        pins.pin(machine, "step"),
        pins.switch(machine, "direction"),
        pins.switch(machine, "enable"),
        pins.switch(machine, "guard"),
        pins.pin(machine, "stall"),
        pins.active("stall"),
    )
    return PioDrive(parts, clock)


def beam(machine, pins, clock):
    """Return the beam with its interrupt."""
    return Beam(
        pins.pin(machine, "beam"),
        1 - pins.active("beam"),
        pins.switch(machine, "beam_test"),
        clock,
        machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING,
    )


def inputs(machine, pins, cut, clock):
    """Return the inputs with their interrupts; `cut` is called in the guard's."""
    index = (
        pins.pin(machine, "pocket_index"),
        pins.active("pocket_index"),
        POCKET_INDEX,
        POCKET_INDEX_LEFT,
    )
    return Inputs(
        [(bit, pins.pin(machine, signal), pins.active(signal)) for bit, signal in LEVELS],
        index,
        cut,
        clock,
        machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING,
    )


def bus(machine, pins, settings):
    """Return the line of the fieldbus."""
    uart = _uart(machine, pins, "bus_tx", "bus_rx", settings.bus_baud, EVEN)
    if not settings.board_rs485:
        return UartLine(uart, BUS_BYTES)
    return UartLine(uart, BUS_BYTES, pins.switch(machine, "bus_send"), machine.Timer())


def line(machine, pins, settings, tools):
    """Return the line of the commands."""
    if settings.board_line == "usb":
        return UsbLine(tools.select, tools.sys, LINE_BYTES)
    uart = _uart(machine, pins, "line_tx", "line_rx", settings.line_baud, None)
    return UartLine(uart, LINE_BYTES)


def store(machine, pins, settings, folder, watch):
    """Return the store that the settings name; none where it does not answer."""
    try:  # the one that is used has its code loaded, the other has not
        if settings.board_store == "fram":
            from controller.board.rp2.fram import find  # noqa: PLC0415

            sda, scl = pins.pin(machine, "store_sda"), pins.pin(machine, "store_scl")
            return find(machine, pins.unit("store_sda"), sda, scl)
        if settings.board_store == "flash":
            from controller.board.rp2.flash import FlashStore  # noqa: PLC0415

            return FlashStore(folder, watch)
    except OSError:
        return NoStore()
    return NoStore()


def _uart(machine, pins, tx, rx, baud, parity):
    """Return a UART of 8 data bits and 1 stop bit. Its receive pin keeps the pull of the table."""
    return machine.UART(
        pins.unit(tx),
        baud,
        bits=8,
        parity=parity,
        stop=1,
        tx=pins.pin(machine, tx),
        rx=pins.pin(machine, rx),
        txbuf=UART_BYTES,
        rxbuf=UART_BYTES,
        timeout=0,
    )
