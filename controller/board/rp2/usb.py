"""A serial line over the chip's USB: standard input and output of MicroPython.

Theory of operation
-------------------
Reading waits for a byte and writing for room, half a second if the host has stopped reading.  So
nothing is read or written without asking `poll` first, and as it only says that there is room for
one byte, bytes go out one at a time, a bounded number in each turn of the main loop.  What the host
does not take waits here up to a bound; beyond it a whole message is dropped.

A host that is gone is another matter.  To a port that nobody has open MicroPython writes at once,
into the void.  But where the cable was pulled or the computer sleeps with the port still open, its
`poll` tells of room that is not there, and a write tries for half a second and takes nothing
(`mp_usbd_cdc_tx_strn` in its source).  That is the proof: all that waits is for nobody, and is
dropped, so that the main loop is held up once and not in every turn.

The byte 3 must reach the link, where it is the device clear; the entry point tells the interpreter
that it is no keyboard interrupt.
"""

READ_BYTES = 64  # in one turn; the chip keeps 512 more
SEND_BYTES = 32  # in one turn: about 2 ms of it


class UsbLine:
    """`controller.board.ports.Line` on `sys.stdin` and `sys.stdout`."""

    def __init__(self, select, sys, most_bytes):
        """`select`, `sys`: the modules, or what looks like them; `most_bytes` may wait."""
        self._coming = select.poll()
        self._coming.register(sys.stdin, select.POLLIN)
        self._room = select.poll()
        self._room.register(sys.stdout, select.POLLOUT)
        self._source = sys.stdin.buffer
        self._sink = sys.stdout.buffer
        self._most_bytes = most_bytes
        self._waiting = b""
        self._sent = 0  # of what waits
        self._heard = b""
        self._room_in = bytearray(READ_BYTES)
        self._byte = bytearray(1)
        self.dropped = 0  # messages that found no room

    def look(self):
        """Take bytes that have come, once the last ones were read; True if there are some."""
        if not self._heard and _any(self._coming):
            count = 0
            while count < READ_BYTES and _any(self._coming):
                if not self._source.readinto(self._byte):
                    break
                self._room_in[count] = self._byte[0]
                count += 1
            self._heard = bytes(self._room_in[:count])
        return self._heard != b""

    def read(self):
        heard = self._heard
        self._heard = b""
        return heard

    def write(self, data):
        if len(self._waiting) - self._sent + len(data) > self._most_bytes:
            self.dropped += 1
            return
        self._waiting = self._waiting[self._sent :] + data
        self._sent = 0

    def poll(self):
        """Go on sending; to be called in every turn of the main loop."""
        left = min(len(self._waiting) - self._sent, SEND_BYTES)
        while left > 0 and _any(self._room):
            self._byte[0] = self._waiting[self._sent]
            if not self._sink.write(self._byte):
                self.dropped += 1
                self._waiting = b""
                self._sent = 0
                return
            self._sent += 1
            left -= 1
        if self._sent == len(self._waiting):
            self._waiting = b""
            self._sent = 0


def _any(poll):
    """Tell whether a poll has anything to tell now."""
    for _ in poll.ipoll(0):
        return True
    return False
