"""Modbus RTU framing: which of the bytes on the bus are a frame, and which frame is for us.

Theory of operation
-------------------
A frame is address, function, data, CRC; nothing in it marks where it begins or ends.  The standard
cuts by silence: 3.5 characters end a frame, more than 1.5 within one spoil it.  But no board tells
when a byte came: `feed` gets what has gathered since the last look at the line, and only the
time of this look.  That a look finds bytes proves nothing about pauses between them.  A look that
finds none does: since the last look that found bytes, the line has been still.  So silence counts
where an empty look (`poll`) has proven it, `deadline_us` asks for those looks, and a late look
only proves less.  What lateness has glued together, length and CRC take apart again.

Two ways to frame, by the setting `bus_batching`:

- By silence.  What stands between two silences is one frame; if the CRC is not right as a whole,
  it is searched for frames.  A proven pause of 1.5 characters inside spoils all of it.
- By length, for lines behind an adapter that hands bytes on in batches, where pauses mean nothing:
  a frame is taken as soon as the length its head announces is there and the CRC is right.  After a
  pause that no adapter makes, what is incomplete has no end to wait for.  By silence, too, it comes
  to that once more bytes have gathered than any frame has: looks are too late to see silence.

Where a frame is due, behind a silence or another frame, those of neighbours are known too, requests
and replies, and passed over whole, so that nothing they carry is taken for a frame to us.  Within
garbage only frames to us are looked for, byte by byte: a place with our address and a function is
tried once, over 256 bytes at most.  So a search takes time in proportion to the bytes that came,
and a noisy line keeps the board busy no longer than a good one does.

A master looks at the same place over and over.  By length, bytes that are all there is, and the
same as those of the last frame to us, need no second proof.
"""

from array import array

ADU_MIN = 4  # address, function, CRC
ADU_MAX = 256  # MODBUS over Serial Line V1.02: 253 bytes of PDU, address, CRC
BROADCAST = 0
ADDRESS_MAX = 247  # beyond are reserved addresses

# MODBUS over Serial Line V1.02, 2.5.1.1: beyond 19,200 baud the silences are fixed.
FIXED_ABOVE_BAUD = 19200
FIXED_PAUSE_US = 750
FIXED_SILENCE_US = 1750
_CHARACTER_BITS = 11  # start, 8, parity or a second stop, stop

# On top of the silence: USB adapters hold bytes back for 16 ms; two such waits and their jitter.
BATCHING_US = 34000

# The CRC of one bit, and from it that of every byte.
_CRC_BIT = 0xA001
_CRC = array("H", bytes(512))
for _byte in range(256):
    _crc = _byte
    for _ in range(8):
        _crc = _crc >> 1 ^ (_CRC_BIT if _crc & 1 else 0)
    _CRC[_byte] = _crc

# Lengths of whole frames: (request, place of its byte count, reply, place of its byte count).
# Place 0: of fixed length.  Length 0: it can't be told from the head.
_READ = (8, 0, 5, 2)
_WRITE = (8, 0, 8, 0)
_WRITE_MANY = (9, 6, 8, 0)
_FILE = (5, 2, 5, 2)
_EXCEPTION = (0, 0, 5, 0)
_LENGTHS = {
    1: _READ,
    2: _READ,
    3: _READ,
    4: _READ,
    5: _WRITE,
    6: _WRITE,
    7: (4, 0, 5, 0),
    8: _WRITE,
    11: (4, 0, 8, 0),
    12: (4, 0, 5, 2),
    15: _WRITE_MANY,
    16: _WRITE_MANY,
    17: (4, 0, 5, 2),
    20: _FILE,
    21: _FILE,
    22: (10, 0, 10, 0),
    23: (13, 10, 5, 2),
    24: (6, 0, 0, 0),
    43: (7, 0, 0, 0),
}
_EXCEPTION_BIT = 0x80

# What may begin at a place, besides a frame of so many bytes.
_NOTHING = 0
_MORE = -1


def crc16(data, start, end):
    """Return the CRC-16/MODBUS of data[start:end]; over a frame with its CRC it is 0."""
    crc = 0xFFFF
    table = _CRC
    for byte in data[start:end]:
        crc = crc >> 8 ^ table[(crc ^ byte) & 0xFF]
    return crc


def framed(address, pdu):
    """Return the frame that carries `pdu`."""
    body = bytes([address]) + pdu
    crc = crc16(body, 0, len(body))
    return body + bytes([crc & 0xFF, crc >> 8])


def pause_us(baud):
    """Return t1.5, the pause that may not be within a frame."""
    return FIXED_PAUSE_US if baud > FIXED_ABOVE_BAUD else _characters_us(3, baud)


def silence_us(baud):
    """Return t3.5, the silence that ends a frame."""
    return FIXED_SILENCE_US if baud > FIXED_ABOVE_BAUD else _characters_us(7, baud)


def _characters_us(halves, baud):
    """Return the time of so many half characters, rounded up."""
    return -(-halves * _CHARACTER_BITS * 500000 // baud)


class FrameReader:
    """Takes what the looks at the line bring, and passes on the frames that are for us.

    `on_frame(address, pdu)` is called for each; `messages` and `errors` count what the standard
    calls bus messages (frames with a right CRC, to anybody) and bus communication errors (stretches
    of bytes that are no frame), for the diagnostics function to read and to clear.
    """

    def __init__(self, address, baud, batching, on_frame):
        self.messages = 0
        self.errors = 0
        self._address = address
        self._batching = batching
        self._on_frame = on_frame
        self._pause_us = pause_us(baud)
        self._limit_us = silence_us(baud) + BATCHING_US
        self._silence_us = self._limit_us if batching else silence_us(baud)
        self._known = b""  # the last frame to this address, and its PDU
        self._known_pdu = b""
        self._begin()

    def _begin(self):
        """Wait for the first byte after a silence."""
        self._buffer = bytearray()
        self._last_us = None  # of the last look that found bytes
        self._paused = False  # t1.5 of silence have been proven since
        self._spoilt = False  # everything up to the next silence is void
        self._tried = 0  # lengths up to this have been tried at the start of the buffer
        self._garbled = False  # the bytes just passed over were no frame

    def feed(self, data, now_us):
        """A look at the line has found `data`, at least one byte."""
        if self._last_us is not None:
            if now_us - self._last_us >= self._limit_us:  # nothing looks as late as that
                self._end()
            elif self._paused:
                self._spoil()
        self._last_us = now_us
        self._paused = False
        if data == self._known and self._batching and not self._buffer:
            self._pass_on(self._address, self._known_pdu)
            return
        for start in range(0, len(data), ADU_MAX):
            if self._spoilt:
                return
            self._buffer += data[start : start + ADU_MAX]
            if self._batching or len(self._buffer) > ADU_MAX:
                self._search(False)

    def poll(self, now_us):
        """A look at the line has found nothing."""
        if self._last_us is None:
            return
        still_us = now_us - self._last_us
        if still_us >= self._silence_us:
            self._end()
        elif still_us >= self._pause_us and not self._batching:
            self._paused = True

    def deadline_us(self):
        """Return when a look at the line is due to prove silence, or None."""
        if self._last_us is None:
            return None
        if self._batching or self._paused:
            return self._last_us + self._silence_us
        return self._last_us + self._pause_us

    def _end(self):
        """Silence: what is there now is all there will be."""
        if self._length_at(0, self._tried) <= 0 and self._is_whole():
            self._take(0, len(self._buffer))
        else:
            self._search(True)
        self._begin()

    def _is_whole(self):
        """Tell whether all there is makes one frame, of whatever function and length.

        Not to be asked before lengths are: zeros behind a frame leave its CRC right.
        """
        count = len(self._buffer)
        return ADU_MIN <= count <= ADU_MAX and crc16(self._buffer, 0, count) == 0

    def _spoil(self):
        self._garble()
        self._buffer = bytearray()
        self._spoilt = True

    def _search(self, final):
        """Take every frame in the buffer; unless `final`, stop where one may not be all there."""
        buffer = self._buffer
        tried = self._tried
        at = 0
        while at < len(buffer):
            length = self._length_at(at, tried)
            if length == _MORE and not final:
                break
            tried = 0
            if length > 0:
                frame = self._take(at, length)
                at += length
                if frame[0] == self._address:
                    self._known = frame
                    self._known_pdu = frame[1:-2]
            else:
                self._garble()
                at += 1
        if at:
            self._buffer = buffer[at:]
        self._tried = len(self._buffer)

    def _length_at(self, at, tried):
        """Return the length of the frame at `at`, or _NOTHING, or _MORE if more bytes must tell.

        Lengths up to `tried` have been tried here before.
        """
        buffer = self._buffer
        here = len(buffer) - at
        if here < 2:
            return _MORE
        address = buffer[at]
        function = buffer[at + 1]
        if address > ADDRESS_MAX:
            return _NOTHING
        ours = address in (BROADCAST, self._address)
        if self._garbled and not ours:
            return _NOTHING
        rule = _EXCEPTION if function & _EXCEPTION_BIT else _LENGTHS.get(function)
        if rule is None:  # to us it wants an exception; only silence can tell its length
            wanted = address == self._address and function and here < ADU_MAX
            return _MORE if wanted else _NOTHING
        found = _NOTHING
        for pick in (0,) if ours else (0, 2):
            length = rule[pick]
            place = rule[pick + 1]
            if place:
                length = here + 1 if place >= here else length + buffer[at + place]
            if length > ADU_MAX:
                continue
            if length > here:
                found = _MORE
            elif length > tried and crc16(buffer, at, at + length) == 0:
                return length
        return found

    def _take(self, at, length):
        """Take a frame, pass it on and return it."""
        frame = bytes(self._buffer[at : at + length])
        self._pass_on(frame[0], frame[1:-2])
        return frame

    def _pass_on(self, address, pdu):
        """Count a frame; it is handed on if it is for us."""
        self.messages += 1
        self._garbled = False
        if address in (BROADCAST, self._address):
            self._on_frame(address, pdu)

    def _garble(self):
        """Count a stretch of garbage once."""
        if not self._garbled:
            self._garbled = True
            self.errors += 1
