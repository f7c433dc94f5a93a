"""The verbs of the command line, one module each."""

from hostsim.verbs import (
    bringup,
    bundle,
    check,
    dispense,
    plan,
    registers,
    replay,
    request,
    serve,
)
from hostsim.verbs.common import VerbError

VERBS = (
    dispense,
    serve,
    request,
    plan,
    check,
    registers,
    replay,
    bundle,
    bringup,
)

__all__ = ["VERBS", "VerbError"]
