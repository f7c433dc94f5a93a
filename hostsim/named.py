"""Whose trouble it was: gives an error of the operating system the name of the file.

Opening a file fails with its name; writing to one that is open fails without, on a full disk say.
"""

from collections.abc import Iterator
from contextlib import contextmanager
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
