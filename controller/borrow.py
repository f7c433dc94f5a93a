"""Borrowed modules: imported for a moment, read, and forgotten.

Some tables are read by people, or once at boot: what a cause means, what a command is for, what a
setting may be.  On a small board they would fill a sixth of the heap for the rest of the day.  They
stand in modules of their own; whoever needs one borrows it, takes what it wants, and lets it go.
Reading it from flash again takes tens of milliseconds, which nobody who asks for a text minds.

A module that is to be forgotten must not have functions that anything else holds on to: a function
keeps all of its module.  CPython has memory to spare, and keeps what it has imported.
"""

import sys

_FORGETS = sys.implementation.name == "micropython"


def borrow(name, *others):
    """Return the module `name`; MicroPython forgets it, and `others` it imports, afterwards.

    `others`: each behind those that it imports itself, so that no import goes on within another:
    a board's stack has no room for many.
    """
    for each in others + (name,):
        __import__(each)
    module = sys.modules[name]
    if _FORGETS:
        for each in (name,) + others:
            _forget(each)
    return module


def _forget(name):
    if name in sys.modules:
        package, _, last = name.rpartition(".")
        del sys.modules[name]
        if hasattr(sys.modules[package], last):
            delattr(sys.modules[package], last)
