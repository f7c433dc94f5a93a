"""One bundle for all tests of this folder: making one takes a second."""

from pathlib import Path

import pytest

from hostsim.bundle import build
from hostsim.bundle.boards import BOARDS
from hostsim.config import ModuleConfig, load

CONFIGS = Path(__file__).parents[3] / "configs"


@pytest.fixture(scope="session")
def nut() -> ModuleConfig:
    """The module that the bundle is for."""
    return load(CONFIGS / "m4_nut.toml")


@pytest.fixture(scope="session")
def made(nut: ModuleConfig) -> build.Bundle:
    """The bundle in memory."""
    return build.make(nut, BOARDS["rp2040"], romfs=True)


@pytest.fixture(scope="session")
def folder(made: build.Bundle, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bundle in a folder; not to be changed."""
    where = tmp_path_factory.mktemp("bundle") / "m4_nut"
    build.write(made, where)
    return where
