"""Bundles onto a board: a real MicroPython at its prompt on a pseudo-terminal, in an empty folder.

It is the one for computers, so the chip's name, the resets and a flash that is full are not the
real thing, and its ROM partition is a stand-in (`ROM`) with the shape of the rp2 port's: an object
with `ioctl`, `readblocks` and `writeblocks`.  mpremote, the raw prompt, the files and their hashes
are.
"""

import os
import subprocess
import tty
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from mpremote.transport_serial import SerialTransport

from hostsim.bundle import boards, build, flash, manifest, rom
from hostsim.bundle.flash import FlashError
from hostsim.cli import main
from hostsim.engine import find_micropython
from tests.hostsim.peer import Peer

# As if it were that board, with more heap.
COMPUTER = replace(boards.BOARDS["rp2040"], machine="linux", from_files=True)
BOARDS = {"rp2040": COMPUTER}

ROM_BLOCKS = 64
# Flash: erased block by block, and written to erased bytes only.  `ioctl` as of a block device:
# 4 how many blocks, 5 bytes of one, 6 erase one.
ROM = """
import sys
class Rom:
    def __init__(self, blocks):
        self.blocks = [bytearray(4096) for _ in range(blocks)]
    def ioctl(self, what, argument):
        if what == 6:
            self.blocks[argument] = bytearray(b"\\xff" * 4096)
        return (len(self.blocks), 4096, 0)[what - 4]
    def readblocks(self, block, data, offset=0):
        data[:] = self.blocks[block][offset : offset + len(data)]
    def writeblocks(self, block, data, offset=0):
        assert self.blocks[block][offset : offset + len(data)] == b"\\xff" * len(data)
        self.blocks[block][offset : offset + len(data)] = data
class Vfs:
    rom = Rom({blocks})
    def rom_ioctl(self, what, *arguments):
        return self.rom if what == 2 else -22
    def umount(self, path):
        pass
sys.modules["vfs"] = Vfs()
"""


@pytest.fixture(scope="module")
def bundle(nut, tmp_path_factory) -> Path:
    """A bundle for a computer."""
    where = tmp_path_factory.mktemp("flash") / "bundle"
    build.write(build.make(nut, COMPUTER), where)
    return where


@pytest.fixture
def rom_blocks():
    """How many blocks the ROM partition has; a test may want fewer."""
    return ROM_BLOCKS


@pytest.fixture
def board(tmp_path, rom_blocks):
    """(port, folder) of a MicroPython that waits at its prompt."""
    its, far = os.openpty()
    tty.setraw(far)
    prelude = ["-i", "-c", ROM.format(blocks=rom_blocks)] if rom_blocks else []
    process = subprocess.Popen(
        [find_micropython(), *prelude], stdin=its, stdout=its, stderr=its, cwd=tmp_path
    )
    yield os.ttyname(far), tmp_path
    process.kill()
    process.wait()
    os.close(far)
    os.close(its)


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def bring(port, bundle, **options):
    return flash.flash(port, bundle, boards=BOARDS, start=False, **options)


def test_a_bundle_gets_onto_an_empty_board_and_again(board, bundle):
    port, there = board
    shown = []
    done = bring(port, bundle, show=lambda *each: shown.append(each))
    assert contents(there) == contents(bundle)
    assert done.copied[-1] == "main.py"
    assert shown[-1][2] == "main.py"
    assert all(done_bytes <= total for done_bytes, total, _ in shown)
    again = bring(port, bundle)
    assert again.copied == []
    assert set(again.same) == {*manifest.read(bundle).files} - {"settings.json"}
    assert again.kept_settings


def test_what_is_the_boards_own_stays_and_what_is_old_goes(board, bundle):
    port, there = board
    kept = {"settings.json": b"{}", "journal.0": b"tickets", "notes.txt": b"mine"}
    for name, data in kept.items():
        (there / name).write_bytes(data)
    (there / "controller").mkdir()
    (there / "controller" / "old.mpy").write_bytes(b"of an older version")
    (there / "controller" / "firmware.mpy").write_bytes(b"of an older version")
    done = bring(port, bundle)
    assert done.removed == ["controller/old.mpy"]
    assert contents(there) == contents(bundle) | kept
    done = bring(port, bundle, settings=True, record=True)
    assert "settings.json" in done.copied
    assert done.removed == ["journal.0"]
    assert contents(there) == contents(bundle) | {"notes.txt": b"mine"}


@pytest.fixture
def soft_resets(monkeypatch):
    """The interpreter for computers can't start anew at its raw prompt: note where it should."""
    asked = []
    enter = SerialTransport.enter_raw_repl

    def entered(self, soft_reset=True, timeout_overall=10):
        if soft_reset:
            asked.append(self)
        if not self.in_raw_repl:
            enter(self, soft_reset=False, timeout_overall=timeout_overall)

    monkeypatch.setattr(SerialTransport, "enter_raw_repl", entered)
    return asked


def in_rom(port, size):
    """The SHA-256 of the first bytes of the ROM partition."""
    with flash.at_prompt(port) as prompt:
        prompt.exec("import hashlib, vfs\nrom = b''.join(vfs.rom_ioctl(2, 0).blocks)")
        return prompt.eval(f"hashlib.sha256(memoryview(rom)[:{size}]).digest()")


def test_code_gets_into_rom_and_out_of_the_files(board, bundle, made, soft_resets):
    port, there = board
    (there / "controller" / "old").mkdir(parents=True)
    (there / "controller" / "firmware.mpy").write_bytes(b"would be found before the ROM's")
    assert bring(port, bundle, in_rom=True).rom is True
    assert set(contents(there)) == {"main.py", "manifest.json", "settings.json", "profile.bin"}
    # MicroPython takes a folder for a package, and looks no further, even if it is empty.
    assert not (there / "controller").exists()
    assert in_rom(port, len(made.romfs)) == sha256(made.romfs).digest()
    assert len(soft_resets) == 1  # nothing of what ran from there may be left when it is erased
    again = bring(port, bundle, in_rom=True)
    assert (again.rom, again.copied, len(soft_resets)) == (False, [], 1)


def test_another_image_in_rom_is_replaced_and_nothing_starts_before(
    board, bundle, soft_resets, monkeypatch
):
    port, there = board
    bring(port, bundle, in_rom=True)
    with flash.at_prompt(port) as prompt:
        prompt.exec("import vfs\nvfs.rom_ioctl(2, 0).blocks[3][7] ^= 1")
    deploy = rom.deploy
    would_start = []

    def watched(board, image):
        would_start.append((there / "main.py").exists())
        deploy(board, image)

    monkeypatch.setattr(rom, "deploy", watched)
    assert bring(port, bundle, in_rom=True).rom is True
    assert would_start == [False]
    assert (there / "main.py").exists()


@pytest.mark.parametrize(
    ("rom_blocks", "why"), [(0, "has no ROM partition"), (4, "has 16384 bytes, the code takes")]
)
def test_a_board_without_room_in_rom_is_told_what_it_needs(board, bundle, why):
    port, there = board
    small = {"rp2040": replace(COMPUTER, from_files=False)}  # in ROM without being told
    with pytest.raises(FlashError, match=f"{why}.*built with MICROPY_HW_ROMFS_BYTES=262144"):
        flash.flash(port, bundle, boards=small, start=False)
    assert contents(there) == {}


def test_a_copy_that_breaks_off_starts_nothing_and_can_be_done_again(board, bundle, monkeypatch):
    port, there = board
    bring(port, bundle)
    (there / "controller" / "firmware.mpy").write_bytes(b"of another version")
    (there / "profile.bin").write_bytes(b"of another version")
    put = flash._put

    def spoil(board, path, data):
        put(board, path, data if path != "profile.bin" else data[:-1] + b"?")

    monkeypatch.setattr(flash, "_put", spoil)
    with pytest.raises(FlashError, match=r"profile\.bin"):
        bring(port, bundle)
    assert not (there / "main.py").exists()
    monkeypatch.undo()
    bring(port, bundle)
    assert contents(there) == contents(bundle)


def test_the_wrong_board_and_the_wrong_micropython_are_refused(board, bundle):
    port, there = board
    wrong = {"rp2040": replace(COMPUTER, machine="RP2350")}
    with pytest.raises(FlashError, match=r"is for RP2350, the board is: linux"):
        flash.flash(port, bundle, boards=wrong, start=False)
    about = manifest.read(bundle)
    for changed in (replace(about, micropython_least=(9, 1)), replace(about, mpy_version=7)):
        (bundle / "manifest.json").write_text(changed.to_json())
        with pytest.raises(FlashError, match=r"needs (9\.1 or later|1\.27 or later with format 7)"):
            bring(port, bundle)
    (bundle / "manifest.json").write_text(about.to_json())
    assert contents(there) == {}


def test_a_bundle_for_an_unknown_board_is_refused(bundle):
    with pytest.raises(FlashError, match="not known here: rp2040"):
        flash.flash("/dev/null", bundle, boards={})


def test_a_damaged_bundle_is_refused_before_anything_is_opened(made, tmp_path):
    build.write(made, tmp_path / "b")
    (tmp_path / "b" / "main.py").write_text("")
    with pytest.raises(FlashError, match=r"main\.py.*make the bundle again"):
        flash.flash("/dev/null", tmp_path / "b")


def test_the_verb_tells_what_it_did_or_why_not(
    board, folder, bundle, capsys, monkeypatch, soft_resets
):
    port, _ = board
    for arguments, why in (
        ([port, str(folder)], "is for RP2040, the board is: linux"),
        ([port, str(bundle.parent)], "manifest.json"),
        ([str(folder), str(folder)], "neither MicroPython nor a module answers"),
    ):
        assert main(["flash", *arguments]) == 1
        (said,) = capsys.readouterr().err.splitlines()
        assert why in said
    monkeypatch.setitem(flash.BOARDS, "rp2040", COMPUTER)
    assert main(["flash", port, str(bundle), "--no-start", "--code-in-rom"]) == 0
    assert capsys.readouterr().out == (
        "3 files copied and verified, 0 were the same; the code in ROM was written and verified\n"
    )


def test_a_running_module_is_asked_for_its_prompt(board, bundle, tmp_path_factory, monkeypatch):
    prompt, there = board
    monkeypatch.setattr(rom, "holds", lambda *each: True)  # a few files are enough

    def restart(line):
        if "RESTart" in line:  # the port goes, and comes back with a prompt behind it
            os.unlink(peer.port)
            os.symlink(prompt, peer.port)
        return '0,"No error"'

    peer = Peer(tmp_path_factory.mktemp("running"), restart)
    peer.plug_in()
    try:
        bring(peer.port, bundle, in_rom=True)
    finally:
        peer.hang_up()
    assert (there / "main.py").exists()


def test_a_running_module_that_refuses_is_left_alone(made, tmp_path):
    # A peer that refuses as a module does whose motor is energised.
    build.write(made, tmp_path / "b")
    peer = Peer(tmp_path, lambda line: '-221,"Settings conflict;the motor is energised"')
    peer.plug_in()
    try:
        with pytest.raises(FlashError, match="energised; stop the unit first"):
            flash.flash(peer.port, tmp_path / "b")
    finally:
        peer.hang_up()
    assert any("SYSTem:RESTart PROMpt" in line for line in peer.lines)
