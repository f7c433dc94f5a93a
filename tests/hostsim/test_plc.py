"""`A request from a PLC` in controller/link/README.md, gone by to the letter, with the power cut.

The program below knows what stands there and nothing else: addresses and numbers in the document's
own figures, one question a scan, what is retentive in a dictionary of its own.
"""

import struct

import pytest

from hostsim.errors import LinkError
from hostsim.modbus_master import ModbusException
from tests.hostsim.linerig import CONFIGS, SECOND_US, Rig

QUANTITY = 40
SCANS_MAX = 2_000
EXACT, INTERRUPTED = 0, 3
COMMANDS = {2: 1, 4: 2, 9: 9, 11: 5, 5: 7, 17: 1}  # to register 200, by register 4


class Plc:
    """One module's program. `scan` goes through the table once, and returns the result in the end:
    (outcome, lower, upper). `retentive` outlives it."""

    def __init__(self, master, retentive):
        self._master = master
        self._retentive = retentive

    def _read(self, first, count):
        answer = self._master.exchange(1, struct.pack(">BHH", 3, first, count))
        return dict(enumerate(struct.unpack(f">{count}H", answer[2:]), first))

    def _write(self, first, *words):
        head = struct.pack(">BHHB", 16, first, len(words), 2 * len(words))
        self._master.exchange(1, head + struct.pack(f">{len(words)}H", *words))

    def order(self, quantity):
        """Row 1."""
        self._retentive["ticket"] = self._retentive["ticket"] % 65535 + 1
        self._retentive["quantity"] = quantity

    def scan(self):
        """Rows 2 to 6; a time-out or an exception ends a scan, and the next one begins anew."""
        try:
            return self._look()
        except (LinkError, ModbusException):
            return None

    def _look(self):
        ticket = self._retentive["ticket"]
        at = self._read(4, 36)
        if at[26] == ticket:
            return at[29], at[30] << 16 | at[31], at[32] << 16 | at[33]
        if at[15] == ticket and at[18] != 8:
            if at[18] == 7 and at[4] in COMMANDS:  # the button has been pressed
                self._write(200, COMMANDS[at[4]])
        elif at[4] != 6:
            if at[4] in COMMANDS:
                self._write(200, COMMANDS[at[4]])
        else:
            quantity = self._retentive["quantity"]
            self._write(202, ticket, quantity >> 16, quantity & 0xFFFF)
        return None

    def kept(self, ticket):
        """The result of an older ticket, by function 23: (ticket, outcome, lower, upper)."""
        question = struct.pack(">BHHHHBH", 23, 101, 14, 100, 1, 2, ticket)
        at = struct.unpack(">14H", self._master.exchange(1, question)[2:])
        return at[0], at[3], at[4] << 16 | at[5], at[6] << 16 | at[7]


def carried_out(rig, retentive):
    """Scan until the result is there."""
    plc = Plc(rig.clients[0]._master, retentive)
    for _ in range(SCANS_MAX):
        result = plc.scan()
        if result:
            return result
        rig.wait(0.1)
    raise AssertionError("no result")


def ordered(rig, retentive, quantity):
    Plc(rig.clients[0]._master, retentive).order(quantity)
    return carried_out(rig, retentive)


def test_a_request_from_beginning_to_end():
    rig = Rig("modbus", 1)
    retentive = {"ticket": 65_534}
    assert ordered(rig, retentive, QUANTITY) == (EXACT, QUANTITY, QUANTITY)
    assert ordered(rig, retentive, 3) == (EXACT, 3, 3)
    assert retentive["ticket"] == 1  # once round
    plc = Plc(rig.clients[0]._master, retentive)
    assert plc.kept(65_535) == (65_535, EXACT, QUANTITY, QUANTITY)
    assert plc.kept(7)[0] == 0
    assert rig.fell() == {(0, 65_535): QUANTITY, (0, 1): 3}


@pytest.mark.parametrize("place", range(0, 5_000_000, 350_000))
def test_the_power_of_the_module_is_cut(place):
    rig = Rig("modbus", 1, seed=place + 1)
    rig.modules[0].trip_us = place
    retentive = {"ticket": 0}
    outcome, lower, upper = ordered(rig, retentive, QUANTITY)
    assert (outcome == INTERRUPTED) == (rig.modules[0].cuts > 0 and lower < upper)
    fell = rig.fell()[0, 1]
    assert lower <= fell <= upper
    if upper < QUANTITY:
        assert ordered(rig, retentive, QUANTITY - upper) == (EXACT,) + 2 * (QUANTITY - upper,)
    assert sum(rig.fell().values()) <= max(QUANTITY, upper)


@pytest.mark.parametrize("scans", range(1, 60, 5))
def test_the_power_of_the_plc_is_cut(scans):
    rig = Rig("modbus", 1)
    retentive = {"ticket": 0}
    plc = Plc(rig.clients[0]._master, retentive)
    plc.order(QUANTITY)
    for _ in range(scans):
        plc.scan()
        rig.wait(0.1)
    rig.wait(scans)
    rig.connect()
    assert carried_out(rig, retentive) == (EXACT, QUANTITY, QUANTITY)
    assert rig.fell() == {(0, 1): QUANTITY}


def test_a_magazine_that_is_empty_is_filled_by_registers():
    rig = Rig("modbus", 1, faults="runs_dry")
    plant = rig.modules[0].plant
    retentive = {"ticket": 0}
    plc = Plc(rig.clients[0]._master, retentive)
    plc.order(QUANTITY)
    while (at := plc._read(4, 40))[18] != 7 or at[4] != 5:
        assert rig.line.now_us < 60 * SECOND_US
        plc.scan()
        rig.wait(0.1)
    assert at[6] == 31
    missing = CONFIGS[0].settings.magazine_capacity - at[41]
    plant.refill(CONFIGS[0].settings.magazine_capacity - plant.truth.in_magazine)
    plc._write(205, 0, missing)
    assert carried_out(rig, retentive) == (EXACT, QUANTITY, QUANTITY)
