"""The store in the board's flash file system: a file for each segment.

Theory of operation
-------------------
A segment is what its file holds and, behind the file's end, erased bytes.  A write appends: first
0xFF up to its offset, then the data; closing the file puts it into flash.  To erase is to make the
file empty.  The journal begins every record at a block boundary, so a write never touches a block
that holds an older record, whatever the file system does with it when the power goes.

While the chip writes flash it runs with interrupts off, 45 ms for each block it erases and up to
ten times that with an old part.  So `watch` is told before and after: the beam then does not trust
its stamps, and settings allow this store only without checkpoints, so that it is written before
parts fall and after.  For a machine that works all day FRAM is the better store.
"""

SEGMENT_BYTES = 65536  # a snapshot and fifteen records, in a block each
BLOCK_BYTES = 4096  # of the chip's flash, and of its file system
NAMES = ("journal.0", "journal.1")
PADDING_BYTES = 256  # written at a time: a page of the flash
_PADDING = b"\xff" * PADDING_BYTES


class FlashStore:
    """`controller.board.ports.Store` in files of `folder` ("", or with a slash at its end)."""

    size_bytes = SEGMENT_BYTES
    unit_bytes = BLOCK_BYTES

    def __init__(self, folder, watch):
        """`watch(on)` is called when flash is being written. Raises OSError."""
        self._watch = watch
        self._paths = [folder + name for name in NAMES]
        self._ends = [0, 0]  # bytes in the files
        self._readers: list = [None, None]  # open files; to open one takes longer than to read it
        for segment in (0, 1):
            with open(self._paths[segment], "ab") as file:
                self._ends[segment] = file.seek(0, 2)

    def read(self, segment, offset, count):
        held = min(count, max(0, self._ends[segment] - offset))
        if not held:
            return b"\xff" * count
        reader = self._readers[segment]
        if reader is None:
            reader = self._readers[segment] = open(self._paths[segment], "rb")  # noqa: SIM115
        reader.seek(offset)
        return reader.read(held) + b"\xff" * (count - held)

    def write(self, segment, offset, data):
        self._change(segment, "r+b", offset, data)

    def erase(self, segment):
        self._change(segment, "wb", 0, b"")

    def _change(self, segment, mode, offset, data):
        """Open the file, write, and close it, which puts it into flash."""
        reader = self._readers[segment]
        if reader is not None:
            self._readers[segment] = None
            reader.close()
        self._watch(True)
        try:
            with open(self._paths[segment], mode) as file:
                missing = offset - file.seek(0, 2)
                while missing > 0:
                    file.write(_PADDING[: min(missing, PADDING_BYTES)])
                    missing -= PADDING_BYTES
                file.seek(offset)  # within the file, where a cut has left erased bytes in it
                file.write(data)
                self._ends[segment] = file.seek(0, 2)
        finally:
            self._watch(False)
