"""The manifest of a bundle: what is in it, made of what, for which board and MicroPython.

Theory of operation
-------------------
`manifest.json` lies in the bundle, names every other file with its size and SHA-256, and is the one
way to tell a bundle from any other folder.  It holds nothing that changes from one making to the
next: no time, no path, no name of a machine.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

NAME = "manifest.json"
FORMAT = "tallywheel bundle 1"


class NoBundleError(ValueError):
    """A folder that is no bundle, or a damaged one; the message says why."""


@dataclass(frozen=True)
class FileEntry:
    """One file: its size and the SHA-256 of its bytes, in hexadecimal digits."""

    size: int
    sha256: str

    @classmethod
    def of(cls, data: bytes) -> "FileEntry":
        """The entry of a file that holds `data`."""
        return cls(len(data), hashlib.sha256(data).hexdigest())


@dataclass(frozen=True)
class Manifest:
    """What `manifest.json` says; `files` by their path in the bundle, with slashes.

    `mpy_version`: of the bytecode format; `micropython_least`: the earliest release to run it on.
    """

    module: str
    board: str
    versions: Mapping[str, str]
    mpy_version: int
    micropython_least: tuple[int, int]
    settings_sha256: str
    files: Mapping[str, FileEntry]

    @property
    def total_bytes(self) -> int:
        """Bytes of all files, without the manifest's own."""
        return sum(entry.size for entry in self.files.values())

    def to_json(self) -> str:
        """The text of `manifest.json`."""
        values: dict[str, Any] = {"format": FORMAT, **asdict(self)}
        values["files"] = dict(sorted(values["files"].items()))
        return json.dumps(values, indent=1) + "\n"


def read(folder: Path) -> Manifest:
    """The manifest of the bundle in `folder`. Raises NoBundleError."""
    try:
        values = json.loads((folder / NAME).read_text(encoding="utf-8"))
        if values.pop("format") != FORMAT:
            raise NoBundleError(f"{folder} is a bundle of another version; make it again")
        values["files"] = {path: FileEntry(**each) for path, each in values["files"].items()}
        values["micropython_least"] = tuple(values["micropython_least"])
        return Manifest(**values)
    except NoBundleError:
        raise
    except OSError as error:
        raise NoBundleError(f"{folder} is no bundle: {NAME}: {error.strerror}") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise NoBundleError(f"{folder / NAME} is damaged; make the bundle again") from error


def verify(folder: Path, manifest: Manifest) -> list[str]:
    """What differs between the files in `folder` and the manifest, one line each; [] if nothing."""
    found = []
    for path, entry in manifest.files.items():
        try:
            data = (folder / path).read_bytes()
        except OSError as error:
            found.append(f"{path}: {error.strerror}")
            continue
        if FileEntry.of(data) != entry:
            found.append(f"{path}: not what the manifest says")
    return found
