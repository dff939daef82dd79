"""The docstring of a formula is data: sections, units, names and examples are parsed and compared with the code."""

import doctest
import importlib
import importlib.util
import inspect
import re
import sys
from pathlib import Path

import pytest

import phasewright.physics as physics

ROOT = Path(__file__).parents[2]
SPEC = importlib.util.spec_from_file_location("make_reference", ROOT / "docs" / "make_reference.py")
make_reference = importlib.util.module_from_spec(SPEC)
sys.modules["make_reference"] = make_reference  # dataclasses look their module up
SPEC.loader.exec_module(make_reference)

FORMULAS = [name for name in physics.__all__ if hasattr(getattr(physics, name), "range")]
UNITS = {
    "1", "-", "V", "A", "W", "Ohm", "H", "F", "C", "T", "Hz", "s", "h", "J", "K", "degC", "m", "m^2", "m^3/s", "A/s",
    "W/s", "K/W", "W/K", "J/K", "1/K", "1/s", "1/day", "W/m^3", "Ohm m", "kg/m^3", "J/(kg K)", "W/(m K)", "W/(m^2 K)",
    "Pa s", "eV",
    "FIT", "currency", "currency/kWh", "deg",
}  # fmt: skip
WORDS = ROOT / "docs" / "words.md"


SIMULATION = importlib.import_module("phasewright.physics.waveform")
SIMULATIONS = [name for name in SIMULATION.__all__ if inspect.isfunction(getattr(SIMULATION, name))]


def words():
    rows = re.findall(
        r"^\| *([^|]+?) *\| *([^|]*?) *\| *([^|]+?) *\|$", WORDS.read_text(encoding="utf-8"), re.MULTILINE
    )
    return {word.strip("`"): unit for word, unit, _ in rows}


def test_all_public_functions_of_the_room_are_formulas():
    rest = set(physics.__all__) - set(FORMULAS) - set(SIMULATION.__all__)
    assert rest == {
        "Bound",
        "FinalValue",
        "Formula",
        "FosterNetwork",
        "Interval",
        "Settled",
        "formula",
        "out_of_range",
    }
    assert len(FORMULAS) > 100
    assert physics.__all__ == sorted(physics.__all__, key=lambda name: (name[0].islower(), name))


@pytest.mark.parametrize("name", FORMULAS + SIMULATIONS)
def test_sections_units_and_names(name):
    function = getattr(physics, name)
    described = make_reference.describe(function)
    assert described.sentence.startswith("Return "), "one sentence that says what is returned"
    assert len(described.equation[0]) > 10 or "=" in described.equation[0]
    assert list(described.parameters) == list(inspect.signature(function).parameters)
    assert {unit for unit, _ in described.parameters.values()} <= UNITS
    returned = re.findall(r"\[([^\]]+)\]", described.sections["Returns"])
    assert returned and set(returned) <= UNITS
    assert re.search(r"shape|broadcast", described.sections["Returns"])
    for section in ("Range", "Assumptions", "Source"):
        assert described.sections[section].endswith(".")


@pytest.mark.parametrize("name", FORMULAS)
def test_every_number_is_guarded_and_every_vouched_range_has_a_voice(name):
    function = getattr(physics, name)
    described = make_reference.describe(function)
    numbers = {
        argument for argument, (unit, _) in described.parameters.items() if unit != "-" and argument != "loss_at"
    }
    assert set(function.possible) == numbers == set(function.range)
    assert function.source
    for argument, bound in function.range.items():
        if bound != function.possible[argument]:
            assert bound.said_by
            assert argument in described.sections["Range"] or "temperatures" in described.sections["Range"], argument


@pytest.mark.parametrize("name", FORMULAS + SIMULATIONS)
def test_units_agree_with_the_word_list(name):
    known = words()
    for argument, (unit, _) in make_reference.describe(getattr(physics, name)).parameters.items():
        assert argument in known, f"add {argument} to docs/words.md"
        assert known[argument] in (unit, "any", "as the value"), argument


@pytest.mark.parametrize("name", FORMULAS + SIMULATIONS)
def test_example_runs(name):
    function = getattr(physics, name)
    example = doctest.DocTestParser().get_doctest(
        inspect.getdoc(function), dict(vars(sys.modules[function.__module__])), name, None, 0
    )
    assert example.examples, "an example that runs"
    said = []
    runner = doctest.DocTestRunner(verbose=False)
    runner.run(example, out=said.append)
    assert not runner.failures, "".join(said)


def test_reference_page_is_fresh():
    assert make_reference.PAGE.read_text(encoding="utf-8") == make_reference.page(), "run python docs/make_reference.py"
    text = make_reference.page()
    for name in physics.__all__:
        if name not in ("Bound", "Formula", "formula", "out_of_range"):
            assert f"### `{name}`\n" in text, name


def test_a_bad_docstring_is_noticed():
    def without_unit(x):
        """Return x.

        y = x

        Parameters:
            x: no unit.

        Returns:
            y [1], shape of x.

        Range:
            any.

        Assumptions:
            none.

        Example:
            >>> 1
            1

        Source:
            none.
        """

    with pytest.raises(ValueError, match="name \\[unit\\]: meaning"):
        make_reference.describe(without_unit)

    def without_sections(x):
        """Return x."""

    with pytest.raises(ValueError, match="sections of without_sections"):
        make_reference.describe(without_sections)
