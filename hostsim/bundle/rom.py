"""The ROM partition of a board: whether it holds the code of a bundle, and how that gets there.

Theory of operation
-------------------
Code that lies in a ROM partition runs from there and takes no heap.  A partition is flash without
a file system, so there is no file to look at: what is in it is read block by block, and the board
itself takes its SHA-256.  mpremote's own `romfs deploy` writes it.

Names of a program that was loaded from ROM stay there too: after a firmware has run, the
interpreter would look for names in memory that is being erased.  So it starts anew first: a soft
reset into the raw prompt, which runs no `main.py`.
"""

import contextlib
import io
import tempfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from types import SimpleNamespace

from mpremote.commands import CommandError, do_romfs
from mpremote.transport_serial import SerialTransport

PARTITION = 0  # the first one; this chip's MicroPython has no other
BUILD = "MICROPY_HW_ROMFS_BYTES=262144"  # what it has to be built with to have one of this size
# Functions of the board's, for `eval`.  A number below 0 stands for a partition that is not there.
_ON_BOARD = f"""
import vfs
from hashlib import sha256
def rom_of():
    return vfs.rom_ioctl(2, {PARTITION}) if hasattr(vfs, "rom_ioctl") else -1
def rom_bytes():
    rom = rom_of()
    return rom if isinstance(rom, int) else rom.ioctl(4, 0) * rom.ioctl(5, 0)
def rom_hash(size):
    rom, found = rom_of(), sha256()
    part = bytearray(rom.ioctl(5, 0))
    for start in range(0, size, len(part)):
        rom.readblocks(start // len(part), part)
        found.update(memoryview(part)[:size - start])
    return found.digest()
"""


class RomError(Exception):
    """The board has no ROM partition, or the image did not get there; says what to do."""


def holds(board: SerialTransport, image: bytes) -> bool:
    """Whether the partition of the board, at its raw prompt, begins with `image`.

    Raises RomError where there is no partition, or the image has no room in it.
    """
    board.exec(_ON_BOARD)
    size = board.eval("rom_bytes()")
    if size <= 0:
        raise RomError(f"its MicroPython has no ROM partition: take one built with {BUILD}")
    if len(image) > size:
        raise RomError(
            f"its ROM partition has {size} bytes, the code takes {len(image)}: take a MicroPython "
            f"built with {BUILD}"
        )
    return bool(board.eval(f"rom_hash({len(image)})") == sha256(image).digest())


def deploy(board: SerialTransport, image: bytes) -> None:
    """Write `image` into the partition and read it back. Raises RomError."""
    board.enter_raw_repl(soft_reset=True)
    with _file(image) as path, contextlib.redirect_stdout(io.StringIO()) as said:
        try:
            do_romfs(
                SimpleNamespace(transport=board, ensure_raw_repl=int, did_action=int),
                SimpleNamespace(command=["deploy"], partition=PARTITION, path=path, mpy=False),
            )
        except (CommandError, SystemExit) as error:
            why = said.getvalue().splitlines()[-1:] or [str(error)]
            raise RomError(f"the ROM partition could not be written: {why[0]}") from error
    if not holds(board, image):
        raise RomError("the code did not get into the ROM partition unharmed; try again")


@contextlib.contextmanager
def _file(image: bytes) -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "image.romfs")
        path.write_bytes(image)
        yield str(path)
