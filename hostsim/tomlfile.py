"""TOML files as people save them: read in one way, with the mark that some editors put first."""

import tomllib
from pathlib import Path
from typing import Any


def read_toml(path: Path) -> dict[str, Any]:
    """What a TOML file holds. Raises ValueError that says why it is none, in one line; OSError."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except RecursionError as error:
        raise ValueError("not a TOML file: lists or tables nested too deeply") from error
    except ValueError as error:  # of tomllib, of a wrong encoding, of a number too long to read
        raise ValueError(f"not a TOML file: {error}") from error
