"""Making a bundle: compiled firmware, settings, planned words, manifest, in one folder.

Theory of operation
-------------------
Everything is made in memory first, checked against the board, then written into a new folder beside
the wanted one and moved into its place: what stands there is a whole bundle, the old or the new.
Only a bundle, or an empty folder, is ever replaced.

The same description gives the same bytes, whenever and wherever it is made with the same versions.
"""

import contextlib
import functools
import hashlib
import io
import shutil
import tempfile
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from mpremote.romfs import make_romfs

from controller.motion.gear import PocketRatio
from controller.motion.profile import SHORT_MOVES, Planner
from controller.settings import Settings, SettingsError
from hostsim.bundle import boards, compile, fold, manifest, shake, shorten
from hostsim.bundle.boards import Board
from hostsim.bundle.manifest import FileEntry, Manifest
from hostsim.config import ModuleConfig
from hostsim.named import named

SETTINGS, WORDS, ROMFS = "settings.json", "profile.bin", "firmware.romfs"
PACKAGES = ("tallywheel", "transitions")


class MisfitError(ValueError):
    """The module does not fit the board; `problems` says why, one line each."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


@dataclass(frozen=True)
class Bundle:
    """A bundle in memory: its files by path, its manifest, and the ROMFS image or b""."""

    files: dict[str, bytes]
    manifest: Manifest
    romfs: bytes


def make(config: ModuleConfig, board: Board, romfs: bool = False) -> Bundle:
    """Make a bundle in memory. Raises MisfitError, CompileError."""
    settings = _for_board(config.settings, board)
    planner = _planner(settings)
    words = planner.saved(short_lengths(settings, planner.ramp_steps))
    code = firmware(board.march)
    files = {**code, SETTINGS: settings.to_json().encode(), WORDS: words}
    misfits = boards.problems(
        board, 2 * len(words) // boards.WORD_BYTES, sum(map(len, files.values()))
    )
    if misfits:
        raise MisfitError(misfits)
    versions = {name: version(name) for name in PACKAGES}
    about = Manifest(
        module=settings.name,
        board=board.name,
        versions={**versions, "mpy-cross": compile.compiler_version()},
        mpy_version=compile.MPY_VERSION,
        micropython_least=compile.MICROPYTHON_LEAST,
        settings_sha256=hashlib.sha256(files[SETTINGS]).hexdigest(),
        files={path: FileEntry.of(data) for path, data in files.items()},
    )
    return Bundle(files, about, rom_image(code) if romfs else b"")


@functools.cache  # the sources stay as they are while a program runs
def firmware(march: str) -> dict[str, bytes]:
    """The compiled files, and `main.py`, by their paths. Not to be changed. Raises CompileError."""
    texts = compile.sources()
    main = texts.pop(compile.ENTRY)
    return {**compile.compile_all(condense(texts, main), march), compile.MAIN: main}


def condense(texts: dict[str, bytes], entry: bytes) -> dict[str, bytes]:
    """The sources as a board needs them: same lines, same doings, less heap."""
    return shorten.shorten_all(shake.shake_all(fold.fold_all(texts), entry))


def write(bundle: Bundle, folder: Path) -> None:
    """Put a bundle into `folder`, in place of an older one. Raises NoBundleError, OSError."""
    folder = folder.resolve()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        manifest.read(folder)  # nothing but a bundle is replaced
    fresh = folder.with_name(folder.name + ".new")
    if fresh.exists():
        manifest.read(fresh)  # left by a making that was interrupted, or somebody's own
        shutil.rmtree(fresh)
    fresh.mkdir(parents=True)
    # First, so that whatever interrupts the making leaves something known as a bundle.
    with named(fresh):
        (fresh / manifest.NAME).write_text(bundle.manifest.to_json(), encoding="utf-8")
        _fill(fresh, bundle.files)
        if bundle.romfs:
            (fresh / ROMFS).write_bytes(bundle.romfs)
    if folder.exists():
        shutil.rmtree(folder)
    fresh.rename(folder)


def short_lengths(settings: Settings, ramp_steps: int) -> list[int]:
    """Steps of the runs over whole pockets that are over before cruise, at most SHORT_MOVES.

    Runs from one dwell position to another, few pockets first.  Their rounding varies by a step.
    """
    ratio = PocketRatio(
        settings.motor_full_steps,
        settings.motor_microsteps,
        settings.gear_stages,
        settings.sprocket_pockets,
    )
    found: list[int] = []
    for pockets in range(1, settings.sprocket_pockets + 1):
        ends = {ratio.target(at + pockets) - ratio.target(at) for at in range(ratio.den)}
        found += sorted(steps for steps in ends if 0 < steps < 2 * ramp_steps)
    return found[:SHORT_MOVES]


def rom_image(code: dict[str, bytes]) -> bytes:
    """A ROMFS image of the compiled files among `code`, by mpremote's own builder."""
    compiled = {path: data for path, data in code.items() if path.endswith(compile.COMPILED)}
    with tempfile.TemporaryDirectory() as folder:
        _fill(Path(folder), compiled)
        with contextlib.redirect_stdout(io.StringIO()):  # it lists every file
            return bytes(make_romfs(folder, mpy_cross=False))


def _fill(folder: Path, files: dict[str, bytes]) -> None:
    for path, data in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)


def _for_board(settings: Settings, board: Board) -> Settings:
    """The settings with the board's name in them; the pins are checked against it once more."""
    try:
        return Settings({**settings.as_dict(), "board_name": board.name})
    except SettingsError as error:
        raise MisfitError([str(problem) for problem in error.problems]) from error


def _planner(settings: Settings) -> Planner:
    return Planner(
        settings.limit_velocity_steps_s,
        settings.limit_acceleration_steps_s2,
        settings.limit_jerk_steps_s3,
    )
