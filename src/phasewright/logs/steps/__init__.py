"""Steps: where each planned setting is found on the reference clock."""

from phasewright.logs.steps.places import places_text
from phasewright.logs.steps.spans import find_steps

__all__ = ["find_steps", "places_text"]
