"""Every byte of every operation: what the store may hold after a cut, and what is read from it.

Theory of operation
-------------------
A day is lived once, and what it does to its store is taken down.  Then each operation is cut at
each byte without plant and firmware: the images that memory of this kind may be left with are made
here, byte by byte, and a book is opened on each.  It must say what it would have said before the
operation, or after it, and nothing in between; and it must be able to go on from there, also when
its next record is cut as well.

    unit 1     the bytes before the cut are new, and one byte is anything
    flash      any part of what the write touches is new; the rest is erased, or anything.  Units
               are written in any order
    erasing    proceeds from either end
"""

from collections.abc import Iterator
from itertools import product
from typing import Any, NamedTuple

from controller.counting.phase import Phase
from controller.counting.windows import Windows
from controller.cycle.orders import Orders
from controller.motion.place import Place
from controller.record import book as books
from controller.record.book import Book
from controller.record.counters import Counters
from hostsim.store import ERASED, PowerCut, SimStore, garbage
from tests.powercuts.cutter import Failure
from tests.powercuts.day import Day, Setup

UNITS_MIXED_MAX = 6  # units of one write of which all combinations are tried

Image = tuple[bytes, bytes]
Word = tuple[list[tuple], tuple, tuple | None]  # results, counters, what the cut has interrupted


class Operation(NamedTuple):
    """A write of `data`, or an erase where there is none."""

    segment: int
    offset: int
    data: bytes | None


class _Recording(SimStore):
    """A store that takes down what is done to it."""

    def __init__(self, size_bytes: int, unit_bytes: int) -> None:
        super().__init__(size_bytes, unit_bytes)
        self.done: list[tuple[Operation, Image]] = []  # and the image before it

    def write(self, segment: int, offset: int, data: bytes) -> None:
        self.done.append((Operation(segment, offset, data), self.image()))
        super().write(segment, offset, data)

    def erase(self, segment: int) -> None:
        self.done.append((Operation(segment, 0, None), self.image()))
        super().erase(segment)

    def image(self) -> Image:
        return bytes(self.segments[0]), bytes(self.segments[1])


class Records:
    """A day's operations on its store, and the cuts of them."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.cuts = 0
        self.failures: list[Failure] = []
        self._settings = setup.module_config().settings
        self._windows = Windows(self._settings)
        self._ratio = Place(self._settings).ratio
        blank = setup.store()
        store = _Recording(blank.size_bytes, blank.unit_bytes)
        Day(setup, store).work()
        self._done = [*store.done, (Operation(0, 0, b""), store.image())]
        self._words = [self._read(image) for _, image in self._done]

    def cut_all(self, stride: int) -> None:
        """Cut every operation at every byte, or at one in `stride`."""
        for number in range(len(self._done) - 1):
            for shape, image in self._images(number, stride):
                self.cut(number, shape, image)

    def cut_one(self, number: int, shape: str) -> None:
        """Cut as a name says: `shape` as `_images` gives it. Raises what is not survived."""
        for found, image in self._images(number, 1):
            if found == shape:
                self._check(number, image)
                return
        raise ValueError(f"operation {number} can't be left as {shape}")

    def cut(self, number: int, shape: str, image: Image) -> None:
        """See whether one image is survived."""
        self.cuts += 1
        try:
            self._check(number, image)
        except Exception as error:
            setup = self.setup
            name = f"{setup.config}.{setup.mix}.{setup.seed}.{setup.unit_bytes}.{setup.every}"
            self.failures.append(Failure(f"{name}.i{number}.{shape}", repr(error)))

    # ---- what memory may hold -------------------------------------------------------------------

    def _images(self, number: int, stride: int) -> Iterator[tuple[str, Image]]:
        """The images that a cut of that operation may leave, each with the name of its shape."""
        operation, before = self._done[number]
        segment, offset, data = operation
        old = before[segment]
        if data is None:
            made = self._erased(segment, old, stride)
        elif self.setup.unit_bytes == 1:
            made = self._torn_bytes(segment, offset, data, stride)
        else:
            made = self._torn_units(segment, offset, data, stride)
        for shape, start, part in made:
            new = old[:start] + part + old[start + len(part) :]
            yield shape, (new, before[1]) if segment == 0 else (before[0], new)

    def _erased(self, segment: int, old: bytes, stride: int) -> Iterator[tuple[str, int, bytes]]:
        size, unit = len(old), self.setup.unit_bytes
        for done in range(0, size, unit if unit > 1 else stride):
            yield f"up{done}", 0, ERASED * done + garbage(segment, done, unit)
        for done in range(0, size, max(stride, unit // 16)):
            yield f"down{done}", done, ERASED * (size - done)

    def _torn_bytes(
        self, segment: int, offset: int, data: bytes, stride: int
    ) -> Iterator[tuple[str, int, bytes]]:
        for done in range(0, len(data), stride):
            for name, byte in (
                ("any", garbage(segment, offset + done, 1)),
                ("zero", b"\0"),
                ("erased", ERASED),
            ):
                yield f"{name}{done}", offset, data[:done] + byte

    def _torn_units(
        self, segment: int, offset: int, data: bytes, stride: int
    ) -> Iterator[tuple[str, int, bytes]]:
        unit = self.setup.unit_bytes
        units = -(-len(data) // unit)
        data = data.ljust(units * unit, ERASED)
        anything = garbage(segment, offset, len(data))
        for done in range(0, len(data.rstrip(ERASED)), stride):
            yield f"first{done}", offset, data[:done].ljust(len(data), ERASED)
            yield f"last{done}", offset, ERASED * done + data[done:]
            yield f"any{done}", offset, data[:done] + anything[done:]
        if 1 < units <= UNITS_MIXED_MAX:
            for picks in product("no", repeat=units):  # new or old
                places = [slice(n * unit, (n + 1) * unit) for n in range(units)]
                parts = [
                    data[place] if pick == "n" else anything[place]
                    for pick, place in zip(picks, places, strict=True)
                ]
                yield "".join(picks), offset, b"".join(parts)

    # ---- what is read from it -------------------------------------------------------------------

    def _check(self, number: int, image: Image) -> None:
        """Hold the book on an image to what it would have said before the operation or after."""
        before = self._done[number][1]
        allowed = (self._words[number], self._words[number + 1])
        word, book, store = self._open(image)
        assert word in allowed, f"it says {word}"
        # A first snapshot torn in a blank store is the one cut that looks like decay.
        blank = not b"".join(before).strip(ERASED)
        assert blank or book.condition == books.SOUND, "a cut is taken for decay"
        book.keep()
        assert self._read(_image_of(store)) == word, "it can't go on"
        store.cut_at = (store.operations, number * 7 % 60)
        try:
            book.keep()
        except PowerCut:
            pass
        assert self._read(_image_of(store)) == word, "it does not survive a second cut"

    def _read(self, image: Image) -> Word:
        return self._open(image)[0]

    def _open(self, image: Image) -> tuple[Word, Book, SimStore]:
        store = self.setup.store()
        for segment, held in zip(store.segments, image, strict=True):
            segment[:] = held
        counters, orders = Counters(), Orders()
        phase = Phase(self._settings, self._windows, self._ratio)
        book = Book(store, self._settings, self._windows, counters, orders, phase)
        cut: Any = book.restore()
        results = [result.as_tuple() for result in orders.oldest_first()]
        known = (*counters.as_tuple(), *phase.learned())
        return (results, known, cut and cut.as_tuple()), book, store


def _image_of(store: SimStore) -> Image:
    return bytes(store.segments[0]), bytes(store.segments[1])
