"""The verbs of the command line, one module each."""

from hostsim.verbs import (
    bringup,
    bundle,
    check,
    commission,
    dispense,
    flash,
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
    flash,
    bringup,
    service,
    commission,
)

__all__ = ["VERBS", "VerbError"]
