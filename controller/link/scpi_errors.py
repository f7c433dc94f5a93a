"""Error numbers and texts of SCPI-1999, and the queue they wait in.

The texts are those of SCPI-1999 volume 2, 21.8, letter for letter: hosts compare them.  Only the
numbers that this firmware raises have a row, because each costs the board 60 bytes; any other falls
back on the text of its class.

The queue is first in, first out.  When it is full, the newest entry gives way to -350, so the
oldest errors, the ones that explain the rest, are never lost.
"""

NO_ERROR = (0, "No error")
QUEUE_OVERFLOW = -350

# A script that never reads its errors needs room for the first few only; SCPI asks for two.
QUEUE_DEPTH = 16
# SCPI-1999 allows 255 characters for text and detail together; less keeps a full queue near 3 KB.
DETAIL_MAX = 160

TEXTS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -128: "Numeric data not allowed",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -300: "Device specific error",
    -320: "Storage fault",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -400: "Query error",
    -430: "Query DEADLOCKED",
}


def text(number) -> str:
    """Return the standard text of an error number, or the text of its class."""
    if number in TEXTS:
        return TEXTS[number]
    if number > 0:
        return TEXTS[-300]  # 1..32767 are the device's own
    return TEXTS.get(-(-number // 100 * 100), TEXTS[-300])


class ErrorQueue:
    """Errors not yet read, oldest first."""

    def __init__(self):
        self._entries = []

    def push(self, number, detail=""):
        """Add an error; return the number that was stored (-350 if there was no room)."""
        if len(self._entries) < QUEUE_DEPTH:
            self._entries.append((number, detail[:DETAIL_MAX]))
            return number
        self._entries[-1] = (QUEUE_OVERFLOW, "")
        return QUEUE_OVERFLOW

    def pop(self):
        """Return and remove the oldest error as (number, text), or NO_ERROR."""
        if not self._entries:
            return NO_ERROR
        number, detail = self._entries.pop(0)
        return number, text(number) + ";" + detail if detail else text(number)

    def count(self):
        """Return how many errors wait."""
        return len(self._entries)

    def clear(self):
        """Forget them all (*CLS)."""
        self._entries = []
