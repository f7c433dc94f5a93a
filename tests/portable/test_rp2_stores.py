"""The board's stores under the journal, with the power cut at every byte and at every call."""

import os

from controller.board.rp2 import flash, fram
from controller.board.rp2.flash import BLOCK_BYTES, FlashStore
from controller.board.rp2.fram import SEGMENT_BYTES, FramStore
from controller.record.book import RECORD_BYTES, SNAPSHOT_BYTES
from controller.record.journal import Journal, span
from tests.portable.chip import FRAM_BYTES, SCL, SDA, Chip
from tests.portable.chipunits import Machine
from tests.portable.scratch import scratch

ERASED = b"\xff"


class Cut(BaseException):
    """The power has gone."""


def record(number):
    """A record that differs from its neighbours in kind, length and payload."""
    return 1 + number % 5, bytes([number % 256]) * (3 + number % 60)


def opened(store):
    """A journal after power-up, and what it has found."""
    found = []
    journal = Journal(store, SNAPSHOT_BYTES)
    journal.replay(lambda kind, payload: found.append((kind, payload)))
    return journal, found


def filled(store, count):
    journal, _ = opened(store)
    assert journal.compact([record(0)])
    for number in range(1, count):
        assert journal.append(*record(number))
    return journal


# ---- FRAM ----------------------------------------------------------------------------------------


def found_behind(clocks):
    """The store of a chip whose reset has caught the part so many clocks before it lets go."""
    chip = Chip()
    chip.fram_holds = clocks
    machine = Machine(chip)
    sda, scl = [machine.Pin(gpio, machine.Pin.IN, machine.Pin.PULL_UP) for gpio in (SDA, SCL)]
    return fram.find(machine, 1, sda, scl)


def test_a_part_that_a_reset_has_caught_in_a_byte_is_clocked_free():
    # UM10204, 3.1.16: a device that holds SDA releases it some time within nine clock pulses.
    for clocks in (0, 1, 9):
        store = found_behind(clocks)
        store.write(0, 0, b"kept")
        assert store.read(0, 0, 4) == b"kept"
    try:
        found_behind(10)
    except OSError:
        return
    raise AssertionError("a wire that is short to ground is no part")


class Fram:
    """A chip with an FRAM whose supply fails after so many bytes."""

    def __init__(self, image=None):
        self.chip = Chip()
        if image is not None:
            self.chip.fram[:] = image
        self.left = None  # bytes that are still written
        self.i2c = Machine(self.chip).I2C(1, freq=fram.FREQUENCY_HZ)
        self._write = self.i2c.writeto_mem
        self.i2c.writeto_mem = self._fail
        self.store = FramStore(self.i2c)

    def _fail(self, address, place, data, addrsize=8):
        if self.left is not None:
            if self.left < len(data):
                self._write(address, place, data[: self.left], addrsize=addrsize)
                at = place + self.left
                self.left = 0
                self.chip.fram[at] = 0x5A  # the byte that was being written
                raise Cut()
            self.left -= len(data)
        self._write(address, place, data, addrsize=addrsize)

    def again(self):
        """The same memory after power-up."""
        return Fram(self.chip.fram)


def test_fram_keeps_bytes_in_two_segments():
    part = Fram()
    store = part.store
    assert store.size_bytes == SEGMENT_BYTES and store.unit_bytes == 1
    store.write(0, 5, bytes(range(200)))
    store.write(1, SEGMENT_BYTES - 3, b"end")
    assert store.read(0, 0, 210) == ERASED * 5 + bytes(range(200)) + ERASED * 5
    assert store.read(1, SEGMENT_BYTES - 4, 4) == ERASED + b"end"
    store.erase(0)
    assert store.read(0, 0, SEGMENT_BYTES) == ERASED * SEGMENT_BYTES
    assert part.again().store.read(1, SEGMENT_BYTES - 3, 3) == b"end"
    assert bytes(part.chip.fram[2 * SEGMENT_BYTES :]) == ERASED * (FRAM_BYTES - 2 * SEGMENT_BYTES)


def test_fram_holds_a_snapshot_and_forty_records():
    assert SEGMENT_BYTES - SNAPSHOT_BYTES > 40 * RECORD_BYTES


def test_a_record_cut_at_any_byte_harms_no_other_in_fram():
    for done in range(RECORD_BYTES + 1):
        part = Fram()
        journal = filled(part.store, 5)
        part.left = done
        try:
            journal.append(1, bytes(RECORD_BYTES - 10))
        except Cut:
            whole = 5
        else:
            whole = 6
        part = part.again()
        journal, found = opened(part.store)
        assert found[:5] == [record(number) for number in range(5)]
        assert len(found) == whole and not journal.damaged, done
        assert journal.append(*record(7))
        assert opened(part.again().store)[1][-1] == record(7)


def test_a_compaction_cut_anywhere_in_fram_leaves_the_old_or_the_new():
    old, new = [record(number) for number in range(3)], [record(8), record(9)]
    for done in list(range(0, SEGMENT_BYTES, 509)) + list(range(SEGMENT_BYTES, SEGMENT_BYTES + 60)):
        part = Fram()
        journal = filled(part.store, 3)
        part.left = done
        try:
            journal.compact(new)
        except Cut:
            pass
        journal, found = opened(part.again().store)
        assert found in (old, new), done
        assert not journal.damaged


def test_an_fram_that_does_not_answer_is_an_oserror():
    part = Fram()
    journal = filled(part.store, 2)
    part.chip.fram_answers = False
    assert not journal.append(*record(2))
    assert not journal.compact([record(2)])
    try:
        FramStore(part.i2c)
    except OSError:
        pass
    else:
        raise AssertionError("a store without memory")
    part.chip.fram_answers = True
    assert opened(part.store)[1] == [record(0), record(1)]


def test_erasing_is_over_before_the_next_pocket():
    part = Fram()
    begin_us = part.chip.now_us
    part.store.erase(0)
    assert part.chip.now_us - begin_us < 50_000
    assert fram.FREQUENCY_HZ <= 1_000_000  # of the parts: fast mode plus


# ---- flash ---------------------------------------------------------------------------------------


class Folder:
    """A store in a folder of its own on a real file system; `remove` it in the end."""

    def __init__(self, image=(b"", b"")):
        self.path = scratch()
        for number in (0, 1):
            with open(self.path + flash.NAMES[number], "wb") as file:
                file.write(image[number])
        self.watched = []
        self.store = FlashStore(self.path, self.watched.append)

    def image(self):
        files = []
        for name in flash.NAMES:
            with open(self.path + name, "rb") as file:
                files.append(file.read())
        return files

    def again(self):
        """The same files after power-up."""
        return FlashStore(self.path, self.watched.append)

    def remove(self):
        for name in flash.NAMES:
            os.remove(self.path + name)
        os.rmdir(self.path[:-1])


def test_flash_keeps_bytes_and_reads_erased_behind_its_end():
    folder = Folder()
    store = folder.store
    assert store.read(0, 0, 8) == ERASED * 8
    store.write(0, 0, b"abc")
    store.write(0, BLOCK_BYTES, b"def")
    assert store.read(0, 0, 4) == b"abc\xff"
    assert store.read(0, BLOCK_BYTES - 1, 6) == b"\xffdef\xff\xff"
    assert store.read(0, store.size_bytes - 4, 4) == ERASED * 4
    assert folder.again().read(0, BLOCK_BYTES, 3) == b"def"
    store.erase(0)
    assert store.read(0, 0, BLOCK_BYTES * 2) == ERASED * BLOCK_BYTES * 2
    assert folder.image() == [b"", b""]
    folder.remove()


def test_whoever_watches_flash_hears_of_every_change_and_of_its_end():
    folder = Folder()
    folder.store.write(0, 0, b"abc")
    assert folder.watched == [True, False]
    folder.store.erase(1)
    assert folder.watched == [True, False] * 2
    folder.store.read(0, 0, 100)
    assert len(folder.watched) == 4
    folder.remove()


def test_the_journal_on_flash_survives_a_cut_that_spoils_the_block_being_written():
    count = 8
    for spoilt in (ERASED * BLOCK_BYTES, bytes(BLOCK_BYTES), b"\x5a" * BLOCK_BYTES, b""):
        folder = Folder()
        journal = filled(folder.store, count)
        before = [bytes(data) for data in folder.image()]
        assert journal.append(*record(count))
        after = folder.image()
        start = span(len(before[0]), BLOCK_BYTES)
        assert after[0][: len(before[0])] == before[0]
        assert start % BLOCK_BYTES == 0 and len(after[0]) > start
        torn = Folder([before[0] + ERASED * (start - len(before[0])) + spoilt, after[1]])
        journal, found = opened(torn.store)
        assert found == [record(number) for number in range(count)]
        assert journal.append(*record(9))
        assert opened(torn.store)[1][-1] == record(9)
        folder.remove()
        torn.remove()


def test_a_full_segment_of_flash_makes_room_in_the_other():
    folder = Folder()
    journal = filled(folder.store, 1)
    written = 1
    while journal.append(*record(written)):
        written += 1
    assert written == folder.store.size_bytes // BLOCK_BYTES
    assert journal.compact([record(50)])
    assert journal.append(*record(51))
    assert opened(folder.again())[1] == [record(50), record(51)]
    folder.remove()
