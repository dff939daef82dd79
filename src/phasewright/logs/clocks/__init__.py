"""Clock alignment: which offset, drift and averaging put every log on the reference clock."""

from phasewright.logs.clocks.alignment import align

__all__ = ["align"]
