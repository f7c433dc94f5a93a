"""Make the unmodified `transitions` core importable on MicroPython.

Theory of operation
-------------------
`transitions/core.py` runs under MicroPython as it is, but imports seven standard modules that
MicroPython lacks or has only in part, and names two exceptions that it does not know.  `install`
lends it small stand-ins under the standard names while it is being imported, then takes them away
again: the core keeps the references it has taken, and no other module can pick up a half-`logging`
by accident.  Afterwards `from transitions.core import Machine` works anywhere, because the module
is in `sys.modules`.

On CPython there is nothing to do, and nothing is done: the standard modules are the real ones.
"""

import builtins
import sys

# What the core and its package file import; one file of this folder stands in for each.
LENT = (
    "__future__",
    "collections",
    "functools",
    "inspect",
    "itertools",
    "logging",
    "six",
    "warnings",
)

# The core mentions these by name.  They stay: it may reach for `ReferenceError` at any time.
MISSING_EXCEPTIONS = ("DeprecationWarning", "ReferenceError")


def install(transitions_path=None):
    """Import `transitions.core` so that charts can import names from it.

    `transitions_path`: the folder that holds the `transitions` package (a `site-packages`), or None
    if it lies on `sys.path` already.  Raises ImportError if there is no such package there.
    Harmless to call twice; does nothing on CPython.
    """
    if sys.implementation.name != "micropython" or "transitions.core" in sys.modules:
        return
    for name in MISSING_EXCEPTIONS:
        if not hasattr(builtins, name):
            setattr(builtins, name, type(name, (Exception,), {}))
    stand_ins = {name: _stand_in(name) for name in LENT}
    displaced = {name: sys.modules[name] for name in LENT if name in sys.modules}
    sys.modules.update(stand_ins)
    # Only for this one import: other packages of a site-packages must not become visible.
    if transitions_path is not None:
        sys.path.insert(0, transitions_path)
    try:
        __import__("transitions.core")
    finally:
        if transitions_path is not None:
            sys.path.remove(transitions_path)
        for name in LENT:
            del sys.modules[name]
        sys.modules.update(displaced)


def _stand_in(name):
    """Return the module of this folder that stands in for the standard module `name`."""
    __import__("controller.shims." + name)
    return sys.modules["controller.shims." + name]
