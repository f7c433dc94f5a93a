"""The Modbus server under load: a million damaged frames, noise, and how soon it answers.

    python -m tests.bench.bench_modbus [FRAMES] [SEED]

1. The fuzz of the tests, for FRAMES frames (10^6; 0: none): nothing moves unasked, the next good
   one is answered.
2. Noise without a pause, 16 KiB and 64 KiB of each kind: processor time to read it, and the
   ratio, which is 4 when time is linear in length.
3. Turnaround over a pseudo-terminal: from the request's last byte to the answer's first, as one and
   the same client sees it.  Servers: a bare program that gives the same bytes to whatever comes,
   which is what terminal and system take of it; pymodbus's simulator server, which frames by length
   too; the firmware's server alone, with the firmware's own state behind it and, as with theirs, no
   world to simulate; `tallywheel serve` with a whole simulated module; and the same framing by
   silence, which the standard makes 3.5 characters (2.0 ms) long.  The servers take turns, so that
   all meet the same machine.

   Where others run too, what is measured is the wait for a core.  So client and servers ask for the
   highest priority, all the same one (root may have it), and a second table holds only the rounds
   between two turns of the bare program that it came through without such a wait.  `cpu` is the
   processor time that the server takes for an exchange, which knows of no waits.
"""

import contextlib
import os
import select
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from controller.link.modbus_frame import BATCHING_US, FrameReader
from hostsim.table import table
from tests.controller.link import busfuzz
from tests.controller.link.bus import frame
from tests.controller.link.test_modbus_frame import noise_of

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
ADDRESS = 1
REGISTERS = 10
REQUEST = frame(bytes([3, 0, 0, 0, REGISTERS]), ADDRESS)
ANSWER_BYTES = 5 + 2 * REGISTERS
ROUNDS = 300
EXCHANGES = 10  # of each server in each round
PAUSE_S = 0.002  # between two exchanges: the silence that a master has to keep
PATIENCE_S = 5.0
START_S = 3.0  # a server opens its terminal within this, and drops what is in it
BARE_NAME = "a bare program"
BASE_NAME = "pymodbus simulator server"
NOISE_KINDS = ("random", "zeros", "own address", "long heads", "unknown functions")

QUIET_US = 200  # the bare program takes longer only where others hold it up

BARE = """
import os, sys, tty
line = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
tty.setraw(line)
answer = bytes([1, 3, int(sys.argv[2])]) + bytes(int(sys.argv[2]) + 2)
while True:
    os.read(line, 4096)
    os.write(line, answer)
"""

PYMODBUS = """
import sys
from pymodbus.server import StartSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice
device = SimDevice(1, simdata=[SimData(0, count=100, values=17, datatype=DataType.REGISTERS)])
StartSerialServer(device, port=sys.argv[1], baudrate=19200)
"""

ALONE = """
import os, select, sys, time, tty
from pathlib import Path
from controller.board.lockstep import Lockstep
from controller.firmware import Firmware
from controller.link.authority import BUS
from controller.link.desk import Desk
from controller.link.modbus import ModbusServer
from hostsim.config import load
settings = load(Path(sys.argv[2])).settings
firmware = Firmware(Lockstep(0, (b"", b""), 1).ports, settings)
server = ModbusServer(Desk(firmware, BUS), settings)
line = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
tty.setraw(line)
while True:
    ready = select.select([line], [], [], 0.05)[0]
    server.feed(os.read(line, 4096) if ready else b"", time.monotonic_ns() // 1000)
    answer = server.take()
    if answer:
        os.write(line, answer)
"""


def fuzz(frames: int, seed: int) -> None:
    start = time.perf_counter()
    moved = busfuzz.run(seed, frames)
    seconds = time.perf_counter() - start
    print(f"fuzz: {frames:,} frames, {moved:,} moves, each by a whole frame; ", end="")
    print(f"every good one answered; {frames / seconds:,.0f} frames/s with all checks")


def read_noise(data: bytes, batching: int) -> float:
    """Processor time to read it in s, best of five."""
    best = float("inf")
    for _ in range(5):
        reader = FrameReader(17, 19200, batching, lambda *_: None)
        start = time.process_time()
        reader.feed(data, 0)
        reader.poll(2 * BATCHING_US)
        best = min(best, time.process_time() - start)
    return best


def resynchronise() -> None:
    for kind in NOISE_KINDS:
        for batching, way in ((0, "silence"), (1, "length")):
            short, long = (read_noise(noise_of(kind, n), batching) for n in (16384, 65536))
            print(
                f"noise, {kind}, by {way}: 64 KiB in {long * 1e3:.0f} ms, ratio {long / short:.2f}"
            )


Round = dict[str, tuple[list[float], float]]  # by server: turnarounds, processor time, in us


class Client:
    """One end of a terminal, with a stop watch."""

    def __init__(self, descriptor: int, server: int) -> None:
        """`server`: the process at the other end."""
        self._descriptor = descriptor
        self._server = server
        self.microseconds: list[float] = []

    def cpu_us(self) -> float:
        """Processor time that the server has taken so far (Linux)."""
        return int(Path(f"/proc/{self._server}/schedstat").read_text().split()[0]) / 1e3

    def exchange(self) -> bool:
        """Ask once; False if no answer came."""
        os.write(self._descriptor, REQUEST)
        start = time.perf_counter()
        answer = b""
        while len(answer) < ANSWER_BYTES:
            if not select.select([self._descriptor], [], [], PATIENCE_S)[0]:
                return False
            if not answer:
                self.microseconds.append((time.perf_counter() - start) * 1e6)
            answer += os.read(self._descriptor, 4096)
        assert answer[:3] == bytes([ADDRESS, 3, 2 * REGISTERS])
        return True

    def warm_up(self) -> None:
        while not self.exchange():
            pass
        self.microseconds.clear()


@contextlib.contextmanager
def described(batching: str) -> Iterator[Path]:
    """A module description that frames so."""
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "module.toml"
        text = CONFIG.read_text(encoding="utf-8")
        config.write_text(text.replace("batching = false", f"batching = {batching}"))
        yield config


@contextlib.contextmanager
def script_server(script: str, *arguments: Path | str) -> Iterator[Client]:
    """A server that opens the terminal it is given."""
    near, far = os.openpty()
    tty.setraw(far)
    command = [sys.executable, "-c", script, os.ttyname(far), *map(str, arguments)]
    with subprocess.Popen(command) as server:
        try:
            time.sleep(START_S)
            yield Client(near, server.pid)
        finally:
            server.terminate()


@contextlib.contextmanager
def our_server(config: Path) -> Iterator[Client]:
    """`tallywheel serve`, which opens a terminal and tells which."""
    command = [sys.executable, "-m", "hostsim.cli", "serve", str(config), "--link", "modbus"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            terminal = os.open(server.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY)
            yield Client(terminal, server.pid)
        finally:
            server.terminate()


def hurry() -> None:
    """Ask for the highest priority, for this process and those it starts."""
    try:
        os.setpriority(os.PRIO_PROCESS, 0, -20)
    except PermissionError:
        print("turnaround: without priority, other jobs count in")


def turnaround(rounds: int) -> None:
    hurry()
    with contextlib.ExitStack() as stack:
        by_length = stack.enter_context(described("true"))
        by_silence = stack.enter_context(described("false"))
        clients = {
            name: stack.enter_context(server)
            for name, server in (
                (BARE_NAME, script_server(BARE, str(2 * REGISTERS))),
                (BASE_NAME, script_server(PYMODBUS)),
                ("the firmware's server alone", script_server(ALONE, by_length)),
                ("tallywheel serve", our_server(by_length)),
                ("tallywheel serve, by silence", our_server(by_silence)),
            )
        }
        for client in clients.values():
            client.warm_up()
        times = [{name: _round(client) for name, client in clients.items()} for _ in range(rounds)]
    slowest = [max(each[BARE_NAME][0]) for each in times]
    quiet = [
        each
        for each, *ends in zip(times, slowest, slowest[1:], strict=False)
        if max(ends) < QUIET_US
    ]
    for rows, what in ((times, "all"), (quiet, "quiet")):
        print(f"turnaround, {what} {len(rows)} rounds of {EXCHANGES}; ratios to {BASE_NAME}")
        if rows:
            _tell(rows)


def _round(client: Client) -> tuple[list[float], float]:
    """(turnarounds, the server's processor time) of one round, in us."""
    client.microseconds.clear()
    began_us = client.cpu_us()
    for _ in range(EXCHANGES):
        assert client.exchange()
        time.sleep(PAUSE_S)
    return client.microseconds[:], client.cpu_us() - began_us


def _tell(rounds: list[Round]) -> None:
    rows = []
    base: tuple[float, ...] | None = None
    for name in (BASE_NAME, *(name for name in rounds[0] if name != BASE_NAME)):
        times = list(chain.from_iterable(each[name][0] for each in rounds))
        cpu_us = sum(each[name][1] for each in rounds) / len(times)
        figures = (statistics.median(times), statistics.quantiles(times, n=100)[98], cpu_us)
        base = base or figures
        row = [
            f"{figure:.0f}  {figure / one:5.2f}" for figure, one in zip(figures, base, strict=True)
        ]
        rows.append([name, *row])
    print(table(("server", "median us, ratio", "p99 us, ratio", "cpu us, ratio"), rows))


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    turnaround(ROUNDS)
    resynchronise()
    if frames:
        fuzz(frames, seed)


if __name__ == "__main__":
    main()
