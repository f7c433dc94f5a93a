"""Files that are written: whole or not at all, and whose trouble it was if that fails.

Opening a file fails with its name; writing to one that is open fails without, on a full disk say.
Whatever ends a writing half way (Ctrl-C, a full disk, a crash), the old file stays as it was.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def named(path: Path) -> Iterator[None]:
    """Have an OSError that names no file name `path`."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield the path to write to; what is there takes the place of `path` once the body is done.

    A device or a pipe is no file that could be put in the place of another: it is written to as it
    is. Raises OSError that names `path`.
    """
    with named(path):
        if path.exists() and not path.is_file():
            yield path
            return
        target = path.resolve()  # what a link leads to is replaced, not the link
        beside = target.with_name(target.name + ".new")
        try:
            yield beside
            with beside.open("rb") as file:
                os.fsync(file.fileno())  # or a power cut could leave the name without the bytes
            beside.replace(target)
        except OSError as error:
            error.filename, error.filename2 = str(path), None  # nobody has asked for the other
            raise
        finally:
            with suppress(OSError):
                beside.unlink()
