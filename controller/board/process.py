"""The firmware as a child process, in lock-step with a host over its standard input and output.

    micropython -m controller.board.process [FOLDER]      (python3 likewise)

FOLDER is the one that holds the `transitions` package; MicroPython needs to be told.  The process
speaks the format of `controller.board.wire` and has no clock of its own: time is what the host
says.  It runs one firmware after another, one for each BOOT, and ends on QUIT or when the pipe
is closed.
"""

import gc
import struct
import sys

from controller.shims.install import install

install(sys.argv[1] if len(sys.argv) > 1 else None)

from controller.board import wire  # noqa: E402  the charts need the transitions core installed
from controller.board.lockstep import Lockstep  # noqa: E402
from controller.firmware import Firmware  # noqa: E402
from controller.settings import from_json  # noqa: E402


def read_exactly(stream, count):
    """Return `count` bytes, or fewer if the stream has ended."""
    data = b""
    while len(data) < count:
        more = stream.read(count - len(data))
        if not more:
            break
        data += more
    return data


def heap():
    """Return the heap in use and free, in bytes, without garbage; zeros where nobody can tell."""
    gc.collect()
    sizes = [getattr(gc, name, lambda: 0)() for name in ("mem_alloc", "mem_free")]
    return struct.pack(wire.HEAP, *sizes)


def main(words=b""):
    """Serve rounds until told to quit. `words`: planned moves, as `Firmware` takes them."""
    source = sys.stdin.buffer
    sink = sys.stdout.buffer
    flush = getattr(sink, "flush", None)  # MicroPython's standard output has no buffer to flush
    picture: Lockstep
    firmware: Firmware
    while True:
        head = read_exactly(source, 4)
        if len(head) < 4:
            return
        body = read_exactly(source, struct.unpack(wire.LENGTH, head)[0])
        if body[0] == wire.QUIT:
            return
        if body[0] == wire.BOOT:
            picture, text = wire.unpack_boot(body)
            firmware = Firmware(picture.ports, from_json(text), words)
            answer = wire.pack_reply(picture.now_us, picture)
        elif body[0] == wire.MEMORY:
            answer = heap()
        else:
            wire.show_round(body, picture)
            deadline_us = firmware.poll(picture.now_us)
            answer = wire.pack_reply(deadline_us, picture)
        sink.write(wire.framed(answer))
        if flush:
            flush()


if __name__ == "__main__":
    main()
