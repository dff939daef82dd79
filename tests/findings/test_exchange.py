"""The JSON object of an analysis against its shipped schema and its page in the docs."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.findings import Analysis, analysis_schema, to_json
from phasewright.quantity import Value

DOCS = Path(__file__).parents[2] / "docs" / "reference" / "analysis-json.md"


def check(analysis: Analysis) -> dict:
    found = to_json(analysis)
    jsonschema.Draft202012Validator(analysis_schema()).validate(found)
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    return found


def test_schema_is_itself_valid():
    jsonschema.Draft202012Validator.check_schema(analysis_schema())


def test_object_obeys_the_schema(hand):
    check(hand.analyzed(hand.Played("12", {"phase_count": 12}), hand.Played("8", {"phase_count": 8, "load": "x"})))


def test_object_of_a_bare_campaign_obeys_the_schema(hand):
    only = {name: None for name in hand.LEVELS} | {"input_power": 300.0}
    found = check(hand.analyzed(hand.Played("8", levels=only, found=False)))
    assert found["steps"][0]["verdict"] != "sustained"
    assert found["steps"][0]["missing"]


def test_schema_refuses_what_is_wrong(hand):
    found = to_json(hand.analyzed(hand.Played("8 phases")))
    for spoil in (
        lambda x: x["steps"][0].update(verdict="fine"),
        lambda x: x["steps"][0]["quantities"]["loss"].update(u="small"),
        lambda x: x.pop("clocks"),
        lambda x: x.update(extra=1),
    ):
        spoiled = json.loads(json.dumps(found))
        spoil(spoiled)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(spoiled, analysis_schema())


def test_every_key_of_the_schema_is_documented():
    text = DOCS.read_text(encoding="utf-8")
    keys = set()

    def walk(node):
        if isinstance(node, dict):
            keys.update(node.get("properties", {}))
            for item in node.values():
                walk(item)
        elif isinstance(node, list):
            for item in node:
                walk(item)

    walk(analysis_schema())
    words = set(re.findall(r"`([a-z0-9_]+)`", text))
    assert not keys - words


def test_keys_keep_their_order(hand):
    steps = [hand.Played("12", {"phase_count": 12, "load": "x"}), hand.Played("8", {"load": "x", "phase_count": 8})]
    one, other = (to_json(hand.analyzed(*steps)) for _ in range(2))
    assert json.dumps(one) == json.dumps(other)
    assert list(one["steps"][0]["quantities"]) == sorted(one["steps"][0]["quantities"])


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(numbers=st.tuples(*[st.floats(allow_nan=True, allow_infinity=True)] * 4), reason=st.text(max_size=20))
def test_no_number_can_make_the_json_invalid(hand, numbers, reason):
    analysis = hand.fixed
    finding = analysis.steps[0]
    odd = Value(numbers[0], "W", numbers[1], numbers[2], numbers[3], "measured", reason=reason)
    spoiled = replace(
        finding, quantities={**finding.quantities, "input_power": odd}, peak_averaging={"input_power_peak": numbers[0]}
    )
    found = check(replace(analysis, steps=(spoiled,)))
    shown = found["steps"][0]["quantities"]["input_power"]["value"]
    assert shown is None if not math.isfinite(numbers[0]) else shown == numbers[0]
