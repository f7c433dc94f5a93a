"""Shipped module descriptions with some keys changed, for the tests of what follows from them."""

import copy
import tomllib
from pathlib import Path
from typing import Any

from hostsim.config import ModuleConfig, convert

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
_WRITTEN = {path.stem: tomllib.loads(path.read_text()) for path in CONFIGS}


def described(name: str = "m4_nut", **sections: dict[str, Any]) -> ModuleConfig:
    """The description configs/`name`.toml after some new values, by section."""
    written = copy.deepcopy(_WRITTEN[name])
    for section, content in sections.items():
        written.setdefault(section, {}).update(content)
    return convert(written, Path(f"{name}.toml"))
