"""The output queue of the SCPI line: answers of one message, and messages ready to be sent.

The answers of a message are joined by `;` and leave together, ended by LF, when the message has
been carried out.  Nothing incomplete is ever sent.  If a host asks more than it reads, the response
that does not fit is dropped whole, which IEEE 488.2 6.3.1.7 calls a deadlock (-430).
"""

# The longest answers, all headers and all names of settings, are about 1 KB each; as much again is
# for hosts that are slow to read.
OUTPUT_MAX = 2048


class OutputQueue:
    """Bytes to send, at most OUTPUT_MAX of them."""

    def __init__(self):
        self.clear()

    def clear(self):
        """Drop everything (device clear)."""
        self._ready = b""
        self._answers = []
        self._size = 0  # of the answers with their separators
        self._dropping = False

    def add(self, answer):
        """Add one answer (bytes) of the message under way; False, once, if it does not fit."""
        if self._dropping:
            return True
        self._answers.append(answer)
        self._size += len(answer) + 1
        if len(self._ready) + self._size <= OUTPUT_MAX:
            return True
        self._answers = []
        self._size = 0
        self._dropping = True
        return False

    def finish(self):
        """The message has been carried out: its answers are one response message."""
        if self._answers:
            self._ready += b";".join(self._answers) + b"\n"
        self._answers = []
        self._size = 0
        self._dropping = False

    def available(self):
        """Tell whether there is anything to read (MAV)."""
        return bool(self._ready or self._answers)

    def take(self):
        """Return and forget the bytes that are ready."""
        ready = self._ready
        self._ready = b""
        return ready


def response_data(result):
    """Return what a query answers (int, str, bytes, or a sequence of these) as response data.

    Integers are NR1, str are quoted strings, bytes stand as they are.  An empty sequence is
    answered 0, for a query must answer something.
    """
    if isinstance(result, (tuple, list)):
        return b",".join([_field(value) for value in result]) or b"0"
    return _field(result)


def _field(value):
    if isinstance(value, bytes):
        return value
    if isinstance(value, str):
        return quoted(value)
    return str(int(value)).encode()


def quoted(text):
    """Return text as string response data: printable ASCII only, inner quotes written twice."""
    clean = "".join([c if " " <= c <= "~" else "?" for c in text])
    return ('"' + clean.replace('"', '""') + '"').encode()
