"""A serial line on a UART of the chip, and who may drive the pair of an RS-485 line.

Theory of operation
-------------------
Bytes are taken from the UART by `look`, at the very begin of a turn of the main loop, and handed on
by `read`, whenever the firmware comes to it in its round.  On a fieldbus silence is proven by looks
that find nothing, and the time of a look is that of its round: a look some milliseconds later would
prove silence that there never was.

The UART has buffers of its own, filled and emptied by its interrupts.  A write of more than fits
would wait, so a write goes out only when the last one has left, and never more than fits at once;
the rest waits here, up to a bound, beyond which a whole message is dropped: half an answer would be
worse than none.

On RS-485 the module drives the pair only while it sends.  The `send` output goes up before the
first byte, and down when the UART says that the last stop bit is out.  The main loop could be late
for that, and the master may answer after 1.75 ms: so a timer looks every RELEASE_LOOK_US while
something is being sent, in a hard interrupt.  The main loop looks too, and puts the timer away.
"""

# Of the UART's own buffers. An answer of the fieldbus has 256 bytes at most and goes out in one.
UART_BYTES = 512
# The bus's silence between two telegrams is 1.75 ms at least (Modbus serial line guide, 2.5.1.1);
# a quarter of a millisecond of it for letting go leaves the master the rest.
RELEASE_LOOK_US = 250


class UartLine:
    """`controller.board.ports.Line` on `uart`, with buffers of UART_BYTES."""

    def __init__(self, uart, most_bytes, send=None, timer=None):
        """`most_bytes` may wait to be sent; `send`: the output that switches a transceiver, and
        `timer` a `machine.Timer`, or both None."""
        self._uart = uart
        self._most_bytes = most_bytes
        self._send = send
        self._timer = timer
        self._heard = b""
        self._waiting = b""
        self._sending = False
        self._ticking = False  # the timer runs
        self._on_timer = self._look  # made once: an interrupt must not make it
        self.dropped = 0  # messages that found no room

    def look(self):
        """Take the bytes that have come, once the last ones were read; True if there are some."""
        if not self._heard:
            count = self._uart.any()
            if count:
                self._heard = self._uart.read(count) or b""
        return self._heard != b""

    def read(self):
        heard = self._heard
        self._heard = b""
        return heard

    def write(self, data):
        if len(self._waiting) + len(data) > self._most_bytes:
            self.dropped += 1
            return
        self._waiting += data
        self.poll()

    def poll(self):
        """Go on sending; to be called in every turn of the main loop."""
        if self._sending:
            self._look(None)
            if self._sending and not self._uart.txdone():
                return
        if self._waiting:
            self._begin()
        elif self._ticking:
            self._ticking = False
            self._timer.deinit()

    def _begin(self):
        """Hand the UART as much as fits; it is empty."""
        chunk = self._waiting[:UART_BYTES]
        if self._send is not None:
            self._send.value(1)
        self._sending = True
        taken = self._uart.write(chunk) or 0
        self._waiting = self._waiting[taken:]
        if self._timer is not None and not self._ticking:
            self._ticking = True
            self._timer.init(
                mode=self._timer.PERIODIC,
                period=RELEASE_LOOK_US,
                tick_hz=1000000,
                callback=self._on_timer,
                hard=True,
            )

    def _look(self, _timer):
        """Let go of the pair once all is out. Hard interrupt, and from the main loop."""
        if self._sending and not self._waiting and self._uart.txdone():
            if self._send is not None:
                self._send.value(0)
            self._sending = False
