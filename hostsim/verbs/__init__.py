"""The verbs of the command line, one module each."""

from hostsim.verbs import (
    bringup,
    bundle,
    check,
    dispense,
    part,
    plan,
    registers,
    replay,
    request,
    serve,
    service,
    size,
)
from hostsim.verbs.common import VerbError

VERBS = (
    dispense,
    serve,
    request,
    plan,
    check,
    part,
    size,
    registers,
    replay,
    bundle,
    bringup,
    service,
)

__all__ = ["VERBS", "VerbError"]
