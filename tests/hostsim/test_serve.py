"""The simulated module on its pseudo-terminal, as serial programs that know nothing of it see it.

`tallywheel serve` runs as a child process; its first line of output says that it is ready.
Clients: PyVISA with its pure Python backend, plain pyserial, and our own.
"""

import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import pyvisa
import serial

from hostsim.cli import main
from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.errors import DeviceError
from hostsim.serve import UNREAD_BYTES_MAX, PseudoTerminal
from hostsim.words import Outcome, RequestState, UnitMode, UnitState
from tests.hostsim.drift import holding

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
SPEED = "20"
END_TIMEOUT_S = 60


class Server:
    """A `tallywheel serve` process."""

    def __init__(self, *options, configs=(CONFIG,)):
        command = [sys.executable, "-m", "hostsim.cli", "serve", *map(str, (*configs, *options))]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.path = self.process.stdout.readline().rstrip("\n")

    def end(self, number=signal.SIGTERM):
        """Interrupt it; return (exit status, rest of its output, its errors)."""
        if self.process.returncode is None:
            self.process.send_signal(number)
        output, errors = self.process.communicate(timeout=END_TIMEOUT_S)
        return self.process.returncode, output, errors


@pytest.fixture(scope="module")
def port():
    server = Server("--speed", SPEED)
    yield server.path
    server.end()


@pytest.fixture
def module(port):
    with DispenserClient(port, poll_s=0.01) as client:
        yield client


def test_the_first_line_is_the_path_of_a_terminal(port):
    assert os.path.exists(port)
    with open(port, "rb", buffering=0) as terminal:
        assert os.isatty(terminal.fileno())


def test_a_pyvisa_session_as_typed_by_hand(port):
    """Resource syntax and terminations as in the PyVISA documentation for serial instruments."""
    manager = pyvisa.ResourceManager("@py")
    instrument = manager.open_resource(
        f"ASRL{port}::INSTR", read_termination="\n", write_termination="\n", timeout=5000
    )
    try:
        assert instrument.query("*IDN?").split(",")[0] == "Tallywheel"
        assert instrument.query("SYST:VERS?") == "1999.0"
        instrument.write("SYST:NONSENSE")
        assert instrument.query("SYST:ERR?").startswith("-113,")  # SCPI-1999: Undefined header
        assert instrument.query("SYST:ERR?") == '0,"No error"'
        assert instrument.query("*OPC?") == "1"
    finally:
        instrument.close()
        manager.close()


def test_plain_pyserial_may_end_its_lines_either_way_and_come_back(port):
    for end in (b"\n", b"\r\n"):
        with serial.Serial(port, 115200, timeout=5) as line:
            line.write(b"SYST:VERS?" + end)
            assert line.readline().strip() == b"1999.0"


def test_bytes_in_bits_and_pieces_are_one_line(port):
    with serial.Serial(port, 9600, timeout=5) as line:
        for byte in b"SYST:VERS?\n":
            line.write(bytes([byte]))
        assert line.readline().strip() == b"1999.0"


def test_our_client_has_parts_delivered_once_per_ticket(module):
    module.make_ready()
    assert module.state() is UnitState.EXECUTE
    module.load_magazine(100)
    looks = []
    result = module.request(12, on_progress=looks.append)
    assert (result.outcome, result.lower, result.upper) == (Outcome.EXACT, 12, 12)
    assert all(look.state is not RequestState.CLOSED for look in looks)
    assert module.magazine().level == 88
    assert module.request(12, ticket=result.ticket) == result
    assert module.magazine().level == 88
    assert module.counters().pieces == 12


def test_a_refusal_carries_number_and_text(module):
    with pytest.raises(DeviceError) as refusal:
        module.request(10**9)
    assert refusal.value.number == -222  # SCPI-1999: Data out of range
    assert module.ask("SYST:ERR:COUN?") == "0"


@pytest.mark.parametrize(
    ("line", "number"),  # of SCPI-1999 volume 2, 21.8: undefined header, not allowed, too long
    [("SYST:NONSENSE?", -113), ("UNIT:STAT? 5", -108), ("SETT:VAL? 'x" + "x" * 256 + "'", -363)],
)
def test_a_line_it_does_not_take_is_refused_by_the_same_error(port, line, number):
    with DispenserClient(port, timeout_s=0.2) as client:
        with pytest.raises(DeviceError) as refusal:
            client.ask(line)
        assert refusal.value.number == number
        assert client.state() in UnitState


def test_the_bench_moves_want_their_mode(module):
    with pytest.raises(DeviceError):
        module.jog(0.1)
    module.command("stop")
    module.change_mode(UnitMode.MAINTENANCE)
    try:
        module.make_ready()
        assert module.test_beam()
        module.jog(0.1)
        module.register()
        assert module.position().known
    finally:
        module.command("stop")
        module.change_mode(UnitMode.PRODUCTION)


def test_settings_and_events_can_be_read_out(module):
    settings = module.settings()
    assert settings["sprocket_pockets"] == 7
    assert settings["gear_stages"] == [17, 51]
    events = list(module.events())
    assert [event.sequence for event in events] == sorted({event.sequence for event in events})
    assert events != [] and list(module.events()) == []


def test_the_request_verb_is_such_a_client(port, capsys):
    assert main(["request", port, "--quantity", "6", "--ticket", "77"]) == 0
    assert capsys.readouterr().out.startswith("exact: 6 of 6 parts (M4 nut) in ")
    assert main(["request", port, "--quantity", "6", "--ticket", "77", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["ticket"], told["outcome"], told["lower"], told["upper"]) == (77, "exact", 6, 6)
    assert main(["request", port, "--quantity", "7", "--ticket", "77"]) == 1  # another order
    output, errors = capsys.readouterr()
    assert output == "" and errors.count("\n") == 1 and "ticket 77 is for 6" in errors


def test_a_host_that_comes_back_finds_its_way_as_the_readme_of_the_link_tells_it(port, module):
    """With PyVISA: it hangs up while *OPC? holds up the line, with half an answer unread."""
    module.make_ready()
    ticket = module.next_ticket()
    manager = pyvisa.ResourceManager("@py")

    def hear():
        return manager.open_resource(
            f"ASRL{port}::INSTR", read_termination="\n", write_termination="\n", timeout=5000
        )

    instrument = hear()
    instrument.write(f"SETT:CAT?;:REQ:OPEN {ticket},40;PROG?")
    instrument.read_bytes(10)
    instrument.write("*OPC?")
    instrument.close()
    instrument = hear()
    try:
        instrument.write_raw(b"\x03\n")
        instrument.write("SYST:ERR?;*CLS;*IDN?")
        while ";Tallywheel," not in (said := instrument.read()):
            assert len(said) < 2_048  # controller/link/README.md: output not yet taken
        assert said.startswith('0,"No error";')
        number, quantity, state, *_ = map(int, instrument.query("REQ:PROG?").split(","))
        assert (number, quantity) == (ticket, 40) and state != RequestState.CLOSED
        instrument.write(f"REQ:OPEN {ticket},40")  # once more: acknowledged
        assert instrument.query(f"*OPC?;:REQ:RES? {ticket}").startswith(f"1;{ticket},40,0,40,40,")
        assert instrument.query("SYST:ERR?") == '0,"No error"'
    finally:
        instrument.close()
        manager.close()


def test_the_request_verb_warns_of_drift_and_delivers(tmp_path, capsys):
    path = tmp_path / "store"
    # As if parts had been learned to take 30 ms, give or take 2, to pass the beam.
    holding(load(CONFIG), (0, 350, 30_000, 2_000), path).close()
    server = Server("--speed", SPEED, "--store", path)
    try:
        assert main(["request", server.path, "--quantity", "30"]) == 0
    finally:
        server.end()
    output, errors = capsys.readouterr()
    assert output.startswith("exact: 30 of 30")
    assert errors.count("\n") == 1
    assert "warning: parts darken the beam for longer or shorter" in errors
    assert "wipe the beam" in errors


def test_the_request_verb_says_what_it_waits_for_and_comes_back_to_it(tmp_path, capsys):
    patient = tmp_path / "patient.toml"
    patient.write_text(CONFIG.read_text().replace("patience_s = 60.0", "patience_s = 36_000.0"))
    server = Server("--speed", SPEED, "--faults", "runs_dry", configs=[patient])
    order = ["request", server.path, "--quantity", "40"]
    command = [sys.executable, "-m", "hostsim.cli", *order]
    try:
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as waiting:
            told = waiting.stderr.readline()
            assert "waiting: no parts come" in told and "Refill the magazine" in told
            waiting.send_signal(signal.SIGINT)
            left = waiting.communicate(timeout=END_TIMEOUT_S)[1]
        assert waiting.returncode != 0 and "--ticket 1" in left and left.count("\n") == 1
        with DispenserClient(server.path) as module:
            assert module.progress().open
            module.load_magazine(100)  # which the simulated person does
        assert main([*order, "--ticket", "1"]) == 0
        assert capsys.readouterr().out.startswith("exact: 40 of 40 parts (M4 nut) in ")
    finally:
        server.end()


def test_what_nobody_reads_is_kept_to_a_bound_and_read_later():
    with PseudoTerminal() as terminal:
        descriptor = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
        terminal.write(bytes(3 * UNREAD_BYTES_MAX))
        got = 0
        while select.select([descriptor], [], [], 0.1)[0]:  # the system hands on in its own time
            got += len(os.read(descriptor, UNREAD_BYTES_MAX))
            while got < UNREAD_BYTES_MAX and not select.select([descriptor], [], [], 0)[0]:
                terminal.flush()
        assert got == UNREAD_BYTES_MAX
        os.write(descriptor, b"again")
        assert terminal.read(END_TIMEOUT_S) == b"again"
        os.close(descriptor)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_cleanly_when_told(number):
    assert Server().end(number) == (0, "", "")
