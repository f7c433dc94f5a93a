"""The entry point of a bundle, on what it takes for a board."""

import importlib.machinery
import runpy
import sys
import types
from pathlib import Path

import pytest

import controller
import controller.board.rp2

START = Path(controller.__file__).parent / "board" / "start.py"
FIRMWARE = "controller.board.rp2.main"


class Modules:
    """Finds the modules of a chip, and the firmware's, and notes what is asked of them."""

    def __init__(self):
        self.log = []
        self.made = {
            "micropython": types.ModuleType("micropython"),
            "machine": types.ModuleType("machine"),
            "rp2": types.ModuleType("rp2"),
            FIRMWARE: types.ModuleType(FIRMWARE),
        }
        self.made["micropython"].kbd_intr = lambda key: self.log.append(("interrupt key", key))
        self.made[FIRMWARE].run = lambda *given, **named: self.log.append(("run", given, named))

    def find_spec(self, name, path=None, target=None):
        if name in self.made:
            return importlib.machinery.ModuleSpec(name, self)
        return None

    def create_module(self, spec):
        self.log.append(("load", spec.name))
        return self.made[spec.name]

    def exec_module(self, module):
        pass


@pytest.fixture
def found(monkeypatch):
    """Stand-ins for what the entry point imports on a board; the real ones come back afterwards."""
    found = Modules()
    for name in found.made:
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setattr(controller.board.rp2, "main", None, raising=False)
    monkeypatch.setattr(sys, "meta_path", [found, *sys.meta_path])
    monkeypatch.setattr(sys, "platform", "rp2")
    yield found
    for name in found.made:
        sys.modules.pop(name, None)


def test_byte_3_cannot_stop_the_board_while_its_firmware_is_loaded(found):
    # A client that comes back after a power cut greets with the device clear, byte 3; MicroPython
    # lets it stop a running `main.py` unless it is told not to (documentation of `kbd_intr`).
    runpy.run_path(str(START))
    assert found.log[:2] == [("load", "micropython"), ("interrupt key", -1)]
    machine, rp2 = found.made["machine"], found.made["rp2"]
    assert found.log[-1] == ("run", (machine, rp2), {"folder": str(START.parent) + "/"})
