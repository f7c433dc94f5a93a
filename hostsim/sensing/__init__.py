"""What the beam will see and what a scale can tell, before either is there."""

from hostsim.sensing.predict import Sensing, measure

__all__ = ["Sensing", "measure"]
