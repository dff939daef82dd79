"""Whatever stands in the files: records or faults, never another exception. Quantities survive writing and reading."""

import copy
import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import BenchFault, PhasewrightError, check_folder, read_bench, read_campaign
from phasewright.bench._reference import inner
from phasewright.bench.bench_keys import BenchKeys
from phasewright.bench.campaign_keys import CampaignKeys
from phasewright.quantity import parse_quantity

FROZEN = Path(__file__).parents[1] / "frozen"
BENCH = (FROZEN / "bench-1.toml").read_text(encoding="utf-8")
CAMPAIGN = (FROZEN / "campaign-1.toml").read_text(encoding="utf-8")
QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def read_both(folder, bench: bytes, campaign: bytes):
    """Read both files; every fault must be printable on one line."""
    (folder / "bench.toml").write_bytes(bench)
    (folder / "campaign.toml").write_bytes(campaign)
    checked = check_folder(folder)
    for fault in checked.faults:
        assert fault.what and fault.mend
        assert str(fault).isprintable()
    for caution in checked.cautions:
        assert caution.isprintable()
    for read in (read_bench, read_campaign):
        try:
            read(folder)
        except BenchFault as error:
            assert error.faults
    return checked


@QUICK
@given(st.binary(max_size=200), st.binary(max_size=200))
def test_any_bytes(tmp_path, one, two):
    checked = read_both(tmp_path, one, two)
    assert checked.faults  # neither names its format


@QUICK
@given(st.text(max_size=80), st.integers(0, len(BENCH)), st.integers(0, len(CAMPAIGN)), st.integers(0, 60))
def test_sound_files_with_any_text_put_in_somewhere(tmp_path, text, here, there, cut):
    extra = text.encode("utf-8", "surrogatepass")
    bench = BENCH[:here].encode() + extra + BENCH[here + cut :].encode()
    campaign = CAMPAIGN[:there].encode() + extra + CAMPAIGN[there + cut :].encode()
    read_both(tmp_path, bench, campaign)


_odd = st.one_of(
    st.integers(-(10**6), 10**6), st.floats(), st.booleans(), st.text(max_size=10), st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["name", "column", "x"]), st.text(max_size=4), max_size=2),
    st.datetimes().map(lambda moment: moment.replace(microsecond=0)),
    st.sampled_from(["", "1 A", "1e300 W", "-1 s", "0 K", "99:99", "2026-02-30 10:00", "../x", "#0", "12:00"]),
    st.sampled_from([[[]], [["1 K"]], [["1 degC", "1 %"], ["1 degC", "1 %"]]]),
)  # fmt: skip


def paths(value, at=()):
    if at:
        yield at
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from paths(item, (*at, key))


@QUICK
@given(st.data())
def test_sound_files_with_any_value_in_any_place(tmp_path, data):
    written = []
    for text in (BENCH, CAMPAIGN):
        raw = tomllib.loads(text)
        for path in data.draw(st.lists(st.sampled_from(list(paths(raw))), min_size=1, max_size=4)):
            holder = raw
            for part in path[:-1]:
                try:
                    holder = holder[part]
                except (KeyError, IndexError, TypeError):
                    break
            else:
                fits = isinstance(path[-1], int) if isinstance(holder, list) else isinstance(holder, dict)
                if fits and (isinstance(holder, dict) or path[-1] < len(holder)):
                    holder[path[-1]] = copy.deepcopy(data.draw(_odd))
        try:
            written.append(tomlkit.dumps(raw).encode("utf-8", "surrogatepass"))
        except (ValueError, TypeError):
            return  # not to be written as TOML at all
    read_both(tmp_path, *written)


def quantities(model, path=()):
    """Yield (path, unit, low, high) of every quantity of a file; list items have the number 0."""
    for name, field in model.model_fields.items():
        extra, below = field.json_schema_extra, inner(field.annotation)
        if extra["kind"] == "quantity":
            yield (*path, name), extra["unit"], extra["low"], extra["high"]
        elif extra["kind"] == "table":
            yield from quantities(below, (*path, name))
        elif extra["kind"] == "tables":
            yield from quantities(below, (*path, name, 0))


ALL = [("bench", *row) for row in quantities(BenchKeys)] + [("campaign", *row) for row in quantities(CampaignKeys)]
RECORD_OF = {"connector": "connectors", "part": "chain", "instrument": "instruments", "log": "logs", "step": "steps"}


def get(record, path):
    for part in path:
        record = record[part] if isinstance(part, int) else getattr(record, RECORD_OF.get(part, part))
    return record


LEAST = {
    "bench": {
        "format": "phasewright-bench-1", "name": "b",
        "board": {"name": "b", "connector": [{"name": "c", "contact_count": 1}], "copper": [{"name": "p"}]},
        "regulator": {"name": "r", "phase_count": 1}, "cooling": {"part": [{"name": "p"}]},
        "instrument": [{"name": "i"}],
    },
    "campaign": {"format": "phasewright-campaign-1", "name": "c", "step": [{"name": "s", "start": "60 s"}],
                 "log": [{"name": "l", "file": "logs/l.csv", "instrument": "i"}]},
}  # fmt: skip
"""The least that each file must say, with one item in each list."""


def write_and_read(folder, kind, path, text):
    """Return the number that is read when the file says `text` at `path` and else only what it must say."""
    raw = copy.deepcopy(LEAST[kind])
    holder = raw
    for part in path[:-1]:
        holder = holder[part] if isinstance(part, int) else holder.setdefault(part, {})
    holder[path[-1]] = text
    if path[-1] == "rail_voltage" and kind == "bench":
        raw["board"]["input_voltage"] = "100 V"
    folder = folder / kind  # apart, so that a bench of one example does not judge another's campaign
    folder.mkdir(exist_ok=True)
    (folder / f"{kind}.toml").write_text(tomlkit.dumps(raw), encoding="utf-8")
    record = read_bench(folder) if kind == "bench" else read_campaign(folder)
    if path[-1] == "duration":
        return parse_quantity(record.steps[0].end, "s") - 60.0
    if path == ("log", 0, "time", "offset"):
        return record.logs[0].clock_offset
    if path[0] == "step":
        return getattr(record.steps[0], path[-1], None) or record.steps[0].settings.get(path[-1], 0.0)
    return get(record, path)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(row=st.sampled_from(ALL), data=st.data())
def test_every_quantity_that_is_written_is_read_again(tmp_path, row, data):
    kind, path, unit, low, high = row
    value = data.draw(st.floats(parse_quantity(low, unit), parse_quantity(high, unit)))
    if 0 < abs(value) < 1e-290:
        value = 0.0
    text = f"{value!r} {unit}" if unit != "1" else f"{value * 100!r} %"
    read = write_and_read(tmp_path, kind, path, text)
    assert read == pytest.approx(value, rel=1e-9 if path[-1] == "duration" else 1e-13, abs=1e-300)


@pytest.mark.parametrize("row", ALL, ids=lambda row: ".".join(map(str, row[1])))
def test_both_ends_of_every_range_are_allowed_and_nothing_beyond(tmp_path, row):
    kind, path, unit, low, high = row
    for end in (low, high):
        assert write_and_read(tmp_path, kind, path, end) == pytest.approx(parse_quantity(end, unit))
    for end, away in ((low, -1.0), (high, 1.0)):
        beyond = parse_quantity(end, unit) + away * max(1e-9, abs(parse_quantity(end, unit)) * 1e-3)
        with pytest.raises(BenchFault) as caught:
            write_and_read(tmp_path, kind, path, f"{beyond!r} {unit}" if unit != "1" else f"{beyond * 100!r} %")
        assert f"allowed is {low} to {high}" in caught.value.faults[0].mend


def test_one_family_of_errors():
    assert issubclass(BenchFault, PhasewrightError)
