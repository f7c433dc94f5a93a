"""Sizing: from a part to a module, before anything is printed."""

from hostsim.sizing.search import Found, Wanted, search
from hostsim.sizing.wheel import SizeError

__all__ = ["Found", "SizeError", "Wanted", "search"]
