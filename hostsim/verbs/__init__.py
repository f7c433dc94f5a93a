"""The verbs of the command line, one module each."""

from hostsim.verbs import check, dispense, plan, replay, request, serve
from hostsim.verbs.common import VerbError

VERBS = (dispense, serve, request, plan, check, replay)

__all__ = ["VERBS", "VerbError"]
