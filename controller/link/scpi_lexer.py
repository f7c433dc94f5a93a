"""Lexical part of the SCPI line: one message in, its units out, or one command error.

Theory of operation
-------------------
A message is what stands between two terminators.  Units are separated by `;`, a unit is a header,
white space, and data elements separated by commas (IEEE 488.2 section 7).  `scan` reads a message
once, left to right, and raises `Refused` with a command error at the first thing that is not legal.
Nothing here knows a command; nothing here has an effect.

A data element is a tuple (kind, value, source): NUMERIC with an integer, CHARACTER with the word in
upper case, STRING with the text; `source` is what was written, for error messages.  No command of
ours takes a block or an expression, so those are recognised only to be refused by name.  Character
data may be longer than IEEE 488.2's twelve characters, because names of settings are.

Numbers are decimal in any of the forms NR1, NR2, NR3 or #H, #Q, #B.  Every quantity in this
firmware is a whole number, so a fraction is rounded to the nearest, halves away from zero: a device
rounds to what it can set (IEEE 488.2 7.7.2).  Digits are handled as digits: no float, and no
thousand-digit integer because somebody sent 1E32000.
"""

from controller.link.refusal import Refused

NUMERIC = 0
CHARACTER = 1
STRING = 2

MNEMONIC_MAX = 12  # of each word of a header: IEEE 488.2 7.6.1.4.1
EXPONENT_MAX = 32000  # IEEE 488.2 7.7.2.4.1
_DIGITS_MAX = 10  # more digits than any range of ours has
NUMBER_MAX = 10**_DIGITS_MAX  # what a larger number counts as: out of every range

_WHITE = bytes(range(10)) + bytes(range(11, 33))
_DIGITS = b"0123456789"
_LETTERS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_WORD = _LETTERS + _DIGITS + b"_"
_HEADER = _WORD + b"*:?"
_SIGNS = b"+-"
_QUOTES = b"\"'"
_END_OF_ELEMENT = _WHITE + b",;"
_SEMICOLON = 59
_COMMA = 44
_MINUS = 45
_FIVE = 53

_BASES = {b"H": (16, _DIGITS + b"ABCDEFabcdef"), b"Q": (8, b"01234567"), b"B": (2, b"01")}


def scan(message):
    """Return the units of a message (bytes): a list of (header in upper case, data elements)."""
    if message and max(message) > 126:
        raise Refused(-101, f"byte {max(message)}")
    units = []
    at = 0
    while at < len(message):
        if message[at] == _SEMICOLON or message[at] in _WHITE:
            at += 1
        else:
            header, at = _header(message, at)
            data, at = _data(message, at)
            units.append((header, data))
    return units


def _span(message, at, members):
    """Return the index of the first byte from `at` on that is not in `members`."""
    while at < len(message) and message[at] in members:
        at += 1
    return at


def _text(message, start, end):
    return message[start:end].decode()


def _header(message, at):
    """Read a header; what follows it must be white space, a semicolon or the end."""
    end = _span(message, at, _HEADER)
    header = _text(message, at, end).upper()
    if end < len(message) and message[end] not in _WHITE and message[end] != _SEMICOLON:
        seen = _text(message, at, end + 1)
        raise Refused(-111 if end > at and message[end] in b"\"'#(,+-." else -101, seen)
    _check_mnemonics(header)
    return header, end


def _check_mnemonics(header):
    """Check the form of a header: `*WORD` or `[:]WORD[:WORD...]`, and `?` at the end if a query."""
    words = header[:-1] if header.endswith("?") else header
    if words.startswith("*"):
        words = [words[1:]]
    else:
        words = (words[1:] if words.startswith(":") else words).split(":")
    for word in words:
        if not "A" <= word[:1] <= "Z" or "*" in word or ":" in word or "?" in word:
            raise Refused(-110, header)
        if len(word) > MNEMONIC_MAX:
            raise Refused(-112, word)


def _data(message, at):
    """Read the data elements of a unit, up to its semicolon or the end."""
    data = []
    at = _span(message, at, _WHITE)
    while at < len(message) and message[at] != _SEMICOLON:
        datum, at = _element(message, at)
        data.append(datum)
        at = _span(message, at, _WHITE)
        if at == len(message) or message[at] == _SEMICOLON:
            break
        if message[at] != _COMMA:
            raise Refused(-103, _text(message, at, at + 1) + " after " + datum[2])
        at = _span(message, at + 1, _WHITE)
        if at == len(message) or message[at] == _SEMICOLON:
            raise Refused(-102, "nothing after the comma")
    return data, at


def _element(message, at):
    """Read one data element; return it and the index after it."""
    first = message[at]
    if first in _LETTERS:
        return _character(message, at)
    if first in _DIGITS or first in b"+-.":
        return _decimal(message, at)
    if first in _QUOTES:
        return _string(message, at)
    if first == 35:  # '#'
        return _nondecimal(message, at)
    if first == 40:  # '('
        raise Refused(-178)
    raise Refused(-102 if first == _COMMA else -101, _text(message, at, at + 1))


def _character(message, at):
    end = _span(message, at, _WORD)
    source = _text(message, at, end)
    if end < len(message) and message[end] not in _END_OF_ELEMENT:
        raise Refused(-141, _text(message, at, end + 1))
    return (CHARACTER, source.upper(), source), end


def _string(message, at):
    """Read a quoted string; a quote inside is written twice."""
    quote = message[at : at + 1]
    value = b""
    start = at + 1
    while True:
        end = message.find(quote, start)
        if end < 0:
            raise Refused(-151, "closing quote missing")
        value += message[start:end]
        if message[end + 1 : end + 2] != quote:
            return (STRING, value.decode(), _text(message, at, end + 1)), end + 1
        value += quote
        start = end + 2


def _decimal(message, at):
    start = at
    if message[at] in _SIGNS:
        at += 1
    end = _span(message, at, _DIGITS)
    digits = message[at:end]
    point = len(digits)
    if message[end : end + 1] == b".":
        at = end + 1
        end = _span(message, at, _DIGITS)
        digits += message[at:end]
    if not digits:
        raise Refused(-120, _text(message, start, end))
    exponent, end = _exponent(message, end)
    value = _rounded(digits, point + exponent)
    return _number(message, start, end, -value if message[start] == _MINUS else value)


def _exponent(message, at):
    """Read an exponent, if there is one; white space may stand around its E."""
    letter = _span(message, at, _WHITE)
    if message[letter : letter + 1] not in (b"E", b"e"):
        return 0, at
    start = sign = _span(message, letter + 1, _WHITE)
    if message[start : start + 1] in (b"+", b"-"):
        start += 1
    end = _span(message, start, _DIGITS)
    if end == start:
        raise Refused(-120, "exponent without digits")
    exponent = int(message[start:end])
    if exponent > EXPONENT_MAX:
        raise Refused(-123, f"allowed -{EXPONENT_MAX}..{EXPONENT_MAX}")
    return -exponent if message[sign] == _MINUS else exponent, end


def _rounded(digits, point):
    """Return the integer nearest to 0.DIGITS x 10^point, halves up, at most NUMBER_MAX."""
    significant = digits.lstrip(b"0")
    point -= len(digits) - len(significant)
    if not significant or point < 0:
        return 0
    if point > _DIGITS_MAX:
        return NUMBER_MAX
    padded = significant + b"0" * (point + 1)
    whole = int(padded[:point]) if point else 0
    return whole + 1 if padded[point] >= _FIVE else whole


def _nondecimal(message, at):
    base = _BASES.get(message[at + 1 : at + 2].upper())
    if base is None:
        raise Refused(-168 if message[at + 1 : at + 2].isdigit() else -102, "#")
    radix, members = base
    end = _span(message, at + 2, members)
    if end < len(message) and message[end] in _WORD:
        raise Refused(-121, _text(message, at, end + 1))
    if end == at + 2:
        raise Refused(-120, _text(message, at, end))
    value = int(_text(message, at + 2, end), radix)
    return _number(message, at, end, min(value, NUMBER_MAX))


def _number(message, start, end, value):
    """Check what follows a number: no suffix, for none of ours has a unit to choose."""
    source = _text(message, start, end)
    after = _span(message, end, _WHITE)
    if after < len(message) and message[after] in _LETTERS:
        raise Refused(-138, source + " and then " + _text(message, after, after + 1))
    if message[end : end + 1] in (b".", b"+", b"-", b"_", b"#"):
        raise Refused(-121, _text(message, start, end + 1))
    return (NUMERIC, value, source), end
