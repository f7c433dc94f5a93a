"""Two independent Modbus masters, pymodbus and minimalmodbus, on a served module's line.

`tallywheel serve --link modbus` runs as a child process, once for each way to frame.  Neither of
the two masters shares a line of code with the firmware.
"""

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import minimalmodbus
import pytest
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from controller.link.registers import BLOCKS, COILS, INPUTS, addresses, words_of

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
SPEED = "20"
WAIT_S = 10.0  # real time, for what takes less than a second at SPEED times real time
TURNAROUND_S = 0.1  # of a master after a broadcast; the guide has 100 to 200 ms as typical
ADDRESS = 1

RESET, START, STOP = 1, 2, 3  # PackML CntrlCmd
STOPPED, IDLE, EXECUTE = 2, 4, 6  # PackML StateCurrent

AT = {
    f"{block[1]}.{row[0]}": address
    for block in BLOCKS
    for address, row in zip(addresses(block), block[5], strict=True)
}
COIL = {row[0]: address for address, row in enumerate(COILS)}


@pytest.fixture(scope="module", params=["false", "true"], ids=["silence", "batching"])
def port(request, tmp_path_factory) -> Iterator[str]:
    config = tmp_path_factory.mktemp("bus") / "module.toml"
    text = CONFIG.read_text()
    assert "batching = false" in text
    config.write_text(text.replace("batching = false", f"batching = {request.param}"))
    command = ["serve", str(config), "--link", "modbus", "--speed", SPEED]
    with subprocess.Popen(
        [sys.executable, "-m", "hostsim.cli", *command], stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        yield server.stdout.readline().rstrip("\n")
        server.terminate()
        assert server.wait(WAIT_S) == 0


@pytest.fixture
def master(port: str) -> Iterator[ModbusSerialClient]:
    client = ModbusSerialClient(port, baudrate=19200, timeout=2, retries=0)
    assert client.connect()
    yield client
    client.close()


@pytest.fixture
def instrument(port: str) -> Iterator[minimalmodbus.Instrument]:
    one = minimalmodbus.Instrument(port, ADDRESS)
    assert one.serial is not None
    one.serial.timeout = 0.5  # an exception is shorter than what it waits for, and costs this much
    yield one
    one.serial.close()


def until(condition) -> None:
    """Wait in real time until `condition()` holds."""
    end_s = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end_s


def test_a_request_by_pymodbus(master: ModbusSerialClient) -> None:
    def read(name: str, count: int = 1) -> list[int]:
        return master.read_holding_registers(AT[name], count=count).registers

    def go(command: int, state: int) -> None:
        assert not master.write_register(AT["command.command"], command).isError()
        until(lambda: read("unit.state") == [state])

    if read("unit.state") == [STOPPED]:
        go(RESET, IDLE)
        go(START, EXECUTE)
    for _ in range(2):  # asked again, it is acknowledged and not delivered again
        assert not master.write_registers(AT["request.ticket"], [7, 0, 6]).isError()
    wrong = master.write_registers(AT["request.ticket"], [7, 0, 5])
    assert wrong.exception_code == 3
    assert read("refusals.last_refusal") == [0x10000 - 224]  # SCPI-1999: Illegal parameter value
    until(lambda: read("unit.busy") == [0])
    result = master.readwrite_registers(
        read_address=AT["selected.ticket"],
        read_count=14,
        write_address=AT["selection.ticket"],
        values=[7],
    ).registers
    assert result[:8] == [7, 0, 6, 0, 0, 6, 0, 6]  # ticket, quantity, exact, lower, upper
    assert master.read_input_registers(AT["kept.ticket_1"], count=2).registers == [7, 0]
    assert master.read_holding_registers(AT["sprocket.pieces"], count=2).registers == [0, 6]
    go(STOP, STOPPED)


def test_all_that_can_be_read_by_pymodbus(master: ModbusSerialClient) -> None:
    count = words_of(BLOCKS[0])
    assert master.read_holding_registers(0, count=count).registers == [1, 0, 1, 0]
    for block in BLOCKS:
        held = master.read_holding_registers(block[0], count=words_of(block)).registers
        same = master.read_input_registers(block[0], count=words_of(block)).registers
        assert len(held) == words_of(block)
        assert held == same or block[1] == "authority"  # which tells time
    inputs = master.read_discrete_inputs(0, count=len(INPUTS)).bits
    assert inputs[:4] == [True, True, True, True]
    assert master.read_coils(0, count=len(COILS)).bits[: len(COILS)] == [False] * len(COILS)


def test_what_is_refused_to_pymodbus(master: ModbusSerialClient) -> None:
    def code(answer) -> int:
        assert answer.isError()
        return answer.exception_code

    assert code(master.mask_write_register(address=0)) == 1
    assert code(master.read_holding_registers(5000, count=1)) == 2
    assert code(master.write_register(AT["request.ticket"], 7)) == 2
    assert code(master.write_register(AT["command.command"], 99)) == 3
    assert code(master.write_coil(COIL["index"], True)) == 4


def test_a_foreign_address_is_met_with_silence(port: str) -> None:
    impatient = ModbusSerialClient(port, baudrate=19200, timeout=0.3, retries=0)
    assert impatient.connect()
    try:
        with pytest.raises(ModbusIOException):
            impatient.read_holding_registers(0, count=1, device_id=ADDRESS + 1)
        assert impatient.read_holding_registers(0, count=1, device_id=ADDRESS).registers == [1]
    finally:
        impatient.close()


def test_diagnostics_and_identification_by_pymodbus(master: ModbusSerialClient) -> None:
    assert master.diag_query_data(b"\xa5\x37").message == b"\xa5\x37"
    master.diag_clear_counters()
    before = master.diag_read_bus_message_count().message
    after = master.diag_read_bus_message_count().message
    assert after == before + 1
    assert master.diag_read_bus_comm_error_count().message == 0
    who = master.report_device_id()
    assert who.identifier == b"Tallywheel nut module 0.1.0"
    assert who.status is False
    told = master.read_device_information(read_code=2).information
    assert (told[0], told[2], told[5], told[6]) == (
        b"Tallywheel",
        b"0.1.0",
        b"nut module",
        b"M4 nut",
    )
    one = master.read_device_information(read_code=4, object_id=5)
    assert one.information == {5: b"nut module"}
    assert one.conformity == 0x83


def test_a_broadcast_by_pymodbus_is_not_answered(port: str) -> None:
    ticket = AT["selection.ticket"]
    master = ModbusSerialClient(port, baudrate=19200, timeout=2, retries=3)
    assert master.connect()

    def taken() -> bool:
        master.write_register(ticket, 9, device_id=0, no_response_expected=True)
        # The serial line guide (2.4.1) has a master pause after a broadcast; this one does not.
        # What comes without a pause is one frame with the broadcast, and lost with it.
        time.sleep(TURNAROUND_S)
        return master.read_holding_registers(ticket).registers == [9]

    master.write_register(ticket, 5)
    until(taken)
    master.write_register(ticket, 0)
    master.close()


def test_the_types_by_minimalmodbus(instrument: minimalmodbus.Instrument) -> None:
    assert instrument.read_register(AT["identity.map_version"]) == 1
    assert instrument.read_long(AT["magazine.capacity"]) == 250
    assert instrument.read_long(AT["limits.quantity_max"], functioncode=4) == 5000
    assert instrument.read_bits(0, 4, functioncode=2) == [1, 1, 1, 1]
    assert instrument.read_bit(COIL["cancel"], functioncode=1) == 0


def test_writing_by_minimalmodbus(instrument: minimalmodbus.Instrument) -> None:
    instrument.write_register(AT["selection.ticket"], 65535, functioncode=6)
    assert instrument.read_register(AT["selection.ticket"]) == 65535
    instrument.write_register(AT["selection.ticket"], 0, functioncode=16)
    assert instrument.read_registers(AT["selection.ticket"], 1) == [0]
    instrument.write_bits(0, [0, 0, 0])
    with pytest.raises(minimalmodbus.IllegalRequestError, match="illegal data address"):
        instrument.read_register(5000)
    with pytest.raises(minimalmodbus.IllegalRequestError, match="illegal data value"):
        instrument.write_long(AT["load.parts"], 0)
    with pytest.raises(minimalmodbus.SlaveReportedException):
        instrument.write_bit(COIL["cancel"], 1)
    assert instrument.read_register(AT["refusals.last_refusal"], signed=True) == -221


def test_bench_moves_by_minimalmodbus(instrument: minimalmodbus.Instrument) -> None:
    def go(command: int, state: int) -> None:
        instrument.write_register(AT["command.command"], command, functioncode=6)
        until(lambda: instrument.read_register(AT["unit.state"]) == state)

    def rest() -> None:
        until(lambda: not instrument.read_register(AT["unit.busy"]))

    instrument.write_register(AT["mode.mode"], 2, functioncode=6)
    try:
        go(RESET, IDLE)
        go(START, EXECUTE)
        instrument.write_long(AT["jog.way"], 100_000, signed=True)
        rest()
        instrument.write_bit(COIL["register"], 1)
        rest()
        assert instrument.read_register(AT["position.known"]) == 1
        instrument.write_bit(COIL["beam_test"], 1)
        rest()
        assert instrument.read_register(AT["signals.beam_test"], signed=True) == 1
    finally:
        go(STOP, STOPPED)
        instrument.write_register(AT["mode.mode"], 1, functioncode=6)
