"""What is made from the key declarations is current, and the schema judges as the reader does."""

import tomllib
from pathlib import Path

import jsonschema
import pytest

from phasewright.bench import json_schema
from phasewright.bench._reference import reference, walk_tables
from phasewright.bench.bench_keys import BenchKeys
from phasewright.bench.campaign_keys import CampaignKeys
from phasewright.bench.generate import made_files
from phasewright.bench.records import Bench, Campaign
from phasewright.bench.write import template

PROJECT = Path(__file__).parents[2]
FROZEN = PROJECT / "tests" / "frozen"


def test_schemas_and_reference_pages_are_current():
    """Else run, in the project's folder: python -m phasewright.bench.generate"""
    stale = [path.name for path, content in made_files(PROJECT).items() if path.read_text("utf-8") != content]
    assert stale == []


@pytest.mark.parametrize("kind", ["bench", "campaign"])
def test_schema_is_one_and_accepts_the_frozen_example_and_the_template(kind):
    schema = json_schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    judge = jsonschema.Draft202012Validator(schema)
    for text in ((FROZEN / f"{kind}-1.toml").read_text("utf-8"), template(f"{kind}.toml")):
        assert [error.message for error in judge.iter_errors(tomllib.loads(text))] == []


@pytest.mark.parametrize(
    ("kind", "text", "new"),
    [
        ("bench", "phase_count = 10", "phase_count = 0"),
        ("bench", "phase_count = 10", "phase_count = 2.5"),
        ("bench", "phase_count = 10", "phases = 10"),
        ("bench", 'load_line = "0.3 mOhm"', "load_line = 0.3"),
        ("bench", 'load_line = "0.3 mOhm"', 'load_line = "0.3"'),
        ("bench", 'kind = "pad"', 'kind = "jam"'),
        ("bench", "[instrument.accuracy.input_power]", "[instrument.accuracy.input_pwoer]"),
        ("bench", 'format = "phasewright-bench-1"', ""),
        ("campaign", 'file = "logs/meter.csv"', 'file = "../meter.csv"'),
        ("campaign", 'file = "logs/meter.csv"', 'file = "/logs/meter.csv"'),
        ("campaign", 'start = "700 s"', "start = 700"),
        ("campaign", 'start = "700 s"', 'start = "700"'),
        ("campaign", 'price = "0.30 EUR/kWh"', 'price = "0.30"'),
        ("campaign", 'step_source = "times"', 'step_source = "guess"'),
        ("campaign", 'column = "Iout"', 'colunm = "Iout"'),
    ],
)
def test_schema_refuses_what_the_reader_refuses(kind, text, new):
    whole = (FROZEN / f"{kind}-1.toml").read_text("utf-8")
    assert whole.count(text) == 1
    judge = jsonschema.Draft202012Validator(json_schema(kind))
    assert list(judge.iter_errors(tomllib.loads(whole.replace(text, new)))) != []


@pytest.mark.parametrize("text", ["120 s", "2 min", "14:05:30", "9:05", "2026-01-31 14:05", "2026-01-31T14:05:30.25"])
def test_schema_accepts_every_way_to_write_a_step_time(text):
    whole = tomllib.loads((FROZEN / "campaign-1.toml").read_text("utf-8"))
    whole["step"][1]["start"] = text
    assert list(jsonschema.Draft202012Validator(json_schema("campaign")).iter_errors(whole)) == []


def test_schema_of_anything_else_is_refused():
    with pytest.raises(ValueError, match="'bench' or 'campaign'"):
        json_schema("logs")


@pytest.mark.parametrize("model", [BenchKeys, CampaignKeys])
def test_every_key_says_what_it_means_and_has_an_example(model):
    for head, table in walk_tables(model):
        assert table.__doc__, head
        for name, field in table.model_fields.items():
            assert field.description, f"{head} {name}"
            extra = field.json_schema_extra
            assert extra["kind"] in ("table", "tables", "by_channel") or extra["example"] not in ("", None), name


@pytest.mark.parametrize("kind", ["bench", "campaign"])
def test_reference_names_every_key(kind):
    text = reference(kind)
    for _, table in walk_tables(BenchKeys if kind == "bench" else CampaignKeys):
        for name, field in table.model_fields.items():
            assert f"`{name}`" in text or field.json_schema_extra["kind"] in ("table", "tables", "by_channel")


def test_records_and_keys_use_the_same_words():
    """A key and the field it fills have one name; the few that differ are lists and ways to write a channel."""
    import phasewright.bench.records as records

    fields = {
        name
        for record in vars(records).values()
        if isinstance(record, type) and hasattr(record, "__dataclass_fields__")
        for name in record.__dataclass_fields__
    }
    keys = {
        name for model in (BenchKeys, CampaignKeys) for _, table in walk_tables(model) for name in table.model_fields
    }
    steps = set(dict(walk_tables(CampaignKeys))["[[step]]"].model_fields)
    listed = {
        "connector",
        "instrument",
        "part",
        "log",
        "step",
        "time",
        "column",
        "columns",
        "format",
        "sum",
        "unit",
        "units",
    }
    assert keys - fields - steps - listed == set()
    assert {"board", "regulator"} <= set(Bench.__dataclass_fields__) & keys
    assert {"cost", "settle_bound"} <= set(Campaign.__dataclass_fields__) & keys
