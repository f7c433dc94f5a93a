"""The Modbus RTU server: bytes in, bytes out, one firmware behind it. No I/O, no clock.

Theory of operation
-------------------
`modbus_frame` finds the frames that are for this address or for all, `modbus_functions` answers
them from the registers of `registers`.  Here they meet: a frame to all (broadcast) may only write
and is never answered; a frame to us is answered by its function or by an exception, and by nothing
if it is itself an answer.  What is damaged or for a neighbour is met with silence.

A master looks over and over, mostly at a module where nothing goes on: what it was told is told
again, until something is written or a look says that something may be new.  What was asked
last is put together anew as soon as nothing goes on, so that it is there when it is asked again.

Whatever a master does wrong, nothing is half done: a write is one whole block of registers or one
coil, and takes effect within the poll that heard it.

    server = ModbusServer(desk, settings)
    server.feed(data, now_us)   # a look at the line has found bytes
    server.feed(data, now_us, True)     # likewise, and nothing has changed since the last look
    server.rest()               # nothing goes on after a look at everything
    server.poll(now_us)         # a look at the line has found none
    server.take()               # bytes for the line
    server.deadline_us()        # when to look again, or None
"""

from controller.link.bank import Bank
from controller.link.modbus_frame import BROADCAST, FrameReader, framed
from controller.link.modbus_functions import (
    BROADCASTS,
    BUSY,
    FIRST_COUNTER,
    WRITES,
    Functions,
    Rejected,
)

_READS = (3, 4)
_REPLY_BIT = 0x80  # function codes from here on are exception replies
# Answers not yet taken: two of the longest. A master asks again only when it has one or gives up.
OUTPUT_MAX = 512
# Answers that may be given again: a master looks at the same one or two places over and over.
TOLD_MAX = 2


class ModbusServer:
    """One module on a Modbus line."""

    def __init__(self, desk, settings):
        self._address = settings.bus_address
        self._counters = Counters(self)
        self._bank = Bank(desk)
        self._functions = Functions(self._bank, self._counters)
        self._output = b""
        self._told = {}  # frames of answers, by the PDU asked
        self._asked = []  # PDUs whose answers were kept last, the oldest first
        self._obeyed = False
        self.reader = FrameReader(
            settings.bus_address, settings.bus_baud, settings.bus_batching, self._on_frame
        )

    def feed(self, data, now_us, still=False):
        """A look at the line has found `data`; return True if something was written.

        `still`: nothing that registers tell has changed since the last look, but by the clock.
        """
        self._obeyed = False
        if not still:
            self._told.clear()
        if data:
            self.reader.feed(data, now_us)
        else:
            self.reader.poll(now_us)
        return self._obeyed

    def poll(self, now_us):
        """A look at the line has found nothing, so silence may end a frame; return as `feed`."""
        return self.feed(b"", now_us)

    def rest(self):
        """Nothing goes on: have ready what is likely to be asked next."""
        for pdu in self._asked:
            if pdu not in self._told:
                self._tell(pdu)

    def take(self):
        """Return what there is to send, and forget it."""
        output = self._output
        self._output = b""
        return output

    def deadline_us(self):
        """Return when the line has to be looked at again, or None."""
        return self.reader.deadline_us()

    def _on_frame(self, address, pdu):
        self._obeyed = self._obeyed or pdu[0] in WRITES
        if address == BROADCAST:
            self._counters.served += 1
            self._counters.silent += 1
            if pdu[0] in BROADCASTS:
                self._told.clear()
                self._answer(pdu)
        elif not pdu[0] & _REPLY_BIT:
            self._counters.served += 1
            self._send(self._told.get(pdu) or self._tell(pdu))

    def _tell(self, pdu):
        """Return the frame of the answer; keep it if it would be the same while all is still."""
        answer = self._answer(pdu)
        frame = framed(self._address, answer)
        if answer[0] not in _READS:
            self._told.clear()  # it may have been a write
        elif not self._bank.fleeting:
            self._keep(pdu, frame)
        return frame

    def _keep(self, pdu, frame):
        """Keep an answer, in place of the oldest if there are too many."""
        asked = self._asked
        if pdu not in asked:
            asked.append(pdu)
            if len(asked) > TOLD_MAX:
                self._told.pop(asked.pop(0), None)
        self._told[pdu] = frame

    def _answer(self, pdu):
        """Carry a request out; return the answer, which may be an exception."""
        try:
            return self._functions.carry_out(pdu)
        except Rejected as rejected:
            return bytes([pdu[0] | _REPLY_BIT, rejected.code])

    def _send(self, frame):
        counters = self._counters
        if len(self._output) + len(frame) > OUTPUT_MAX:  # whoever asked has stopped listening
            counters.silent += 1
            return
        self._output += frame
        if frame[1] & _REPLY_BIT:
            counters.exceptions += 1
            if frame[2] == BUSY:
                counters.busy += 1


class Counters:
    """The counters of function 8, in the order of its sub-functions from 11 on; they go round."""

    def __init__(self, server):
        self._server = server
        self._clear()

    def read(self, sub):
        """Return the counter that a sub-function reads; None if it reads none."""
        reader = self._server.reader
        values = (
            reader.messages,
            reader.errors,
            self.exceptions,
            self.served,
            self.silent,
            0,  # negative acknowledges: an exception this server never gives
            self.busy,
            0,  # character overruns: the board does not tell
        )
        place = sub - FIRST_COUNTER
        return values[place] & 0xFFFF if 0 <= place < len(values) else None

    def clear(self):
        """Start all of them anew."""
        self._server.reader.messages = self._server.reader.errors = 0
        self._clear()

    def _clear(self):
        self.exceptions = 0  # answered
        self.served = 0  # to this address or to all
        self.silent = 0  # of them, without an answer
        self.busy = 0  # of the exceptions: busy
