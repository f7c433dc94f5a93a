"""A bundle onto a board: copied, verified, and started only when all of it is there.

Theory of operation
-------------------
mpremote does the talking: the raw prompt of MicroPython, and files through it.  A board whose
firmware runs has no prompt, because byte 3 is the device clear there; it is asked over SCPI to
start anew into its prompt, which it refuses while its motor is energised.

`main.py` is what starts the firmware.  It is taken away first and comes back last, when every other
file has been read back and has the SHA-256 of the manifest.  A copy that breaks off therefore
leaves a board that starts nothing; doing it again puts that right.  Files that are the same already
are not copied.  Where the code goes into a ROM partition (`rom`), that is written in between, and
compiled files are taken away with their folders: even an empty one would be found first.

Settings that are on the board stay there, and so does its record of tickets and results, unless
they are to be replaced.  Nothing else on it is touched.
"""

import contextlib
import io
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import serial
from mpremote.transport import TransportError
from mpremote.transport_serial import SerialTransport

from controller.board.rp2.flash import NAMES as RECORD
from hostsim.bundle import manifest, rom
from hostsim.bundle.boards import BOARDS, Board
from hostsim.bundle.build import SETTINGS, rom_image
from hostsim.bundle.compile import COMPILED, MAIN
from hostsim.bundle.manifest import Manifest
from hostsim.client import DispenserClient
from hostsim.errors import LinkError, ModuleError

BAUD = 115_200
FOLDERS = ("controller", "transitions")  # all that is in these on a board is a bundle's
PROMPT_S = 3  # a board at its prompt answers within this
RESTART_S = 15.0  # a board comes back within this, and its USB port is found again
PAUSE_S = 0.3
CHUNK_BYTES = 512  # at once; the board has to hold it four times over
TROUBLES = (TransportError, serial.SerialException, OSError)

Show = Callable[[int, int, str], None]  # bytes done, bytes in all, file


class FlashError(Exception):
    """The board is not the right one, or can't be had; the message says what to do."""


@dataclass(frozen=True)
class Flashed:
    """What was done: files copied, those that were the same, those removed, settings kept.

    `rom`: True if its ROM partition was written, False if it held the code already, None if the
    code is among the files.
    """

    copied: list[str]
    same: list[str]
    removed: list[str]
    kept_settings: bool
    rom: bool | None


def flash(
    port: str,
    folder: Path,
    *,
    settings: bool = False,
    record: bool = False,
    in_rom: bool = False,
    start: bool = True,
    boards: Mapping[str, Board] = BOARDS,
    show: Show = lambda done, total, path: None,
) -> Flashed:
    """Bring the bundle in `folder` onto the board at `port`.

    `settings`, `record`: replace the board's settings, and remove its record; `in_rom`: the code
    goes into the ROM partition, as it always does on a board whose heap can't hold it; `start`:
    start it afterwards.
    Raises FlashError, NoBundleError.
    """
    about = manifest.read(folder)
    damaged = manifest.verify(folder, about)
    if damaged:
        raise FlashError(f"{folder} is damaged: {damaged[0]}; make the bundle again")
    if about.board not in boards:
        raise FlashError(f"{folder} is for a board that is not known here: {about.board}")
    wanted = boards[about.board]
    try:
        with at_prompt(port) as board:
            _refuse_misfit(board, about, wanted)
            image = _image(folder, about) if in_rom or not wanted.from_files else b""
            done = _copy(board, folder, about, settings, image, show)
            if record:
                done.removed.extend(_remove(board, RECORD))
            if start:
                board.exec_raw_no_follow("import machine\nmachine.reset()")
            return done
    except rom.RomError as error:
        raise FlashError(f"the board at {port}: {error}") from error
    except TROUBLES as trouble:
        why = " ".join(str(trouble).split())
        raise FlashError(f"the board at {port} stopped answering ({why}); try again") from trouble


@contextlib.contextmanager
def at_prompt(port: str) -> Iterator[SerialTransport]:
    """The board at `port`, at its raw prompt. Raises FlashError."""
    board = _reach(port)
    try:
        yield board
    finally:
        with contextlib.suppress(*TROUBLES):
            board.exit_raw_repl()
        with contextlib.suppress(*TROUBLES):
            board.close()


def _reach(port: str) -> SerialTransport:
    try:
        return _enter(port)
    except TROUBLES:
        pass  # its firmware may be running
    try:
        with DispenserClient(port, baud=BAUD) as module:
            module.tell("SYSTem:RESTart PROMpt")
    except LinkError as error:
        raise FlashError(f"neither MicroPython nor a module answers at {port}: {error}") from error
    except ModuleError as error:
        raise FlashError(f"{error}; stop the unit first, and mind its motor") from error
    deadline_s = time.monotonic() + RESTART_S
    while True:
        try:
            return _enter(port)
        except TROUBLES as error:
            if time.monotonic() > deadline_s:
                raise FlashError(f"the board at {port} did not come to its prompt") from error
            time.sleep(PAUSE_S)


def _enter(port: str) -> SerialTransport:
    with contextlib.redirect_stdout(io.StringIO()):  # it tells its troubles there
        board = SerialTransport(port, baudrate=BAUD)
        try:
            board.enter_raw_repl(soft_reset=False, timeout_overall=PROMPT_S)
        except TROUBLES:
            board.close()
            raise
    return board


def _refuse_misfit(board: SerialTransport, about: Manifest, wanted: Board) -> None:
    """Raise FlashError unless this is the board that the bundle is for."""
    board.exec("import sys, os")
    facts = "(sys.implementation._machine, tuple(sys.implementation.version[:3]), "
    machine, release, mpy = board.eval(facts + "sys.implementation._mpy & 255)")
    if wanted.machine not in machine:
        raise FlashError(f"the bundle is for {wanted.machine}, the board is: {machine}")
    if tuple(release[:2]) < tuple(about.micropython_least) or mpy != about.mpy_version:
        least = ".".join(map(str, about.micropython_least))
        raise FlashError(
            f"the board runs MicroPython {'.'.join(map(str, release))} with mpy format {mpy}; the "
            f"bundle needs {least} or later with format {about.mpy_version}"
        )


def _image(folder: Path, about: Manifest) -> bytes:
    """The compiled files of a bundle as an image for a ROM partition."""
    paths = [path for path in about.files if path.endswith(COMPILED)]
    return rom_image({path: (folder / path).read_bytes() for path in paths})


def _copy(
    board: SerialTransport, folder: Path, about: Manifest, settings: bool, image: bytes, show: Show
) -> Flashed:
    """Bring files and, if there is one, the ROM `image` onto the board at its prompt."""
    there = dict(_files(board, ""))
    in_files = [path for path in about.files if not image or not path.endswith(COMPILED)]
    wanted = {path: about.files[path] for path in in_files}
    kept = SETTINGS in there and not settings
    if kept:
        del wanted[SETTINGS]
    same = [
        path for path, each in wanted.items() if path in there and _hash(board, path) == each.sha256
    ]
    ours = [path for path in there if path.partition("/")[0] in FOLDERS]
    stale = [path for path in ours if path not in wanted]
    fresh = [path for path in wanted if path not in same and path != MAIN]
    _refuse_overfull(board, sum(wanted[path].size - there.get(path, 0) for path in fresh))
    new_rom = bool(image) and not rom.holds(board, image)
    if fresh or stale or new_rom or MAIN not in same:
        _remove(board, [MAIN, manifest.NAME, *stale])
        if image:
            _remove_folders(board, "")
        fresh += [MAIN]
        same = [path for path in same if path != MAIN]
    if new_rom:
        show(0, len(image), "the ROM partition")
        rom.deploy(board, image)
    total, done = sum(wanted[path].size for path in fresh), 0
    for path in fresh:
        show(done, total, path)
        if path == MAIN:  # all else is there, and is what it should be
            _put(board, manifest.NAME, (folder / manifest.NAME).read_bytes())
        _put(board, path, (folder / path).read_bytes())
        if _hash(board, path) != wanted[path].sha256:
            raise FlashError(f"{path} did not get onto the board unharmed; try again")
        done += wanted[path].size
    return Flashed(fresh, same, stale, kept, new_rom if image else None)


def _files(board: SerialTransport, folder: str) -> Iterator[tuple[str, int]]:
    """Path and size of every file at the top of the board, and of those in `FOLDERS`."""
    for entry in board.fs_listdir(folder):
        path = f"{folder}/{entry.name}" if folder else entry.name
        if not entry.st_mode & 0x4000:
            yield path, entry.st_size
        elif path.partition("/")[0] in FOLDERS:
            yield from _files(board, path)


def _refuse_overfull(board: SerialTransport, needed: int) -> None:
    free = board.eval("os.statvfs(os.getcwd())[1] * os.statvfs(os.getcwd())[3]")
    if needed > free:
        raise FlashError(f"the board has {free} bytes of flash left, {needed} more are needed")


def _remove(board: SerialTransport, paths: Iterable[str]) -> list[str]:
    """Remove the files there are; return which."""
    gone = []
    for path in paths:
        if board.fs_exists(path):
            board.fs_rmfile(path)
            gone.append(path)
    return gone


def _remove_folders(board: SerialTransport, folder: str) -> None:
    """Remove `FOLDERS` and those in them, which hold no file any more."""
    for entry in board.fs_listdir(folder):
        path = f"{folder}/{entry.name}" if folder else entry.name
        if entry.st_mode & 0x4000 and path.partition("/")[0] in FOLDERS:
            _remove_folders(board, path)
            board.fs_rmdir(path)


def _put(board: SerialTransport, path: str, data: bytes) -> None:
    for parent in reversed(PurePosixPath(path).parents[:-1]):
        if not board.fs_exists(str(parent)):
            board.fs_mkdir(str(parent))
    board.fs_writefile(path, data, chunk_size=CHUNK_BYTES)


def _hash(board: SerialTransport, path: str) -> str:
    return board.fs_hashfile(path, "sha256", chunk_size=CHUNK_BYTES).hex()
