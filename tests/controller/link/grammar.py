"""The grammar of a program message, IEEE 488.2 section 7, as one regular expression.

Written apart from the lexer and in another way, so that the two can disagree.  Of the data elements
it knows those that the module offers: decimal and non-decimal numbers, words, and strings.
"""

import re

_WHITE = r"[\x00-\x09\x0b-\x20]"
_WORD = r"[A-Za-z][A-Za-z0-9_]*+"
_HEADER = rf"(?:\*{_WORD}|:?{_WORD}(?::{_WORD})*+)\??"
_DECIMAL = rf"[+-]?(?:[0-9]++(?:\.[0-9]*+)?|\.[0-9]++)(?:{_WHITE}*+[Ee]{_WHITE}*+[+-]?[0-9]++)?"
_NONDECIMAL = r"#(?:[Hh][0-9A-Fa-f]++|[Qq][0-7]++|[Bb][01]++)"
_STRING = r"""(?:"(?:[^"\x7f-\xff]|"")*+"|'(?:[^'\x7f-\xff]|'')*+')"""
_DATA = rf"(?:{_DECIMAL}|{_NONDECIMAL}|{_WORD}|{_STRING})"
_UNIT = rf"{_HEADER}(?:{_WHITE}++{_DATA}(?:{_WHITE}*+,{_WHITE}*+{_DATA})*+)?"
_MESSAGE = re.compile(
    rf"(?:{_WHITE}*+(?:{_UNIT})?+{_WHITE}*+)(?:;{_WHITE}*+(?:{_UNIT})?+{_WHITE}*+)*+".encode(
        "latin-1"
    ),
    re.DOTALL,
)


def well_formed(message: bytes) -> bool:
    """Whether a message has the form of one: no word of the table is known here, nor any range."""
    return _MESSAGE.fullmatch(message) is not None
