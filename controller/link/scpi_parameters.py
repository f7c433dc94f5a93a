"""Parameters: what a command takes, as data, and turning data elements into arguments.

A parameter is a tuple (kind, name, ...):

    (NUMBER, name, low, high)              a whole number
    (EXTENDED, name, low, high)            the same, or MINimum, or MAXimum
    (CHOICE, name, words)                  one of the words, from position 1 on; its position counts
    (TEXT, name)                           a quoted string, or a word without quotes

A fifth field of a number is its default: such a parameter may be left out, and an EXTENDED one
takes DEFault for it.  A bound or default may be the name of a setting instead of a number.  Numbers
that say how many parts to let go are never EXTENDED: nobody asks for MAXimum parts by mistake.
"""

from controller.link.refusal import Refused
from controller.link.scpi_header import mixed_case, word_matches
from controller.link.scpi_lexer import CHARACTER, NUMERIC, STRING

NUMBER = 0
EXTENDED = 1
CHOICE = 2
TEXT = 3

# Kinds of data element that a kind of parameter takes, and the error for each that it does not.
_TAKES = ((NUMERIC,), (NUMERIC, CHARACTER), (CHARACTER,), (STRING, CHARACTER))
_NOT_ALLOWED = (-128, -148, -158)

_MINIMUM = "MINimum"
_MAXIMUM = "MAXimum"
_DEFAULT = "DEFault"


def may_be_left_out(parameter):
    """Tell whether the parameter has a default."""
    return len(parameter) == 5


def check(parameters, data):
    """Raise the command error if number or kinds of data elements don't fit the parameters."""
    if len(data) > len(parameters):
        raise Refused(-108, data[len(parameters)][2])
    for at in range(len(parameters)):
        parameter = parameters[at]
        if at >= len(data):
            if not may_be_left_out(parameter):
                raise Refused(-109, parameter[1])
        elif data[at][0] not in _TAKES[parameter[0]]:
            raise Refused(_NOT_ALLOWED[data[at][0]], parameter[1] + " " + data[at][2])


def arguments(parameters, data, settings):
    """Return the arguments for elements that passed `check`; raise the execution error if any."""
    values = []
    for at in range(len(parameters)):
        parameter = parameters[at]
        if at < len(data):
            values.append(_argument(parameter, data[at], settings))
        else:
            values.append(_bound(parameter[4], settings))
    return values


def allowed(parameter, settings=None):
    """Return what a parameter may be, as text; without settings their names stand for them."""
    kind = parameter[0]
    if kind == CHOICE:
        return "|".join([mixed_case(word) for word in parameter[2][1:]])
    if kind == TEXT:
        return "text"
    low, high = _bound(parameter[2], settings), _bound(parameter[3], settings)
    words = f"{low}..{high}"
    if kind == EXTENDED:
        words += "|" + _MINIMUM + "|" + _MAXIMUM
        if may_be_left_out(parameter):
            words += "|" + _DEFAULT
    return words


def _bound(bound, settings):
    """Return a bound that may be the name of a setting; without settings, as it stands."""
    if settings is None or not isinstance(bound, str):
        return bound
    return getattr(settings, bound)


def _argument(parameter, datum, settings):
    kind = parameter[0]
    if kind == TEXT:
        return datum[1] if datum[0] == STRING else datum[2]
    if kind == CHOICE:
        for position in range(1, len(parameter[2])):
            if word_matches(mixed_case(parameter[2][position]), datum[1]):
                return position
    elif datum[0] == NUMERIC:
        if _bound(parameter[2], settings) <= datum[1] <= _bound(parameter[3], settings):
            return datum[1]
        raise Refused(-222, _complaint(parameter, datum, settings))
    elif word_matches(_MINIMUM, datum[1]):
        return _bound(parameter[2], settings)
    elif word_matches(_MAXIMUM, datum[1]):
        return _bound(parameter[3], settings)
    elif word_matches(_DEFAULT, datum[1]) and may_be_left_out(parameter):
        return _bound(parameter[4], settings)
    raise Refused(-224, _complaint(parameter, datum, settings))


def _complaint(parameter, datum, settings):
    return f"{parameter[1]} {datum[2]}, allowed {allowed(parameter, settings)}"
