"""How much heap the firmware of a bundle takes, in a 32-bit MicroPython as a board's is.

    python -m tests.bench.heap [PARTS] [CONFIG]

Makes a bundle and boots it in an interpreter with 32-bit words and heap blocks of 16 bytes
(`tests.wasm32`), twice: with the compiled files on a file system, where code is loaded into the
heap, and in a ROMFS image, where it stays in flash.  Prints what is in use after boot, without
garbage, room by room; then has PARTS parts dispensed in requests for 100, and prints the garbage
of a part and what is in use after each tenth.  Last, the same parts in the 64-bit MicroPython for
computers, and the smallest heap in which it boots and dispenses at all, which is the peak.

A room's share is its code, names, tables and texts; what the rooms make of themselves at boot
stands below.  What the interpreter itself has in use is left out, and so is the store, which a
board has in another memory.  Bytes depend on nothing but the versions.

The target is 150 KB (153,600 bytes) after boot.
"""

import sys
import tempfile
from contextlib import closing
from pathlib import Path

from hostsim.bundle import build
from hostsim.bundle.boards import BOARDS
from hostsim.config import ModuleConfig, load
from hostsim.dispensing import dispense
from hostsim.engine import Child, EngineError
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog
from hostsim.store import SimStore
from hostsim.table import table
from tests.wasm32 import Wasm32, shares

CONFIGS = Path(__file__).parents[2] / "configs"
TARGET = 150 * 1024
QUANTITY = 100
STORE_BYTES = 1_024  # a segment


AT_BOOT = {
    "settings": "settings, pins, names",
    "ports": "lock-step ports",
    "objects": "objects of all rooms",
}


def rooms(bundle: Path, romfs: bool) -> dict[str, int]:
    """Bytes of each room, and of what is made at boot."""
    found: dict[str, int] = {}
    for name, size in shares(bundle, romfs).items():
        parts = name.split(".")
        room = f"{parts[1]}/" if len(parts) > 2 else AT_BOOT.get(name, parts[-1])
        found[room] = found.get(room, 0) + size
    return found


def run(config: ModuleConfig, engine, parts: int) -> list:
    """Have parts dispensed; return what `engine.memory` says at boot and after each tenth."""
    store = SimStore(STORE_BYTES)
    with SimModule(config, 1, "everyday", engine, EventLog(keep=False), store) as module:
        said = [engine.memory()]
        requests = parts // QUANTITY
        for number, _ in enumerate(dispense(module, QUANTITY, requests), 1):
            if number % max(1, requests // 10) == 0:
                said.append(engine.memory())
    return said


def smallest_heap(config: ModuleConfig, bundle: Path) -> int:
    """KB of the smallest heap in which two requests come to their end, to within 4 KB."""
    low, high = 100, 2_000
    while high - low > 4:
        middle = (low + high) // 2
        try:
            with closing(Child("micropython", bundle, f"{middle}K")) as child:
                run(config, child, 2 * QUANTITY)
            high = middle
        except EngineError:
            low = middle
    return high


def main() -> None:
    parts = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    config = load(CONFIGS / (sys.argv[2] if len(sys.argv) > 2 else "m4_nut.toml"))
    with tempfile.TemporaryDirectory() as folder:
        bundle = Path(folder, "bundle")
        build.write(build.make(config, BOARDS["rp2040"], romfs=True), bundle)
        print_shares(bundle)
        for romfs in (False, True):
            with closing(Wasm32(bundle, romfs)) as engine:
                print_run(
                    "in a ROMFS image" if romfs else "from files", run(config, engine, parts), parts
                )
        with closing(Child("micropython", bundle)) as child:
            used = [each[0] for each in run(config, child, parts)]
        peak = smallest_heap(config, bundle) * 1024
        print(f"64-bit, from files: {used[0]} bytes in use after boot, then", *used[1:])
        print(f"the smallest 64-bit heap it runs in: {peak} bytes, {peak / used[0]:.2f} of that")


def print_shares(bundle: Path) -> None:
    files, image = rooms(bundle, False), rooms(bundle, True)
    rows = [[room, str(files[room]), str(image[room])] for room in files]
    totals = {"from files": sum(files.values()), "in a ROMFS image": sum(image.values())}
    print(table(["room", *totals], [*rows, ["all", *map(str, totals.values())]]))
    for name, total in totals.items():
        print(f"{name}: {total} bytes in use after boot, {total / TARGET:.2f} of the target")


def print_run(name: str, said: list, parts: int) -> None:
    _, garbage, rounds = said[-1]
    print(
        f"{name}: {garbage / parts:.0f} bytes of garbage a part, {garbage / rounds:.0f} a round; "
        "in use after each tenth:",
        *(each[0] for each in said[1:]),
    )


if __name__ == "__main__":
    main()
