"""The Modbus server under load: a million damaged frames, noise, and how soon it answers.

    python -m tests.bench.bench_modbus [FRAMES] [SEED]

1. The fuzz of the tests, for FRAMES frames (10^6): nothing moves unasked, the next good one is
   answered.
2. Noise without a pause, 16 KiB and 64 KiB of each kind: processor time to read it, and the
   ratio, which is 4 when time is linear in length.
3. Turnaround over a pseudo-terminal: from the request's last byte to the answer's first, as one and
   the same client sees it.  Servers: pymodbus's simulator server, which frames by length too; the
   firmware's server alone, with the firmware's own state behind it and, as with theirs, no world to
   simulate; `tallywheel serve` with a whole simulated module; and the same framing by silence,
   which the standard makes 3.5 characters (2.0 ms) long.  The servers take turns, so that all meet
   the same machine; where others run too, what is measured is the wait for a core.
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
from pathlib import Path

from controller.link.modbus_frame import BATCHING_US, FrameReader
from tests.controller.link import busfuzz
from tests.controller.link.bus import frame
from tests.controller.link.test_modbus_frame import noise_of

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
ADDRESS = 1
REGISTERS = 10
REQUEST = frame(bytes([3, 0, 0, 0, REGISTERS]), ADDRESS)
ANSWER_BYTES = 5 + 2 * REGISTERS
ROUNDS = 20
EXCHANGES = 100  # of each server in each round
PAUSE_S = 0.002  # between two exchanges: the silence that a master has to keep
PATIENCE_S = 5.0
START_S = 3.0  # a server opens its terminal within this, and drops what is in it
NOISE_KINDS = ("random", "zeros", "own address", "long heads", "unknown functions")

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


class Client:
    """One end of a terminal, with a stop watch."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self.microseconds: list[float] = []

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
def script_server(script: str, *arguments: Path) -> Iterator[Client]:
    """A server that opens the terminal it is given."""
    near, far = os.openpty()
    tty.setraw(far)
    command = [sys.executable, "-c", script, os.ttyname(far), *map(str, arguments)]
    with subprocess.Popen(command) as server:
        try:
            time.sleep(START_S)
            yield Client(near)
        finally:
            server.terminate()


@contextlib.contextmanager
def our_server(config: Path) -> Iterator[Client]:
    """`tallywheel serve`, which opens a terminal and tells which."""
    command = [sys.executable, "-m", "hostsim.cli", "serve", str(config), "--link", "modbus"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            yield Client(os.open(server.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY))
        finally:
            server.terminate()


def turnaround() -> None:
    with contextlib.ExitStack() as stack:
        by_length = stack.enter_context(described("true"))
        by_silence = stack.enter_context(described("false"))
        clients = {
            name: stack.enter_context(server)
            for name, server in (
                ("pymodbus simulator server", script_server(PYMODBUS)),
                ("the firmware's server alone", script_server(ALONE, by_length)),
                ("tallywheel serve", our_server(by_length)),
                ("tallywheel serve, by silence", our_server(by_silence)),
            )
        }
        for client in clients.values():
            client.warm_up()
        for _ in range(ROUNDS):
            for client in clients.values():
                for _ in range(EXCHANGES):
                    assert client.exchange()
                    time.sleep(PAUSE_S)
    base = None
    for name, client in clients.items():
        median = statistics.median(client.microseconds)
        p99 = statistics.quantiles(client.microseconds, n=100)[98]
        base = base or (median, p99)
        print(
            f"turnaround, {name}: median {median:.0f} us, p99 {p99:.0f} us, "
            f"ratio {median / base[0]:.2f} and {p99 / base[1]:.2f}"
        )


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    turnaround()
    resynchronise()
    fuzz(frames, seed)


if __name__ == "__main__":
    main()
