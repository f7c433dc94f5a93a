"""The plug of a served module is pulled in mid-request, and put back: processes killed and started.

The truth is what the server has written down of each part as it fell.
"""

import csv
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import contextmanager

import pytest

from hostsim.cli import main
from hostsim.client import DispenserClient
from hostsim.errors import DeviceError
from hostsim.modbus_client import ModbusClient
from hostsim.modbus_master import ModbusMaster
from hostsim.words import Outcome, UnitState
from tests.hostsim.test_serve import CONFIG, Server

CONFIGS = [
    CONFIG.with_name(f"{name}.toml") for name in ("m4_nut", "m4_washer", "m4x12_socket_screw")
]
SPEED = "5"
QUANTITY = 60  # six seconds of the module's time
WAIT_S = 60.0  # of real time, for what takes about one second where nothing else runs


@contextmanager
def connected(link, port):
    """A client of the module on `port`, which waits for a lost line to come back."""
    if link == "scpi":
        with DispenserClient(port, poll_s=0.01, reconnect_s=WAIT_S) as client:
            yield client
    else:
        with ModbusMaster(port, reconnect_s=WAIT_S) as master:
            yield ModbusClient(master, 1, poll_s=0.01)


def fell(path):
    """Parts by (module, ticket)."""
    with path.open() as file:
        rows = list(csv.DictReader(file))
    return Counter((int(r["module"]), int(r["ticket"])) for r in rows if r["what"] == "part")


@pytest.fixture
def serve(tmp_path):
    """Start servers on the same port, store and truth, one after the other."""
    servers = []

    kept = ["--port", tmp_path / "port", "--store", tmp_path / "store"]
    kept += ["--truth", tmp_path / "truth.csv"]

    def start(*options, configs=(CONFIG,)):
        servers.append(Server(*kept, *options, configs=configs))
        assert servers[-1].path == str(tmp_path / "port")
        return servers[-1]

    yield start
    servers[-1].end(signal.SIGKILL)


@pytest.mark.parametrize(
    ("link", "engine"),
    [("scpi", "inprocess"), ("modbus", "inprocess"), ("modbus", "micropython")],
)
def test_a_request_that_is_cut_off_is_interrupted_and_not_delivered_again(
    link, engine, serve, tmp_path, capsys
):
    truth, port = tmp_path / "truth.csv", str(tmp_path / "port")
    options = ("--link", link, "--speed", SPEED, "--engine", engine)
    server = serve(*options)
    with connected(link, port) as module:
        module.make_ready()
        assert module.request(3, 1).outcome is Outcome.EXACT
        module.order(2, QUANTITY)
        deadline_s = time.monotonic() + WAIT_S
        while module.progress().lower < 30:  # beyond the checkpoint at 25
            assert time.monotonic() < deadline_s
        server.end(signal.SIGKILL)

        server = serve(*options)
        assert module.state() is UnitState.STOPPED
        module.order(2, QUANTITY)  # once more: acknowledged, and nothing moves
        result = module.result(2)
        assert result.outcome is Outcome.INTERRUPTED and result.quantity == QUANTITY
        assert 24 <= result.lower <= fell(truth)[1, 2] <= result.upper
        assert module.state() is UnitState.STOPPED
        with pytest.raises(DeviceError):
            module.order(3, 5)  # no motion without a command
        module.make_ready()
        assert module.request(5, 3).outcome is Outcome.EXACT
        assert module.request(QUANTITY, 2) == result
        assert module.request(3, 1).outcome is Outcome.EXACT
        assert module.tickets() == [3, 2, 1]
    server.end(signal.SIGKILL)
    server = serve(*options)
    again = ["--link", link, "--quantity", str(QUANTITY), "--ticket", "2"]
    assert main(["request", port, *again]) == 1
    output, errors = capsys.readouterr()
    assert output.startswith("interrupted: ") and "the power was cut" in errors
    with connected(link, port) as module:
        assert module.state() is UnitState.STOPPED  # only to ask starts nothing
    assert server.end() == (0, "", "")
    parts = fell(truth)
    assert parts[1, 1] == 3 and parts[1, 3] == 5 and set(parts) == {(1, 1), (1, 2), (1, 3)}
    assert result.lower <= parts[1, 2] <= result.upper


def test_the_robot_cell_packs_on_when_the_plug_is_back(serve, tmp_path):
    """As pasted from the README, but killed from here."""
    truth, port = tmp_path / "truth.csv", str(tmp_path / "port")
    server = serve("--link", "modbus", "--speed", "0.5", configs=CONFIGS)
    command = [sys.executable, "-m", "hostsim.examples.robot_cell", port, "--planters", "5"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "bufsize": 1, "text": True}
    with subprocess.Popen(command, cwd=tmp_path, **pipes) as cell:
        deadline_s = time.monotonic() + WAIT_S
        while len(fell(truth)) < 3:  # all three are at it
            assert time.monotonic() < deadline_s
            time.sleep(0.05)
        server.end(signal.SIGKILL)
        serve("--link", "modbus", "--speed", SPEED, configs=CONFIGS)
        output = ""
        for line in cell.stdout:
            output += line
            if "press Enter" in line:
                cell.stdin.write("\n")
    assert cell.returncode == 1  # the bag has to be checked
    assert output.count("stopped: the power was cut") == 3
    assert output.count("interrupted") == output.count("check by hand: the bag holds") == 3
    assert output.count("ticket 2: exact") == 3  # what was missing for certain
    assert output.rstrip().endswith("set aside, to be checked by hand")
    assert not (tmp_path / "robot_cell.slip").exists()
    for module in (1, 2, 3):
        assert sum(parts for key, parts in fell(truth).items() if key[0] == module) <= 40
    assert sorted(path.name for path in (tmp_path / "store").iterdir()) == [
        f"module_{address}.store" for address in (1, 2, 3)
    ]


def test_a_name_that_is_served_already_is_not_taken_over(serve, tmp_path, capsys):
    serve()
    port = str(tmp_path / "port")
    assert main(["serve", str(CONFIG), "--port", port]) == 1
    assert "is in use by another server: give another" in capsys.readouterr().err
    with DispenserClient(port) as module:
        assert module.identity().model


def test_a_name_never_leads_to_somebody_else_s_terminal(serve, tmp_path):
    """The number of a terminal that has gone is soon another one's; a client may be waiting."""
    port = tmp_path / "port"
    server = serve()
    descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
    number = os.ttyname(descriptor)
    os.close(descriptor)
    with DispenserClient(str(port)) as module:
        assert module.identity().model
        server.end(signal.SIGKILL)
    others = []
    while number not in map(os.ttyname, (far for _, far in others)) and len(others) < 64:
        others.append(os.openpty())  # lowest free number first, as far as nobody else takes it
    assert port.is_symlink()
    with pytest.raises(FileNotFoundError):
        os.open(port, os.O_RDWR | os.O_NOCTTY)
    for descriptor in sum(others, ()):
        os.close(descriptor)
    serve()
    with DispenserClient(str(port)) as module:
        assert module.identity().model


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([CONFIGS[0], CONFIGS[1]], "a line of SCPI has no addresses"),
        ([CONFIGS[0], CONFIGS[0], "--link", "modbus"], "both have bus.address 1"),
        ([CONFIGS[0], "--store", CONFIGS[0]], "give another path, or remove it"),
        ([CONFIGS[0], "--port", CONFIGS[0]], "exists and is no link"),
        ([CONFIGS[0], "--line-faults", "noise"], "there is no line fault mix 'noise'"),
        ([CONFIGS[0], "--port", "nowhere/port"], "there is no folder"),
    ],
)
def test_what_cannot_be_served_is_refused_in_a_line(arguments, complaint, capsys):
    try:
        assert main(["serve", *map(str, arguments)]) != 0
    except SystemExit as end:  # argparse ends the process itself
        assert end.code
    output, errors = capsys.readouterr()
    assert output == "" and errors.count("\n") == 1 and complaint in errors
