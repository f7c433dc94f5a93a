"""The verbs of the command line, one module each."""

from hostsim.verbs import (
    bringup,
    bundle,
    check,
    commission,
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
    commission,
)

__all__ = ["VERBS", "VerbError"]
