"""The joint between magazine and feeder: how far its sides may be off, and whether parts catch."""

from hostsim.joints.joint import Joint, measure

__all__ = ["Joint", "measure"]
