"""Small spaces of designs: the shipped example, cut down."""

from dataclasses import replace
from pathlib import Path

import pytest

import phasewright.design
from phasewright.design import Space, read_catalogue, read_requirement

TEMPLATES = Path(phasewright.design.__file__).parent / "templates"


def _cut(catalogue, *, stage=2, inductor=2, capacitor=3, controller=2, cooler=2, connector=2, most=3):
    """Return a catalogue with so many parts of each kind, spread over the list."""

    def some(parts, count):
        step = max(1, len(parts) // count)
        return tuple(parts[::step][:count])

    liquid = tuple(item for item in catalogue.cooler if item.figures.coolant == "liquid")
    caps = [item for item in catalogue.capacitor if item.use != "input"][-capacitor:]
    caps += [item for item in catalogue.capacitor if item.use == "input"][:capacitor]
    banks = tuple(replace(item, most=min(item.most, most)) for item in caps)
    return replace(
        catalogue, stage=some(catalogue.stage, stage), inductor=some(catalogue.inductor, inductor), capacitor=banks,
        controller=some(catalogue.controller, controller), cooler=some(liquid, cooler),
        connector=tuple(replace(item, most=2) for item in some(catalogue.connector, connector)))


@pytest.fixture(scope="session")
def example():
    """The shipped example, whole."""
    return Space(read_catalogue(TEMPLATES), read_requirement(TEMPLATES))


@pytest.fixture(scope="session")
def cut():
    """The function that makes a catalogue small."""
    return _cut


@pytest.fixture(scope="session")
def small(example):
    """About a hundred thousand designs, some of which hold."""
    catalogue = _cut(example.catalogue, stage=2, inductor=2, capacitor=2, most=24)
    catalogue = replace(catalogue, capacitor=tuple(replace(item, most=12 if item.use == "input" else 24)
                                                   for item in catalogue.capacitor))
    need = replace(example.requirement, phase_count_range=(7, 9), switching_frequency=(400e3, 600e3))
    return Space(catalogue, need)
