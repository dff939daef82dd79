"""A log is added to campaign.toml, or replaced there, and nothing else in the file moves."""

import dataclasses
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import (
    BenchFault,
    ChannelSource,
    ColumnTerm,
    LogEntry,
    add_instrument,
    add_log,
    lay_down,
    read_bench,
    read_campaign,
)  # fmt: skip

METER = LogEntry(
    name="second meter",
    files=("logs/second.csv",),
    instrument="meter",
    channels=(
        ChannelSource("input_power.second", (ColumnTerm(("U1", "I1")), ColumnTerm(("U2", "I2"), ("V", "mA"), -2.5))),
        ChannelSource("input_current", (ColumnTerm(("#4",), ("mA",), -1.0),)),
        ChannelSource("ambient_temperature", (ColumnTerm(('odd "name" = [x]',)),)),
    ),
    time_columns=("Date", "Time"),
    time_format="%d.%m.%Y %H:%M:%S",
    zone="UTC",
    decimal=",",
    delimiter="\t",
)


def test_new_log_goes_behind_the_others_and_reads_back(folder):
    before = folder.text("campaign.toml")
    add_log(folder.path, METER)
    after = folder.text("campaign.toml")
    start = after.index('\n[[log]]\nname = "second meter"')
    end = after.index("\n[[step]]")
    assert after[:start] + after[end:] == before  # only its own block was put in
    assert after.index('"rail_voltage.sense_2"') < start < after.index("[[step]]")
    assert read_campaign(folder.path).logs[2] == METER


def test_first_log_of_a_new_campaign(tmp_path):
    lay_down(tmp_path)
    before = (tmp_path / "campaign.toml").read_text()
    entry = dataclasses.replace(METER, name="meter")
    add_log(tmp_path, entry)
    assert (tmp_path / "campaign.toml").read_text().startswith(before)
    assert read_campaign(tmp_path).logs == (entry,)


def test_first_log_goes_before_the_steps_and_their_comment(folder):
    text = folder.text("campaign.toml")
    text = text[: text.index("[[log]]")] + "# what was done\n" + text[text.index("[[step]]") :]
    folder.write("campaign.toml", text)
    add_log(folder.path, METER)
    after = folder.text("campaign.toml")
    assert after.index("[[log]]") < after.index("# what was done\n[[step]]")
    assert after.replace(after[after.index("[[log]]") : after.index("# what was done")], "") == text


def test_log_that_is_there_already_is_left_as_it_is_written(folder):
    before = folder.text("campaign.toml")
    for entry in read_campaign(folder.path).logs:
        add_log(folder.path, entry)
    assert folder.text("campaign.toml") == before


def test_replacing_keeps_comments_and_what_did_not_change(folder):
    folder.change(
        "campaign.toml", 'instrument = "host"', 'instrument = "host"  # its own clock\n# two parts, one night'
    )
    folder.change(
        "campaign.toml", 'package_power = "Package Power [W]"', 'package_power = "Package Power [W]"  # all rails'
    )
    entry = read_campaign(folder.path).logs[1]
    changed = dataclasses.replace(
        entry,
        files=("logs/host-1.csv", "logs/host-2.csv"),
        header_line=2,
        channels=(
            ChannelSource("package_power", (ColumnTerm(("PPT",)),)),
            *entry.channels[1:4],
            ChannelSource("fan_duty", (ColumnTerm(("fan",), ("%",)),)),
        ),
    )
    add_log(folder.path, changed)
    text = folder.text("campaign.toml")
    assert read_campaign(folder.path).logs == (read_campaign(folder.path).logs[0], changed)
    assert 'instrument = "host"  # its own clock\n# two parts, one night' in text
    assert 'package_power = "PPT"  # all rails' in text
    assert 'rail_current = { column = "Iout", unit = "mA", factor = -1 }' in text
    assert "sense_2" not in text
    assert "rail_voltage.sense_1" in text


def test_logs_between_steps_and_carriage_returns(folder):
    text = folder.text("campaign.toml")
    first, second, steps = text.index("[[log]]"), text.index('[[log]]\nname = "host"'), text.index("[[step]]")
    mixed = text[:first] + text[second:steps] + text[steps:] + "\n# last\n" + text[first:second]
    folder.write("campaign.toml", mixed.replace("\n", "\r\n"))
    meter = next(item for item in read_campaign(folder.path).logs if item.name == "meter")
    add_log(folder.path, dataclasses.replace(meter, header_line=5))
    data = (folder.path / "campaign.toml").read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") == mixed.count("\n")
    assert data.decode().replace("\r\n", "\n") == mixed.replace("header_line = 3", "header_line = 5")


def test_faulty_entry_is_refused_and_nothing_is_written(folder):
    before = folder.text("campaign.toml")
    bad = dataclasses.replace(
        METER, files=("../x.csv",), channels=(ChannelSource("no_such", (ColumnTerm(("a",)),)),), encoding="klingon"
    )
    with pytest.raises(BenchFault) as caught:
        add_log(folder.path, bad)
    assert {fault.path for fault in caught.value.faults} == {
        "log[3].file",
        "log[3].channels.no_such",
        "log[3].encoding",
    }
    assert folder.text("campaign.toml") == before
    assert sorted(os.listdir(folder.path)) == ["bench.toml", "campaign.toml", "logs"]


def test_file_that_cannot_be_read_is_not_touched(folder):
    folder.write("campaign.toml", "log = [{ name = 'x' }]\n")
    with pytest.raises(BenchFault, match="its own"):
        add_log(folder.path, METER)
    folder.write("campaign.toml", "[[log\n")
    with pytest.raises(BenchFault):
        add_log(folder.path, METER)
    assert folder.text("campaign.toml") == "[[log\n"


def test_failed_replacement_leaves_the_old_file(folder, monkeypatch):
    before = folder.text("campaign.toml")

    def fail(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="Input/output error"):
        add_log(folder.path, METER)
    assert folder.text("campaign.toml") == before
    assert sorted(os.listdir(folder.path)) == ["bench.toml", "campaign.toml", "logs"]


_column = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zs", "Zl", "Zp"]), min_size=1, max_size=12).filter(
    lambda text: not text.startswith("#")
)
_factor = st.integers(-1000, 1000).filter(bool).map(float) | st.floats(1e-9, 1e9)


_channels = ["input_power", "input_power.a", "rail_current.phase_1"]


@st.composite
def _terms(draw):
    columns = tuple(draw(st.lists(_column, min_size=1, max_size=3)))
    known = ["", "W", "mA", "V"] if len(columns) > 1 else ["", "W", "mW"]
    units = tuple(draw(st.sampled_from(known)) for _ in columns) if draw(st.booleans()) else ()
    return ColumnTerm(columns, units if any(units) else (), draw(_factor))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(_terms(), min_size=2, max_size=3),
    st.lists(st.tuples(st.sampled_from(_channels), _column), max_size=3, unique_by=lambda row: row[0]),
    st.sampled_from([(), ("t",), ("Date", "Time")]),
    _column,
)  # fmt: skip
def test_whatever_is_added_reads_back(tmp_path, terms, plain, time_columns, name):
    if not (tmp_path / "campaign.toml").exists():
        lay_down(tmp_path)
    entry = LogEntry(
        name=name,
        files=("logs/a.csv",),
        instrument="meter",
        channels=(
            ChannelSource("package_power", tuple(terms)),
            *(ChannelSource(channel, (ColumnTerm((column,)),)) for channel, column in plain),
        ),
        time_columns=time_columns,
    )
    (tmp_path / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "x"\n')
    add_log(tmp_path, dataclasses.replace(entry, channels=()))
    add_log(tmp_path, entry)
    read = read_campaign(tmp_path).logs[0]
    assert {item.channel: item.terms for item in read.channels} == {item.channel: item.terms for item in entry.channels}
    assert dataclasses.replace(read, channels=()) == dataclasses.replace(entry, channels=())


def test_instrument_of_an_added_log_may_come_later(folder):
    """Bringing in a log adds its instrument to the bench too; which file comes first must not matter."""
    add_log(folder.path, dataclasses.replace(METER, instrument="logger"))
    assert [item.name for item in read_bench(folder.path).instruments] == ["meter", "host"]
    with pytest.raises(BenchFault, match='instrument = "logger" is no instrument of bench.toml'):
        read_campaign(folder.path)


# ---- instruments --------------------------------------------------------------------------------------------------


def test_new_instrument_goes_behind_the_others_with_their_comments(tmp_path):
    lay_down(tmp_path)
    before = (tmp_path / "bench.toml").read_text()
    add_instrument(tmp_path, "thermometer")
    add_instrument(tmp_path, 'odd "name"')
    after = (tmp_path / "bench.toml").read_text()
    assert after == before + '\n[[instrument]]\nname = "thermometer"\n\n[[instrument]]\nname = "odd \\"name\\""\n'
    assert [item.name for item in read_bench(tmp_path).instruments] == ["meter", "host", "thermometer", 'odd "name"']


def test_instrument_before_other_tables(folder):
    text = folder.text("bench.toml")
    start = text.index("[[instrument]]")
    folder.write("bench.toml", text[:start].replace("[cooling]", text[start:] + "# some\n\n# water\n[cooling]"))
    add_instrument(folder.path, "third")
    assert '# some\n\n[[instrument]]\nname = "third"\n\n# water\n[cooling]' in folder.text("bench.toml")
    assert [item.name for item in read_bench(folder.path).instruments] == ["meter", "host", "third"]


def test_first_instrument(folder):
    text = folder.text("bench.toml")
    folder.write("bench.toml", text[: text.index("[[instrument]]")])
    add_instrument(folder.path, "meter")
    assert [item.name for item in read_bench(folder.path).instruments] == ["meter"]


@pytest.mark.parametrize("name", ["meter", "", "  "])
def test_instrument_that_is_there_already_or_has_no_name_is_refused(folder, name):
    before = folder.text("bench.toml")
    with pytest.raises(BenchFault, match="name"):
        add_instrument(folder.path, name)
    assert folder.text("bench.toml") == before
