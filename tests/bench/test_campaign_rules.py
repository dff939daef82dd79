"""Rules between the keys of campaign.toml, and between it and the bench."""

import pytest

from phasewright.bench import ChannelSource, ColumnTerm, check_folder, read_campaign

HEAD = """format = "phasewright-campaign-1"
name = "rules"
{top}
[[log]]
name = "meter"
file = "logs/meter.csv"
instrument = "meter"
[log.channels]
input_power = "P"
[[log]]
name = "host"
file = "logs/host-1.csv"
instrument = "host"
"""


def write(folder, *steps, top="", tail=""):
    blocks = "".join(f"[[step]]\n{step}\n" for step in steps)
    folder.write("campaign.toml", HEAD.format(top=top) + tail + blocks)
    return [(fault.path, fault.what) for fault in check_folder(folder.path).faults]


def named(*texts):
    return [f'name = "{index}"\n{text}' for index, text in enumerate(texts, 1)]


# ---- step times ---------------------------------------------------------------------------------------------------

SOUND = [
    ('start = "0 s"\nend = "60 s"', 'start = "1 min"\nduration = "1 h"', 'start = "2 h"\nend = "2.5 h"'),
    ('start = "10 s"', 'start = "20 s"', 'start = "30 s"'),  # each ends where the next begins
    ('start = "14:05"\nend = "14:10:30"', 'start = "14:10:30"\nduration = "20 min"'),
    ('start = "23:50"\nduration = "15 min"', 'start = "00:05"\nend = "00:30"', 'start = "0:40"\nduration = "1 h"'),
    (
        'start = "2026-01-31 23:50"\nend = "2026-02-01 00:10"',
        "start = 2026-02-01T00:10:00\nend = 2026-02-01 00:20:00.5",
    ),
    ("start = 07:32:00\nend = 07:40:00",),
    ('start = "100 s"\nend = "200 s"\nclock = "meter"', 'start = "50 s"\nend = "60 s"\nclock = "host"'),  # two clocks
]


@pytest.mark.parametrize("texts", SOUND)
def test_sound_times(folder, texts):
    assert write(folder, *named(*texts)) == []


@pytest.mark.parametrize(
    ("texts", "path", "what"),
    [
        (('start = "60 s"\nend = "60 s"',), "step[1].end", "not after start"),
        (('start = "60 s"\nend = "50 s"',), "step[1].end", "not after start"),
        (('start = "14:10"\nend = "14:05"',), "step[1].end", "not after start"),
        (('start = "0 s"\nend = "60 s"', 'start = "59 s"\nend = "90 s"'), "step[2].start", 'before "60 s" of'),
        (('start = "50 s"', 'start = "20 s"'), "step[2].start", 'before "50 s"'),
        (('start = "14:10"\nend = "14:20"', 'start = "14:00"\nend = "14:05"'), "step[2].start", 'before "14:20:00"'),
        (('start = "0 s"\nduration = "2 min"', 'start = "60 s"\nend = "90 s"'), "step[2].start", 'before "120 s"'),
        (('start = "0 s"\nend = "14:05"',), "step[1].end", "not written the same way"),
        (('start = "14:00"\nend = "2026-01-31 14:05"',), "step[1].end", "not written the same way"),
        (('start = "0 s"\nend = "9 s"\nduration = "9 s"',), "step[1].duration", "both given"),
        (('end = "9 s"',), "step[1]", "has no start"),
        (("start = 120",), "step[1].start", "neither a duration with unit nor a clock time"),
        (('start = "120"',), "step[1].start", "neither a duration"),
        (('start = "soon"',), "step[1].start", "neither a duration"),
        (('start = "-5 s"',), "step[1].start", "out of range"),
        (('start = "25:00"',), "step[1].start", "no time of the calendar"),
        (('start = "2026-02-30 10:00"',), "step[1].start", "no time of the calendar"),
        (("start = 2026-01-31T10:00:00+02:00",), "step[1].start", "has a zone"),
        (("start = 2026-01-31",), "step[1].start", "neither a duration"),
        (('start = "1 s"\nclock = "mter"',), "step[1].clock", 'clock = "mter" is no log'),
    ],
)  # fmt: skip
def test_faulty_times(folder, texts, path, what):
    found = write(folder, *named(*texts))
    assert [item[0] for item in found] == [path]
    assert what in found[0][1]


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ('start = "60 s"\nduration = "10 min"', "60 s", "660 s"),
        ('start = "1.5 min"\nduration = "0.25 h"', "1.5 min", "990 s"),
        ('start = "23:55"\nduration = "10 min"', "23:55:00", "00:05:00"),
        ('start = "2026-12-31 23:55"\nduration = "10 min"', "2026-12-31T23:55:00", "2027-01-01T00:05:00"),
        ('start = "9:05"\nend = "9:10:30.25"', "09:05:00", "09:10:30.250000"),
    ],
)
def test_times_as_read(folder, text, start, end):
    assert write(folder, *named(text)) == []
    step = read_campaign(folder.path).steps[0]
    assert (step.start, step.end) == (start, end)


def test_last_step_without_end_is_allowed_with_a_caution(folder):
    assert write(folder, *named('start = "1 s"', 'start = "2 s"')) == []
    cautions = check_folder(folder.path).cautions
    assert any('step[2] "2": has no end, so the end of the record is taken' in text for text in cautions)


def test_edges_need_no_times(folder):
    assert write(folder, *named("phase_count = 8", "phase_count = 6"), top='step_source = "edges"') == []


# ---- one file a step ----------------------------------------------------------------------------------------------


def test_files_of_steps_are_the_files_of_the_log(folder):
    text = HEAD.format(top='step_source = "files"').replace('file = "logs/meter.csv"\n', "")
    text += '[[step]]\nname = "a"\nfiles = { meter = "logs/meter.csv" }\n'
    text += '[[step]]\nname = "b"\nfiles.meter = "logs/host-2.csv"\n'
    folder.write("campaign.toml", text)
    assert check_folder(folder.path).faults == ()
    campaign = read_campaign(folder.path)
    assert campaign.logs[0].files == ("logs/meter.csv", "logs/host-2.csv")
    assert dict(campaign.steps[1].files) == {"meter": "logs/host-2.csv"}


@pytest.mark.parametrize(
    ("step", "path", "what"),
    [
        ("phase_count = 8", "step[1]", "names no files"),
        ('files = { metre = "logs/meter.csv" }', "step[1].files.metre", "is no log"),
        ('files = { meter = "../meter.csv" }', "step[1].files", "climbs out"),
        ('files = { meter = "logs/host-2.csv" }', "log[1].files", "not among the files of the log"),
        ('files = "logs/meter.csv"', "step[1].files", "is not a table"),
    ],
)
def test_faulty_files_of_steps(folder, step, path, what):
    found = write(folder, *named(step), top='step_source = "files"')
    assert path in [item[0] for item in found]
    assert any(what in item[1] for item in found)


def test_log_without_a_file(folder):
    folder.write("campaign.toml", HEAD.format(top="").replace('file = "logs/meter.csv"\n', ""))
    found = [(fault.path, fault.line, fault.what) for fault in check_folder(folder.path).faults]
    assert found == [("log[1]", 4, 'log "meter" names no file')]


# ---- names --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("texts", "top", "path", "what"),
    [
        (['name = "a"\nstart = "1 s"', 'name = "a"\nstart = "2 s"'], "", "step[2].name", "also the name of step[1]"),
        (['name = ""\nstart = "1 s"'], "", "step[1].name", "name is empty"),
        (['start = "1 s"'], "", "step[1].name", "name is missing"),
        (['name = "a"\nstart = "1 s"\nbaseline = true', 'name = "b"\nstart = "2 s"\nbaseline = true'], "",
         "step[2].baseline", "step[1] is the baseline already"),
        ([], 'reference_log = "hots"', "reference_log", 'reference_log = "hots" is no log'),
        (['name = "a"\nstart = "1 s"\noutcome = "died"'], "", "step[1].outcome", "not one of the known words"),
    ],
)  # fmt: skip
def test_names_and_baseline(folder, texts, top, path, what):
    found = write(folder, *texts, top=top)
    assert [item[0] for item in found] == [path]
    assert what in found[0][1]


def test_names_of_logs_instruments_and_connectors_are_their_own(folder):
    folder.change("campaign.toml", 'name = "host"', 'name = "meter"')
    folder.change("bench.toml", 'name = "PWR_2"', 'name = "PWR_1"')
    folder.change("bench.toml", 'name = "host"', 'name = "meter"')
    found = {(fault.file, fault.path) for fault in check_folder(folder.path).faults}
    assert found >= {
        ("bench.toml", "board.connector[2].name"),
        ("bench.toml", "instrument[2].name"),
        ("campaign.toml", "log[2].name"),
    }


# ---- channels -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "terms"),
    [
        ('rail_current = "I out"', (ColumnTerm(("I out",)),)),
        ('rail_current = "#3"', (ColumnTerm(("#3",)),)),
        ('rail_current = { column = "I", factor = -1 }', (ColumnTerm(("I",), (), -1.0),)),
        ('rail_current = { column = "I", unit = "mA" }', (ColumnTerm(("I",), ("mA",)),)),
        ('rail_current = { sum = ["I1", "I2"] }', (ColumnTerm(("I1",)), ColumnTerm(("I2",)))),
        (
            'rail_current = { sum = [["P", "k"], "I2"], factor = 2 }',
            (ColumnTerm(("P", "k"), (), 2.0), ColumnTerm(("I2",), (), 2.0)),
        ),
        ('rail_current = { sum = [{ columns = ["a"], units = [""], factor = 3 }] }', (ColumnTerm(("a",), ("",), 3.0),)),
    ],
)
def test_ways_to_write_a_channel(folder, line, terms):
    assert write(folder, tail=f"[log.channels]\n{line}\n") == []
    assert read_campaign(folder.path).logs[1].channels == (ChannelSource("rail_current", terms),)


@pytest.mark.parametrize(
    ("line", "path", "what"),
    [
        ("rail_current = 3", "rail_current", "rail_current = 3"),
        ('rail_current = ""', "rail_current", "no column is named"),
        ("rail_current = {}", "rail_current", "no column is named"),
        ('rail_current = { column = "I", sum = ["I"] }', "rail_current", "column and sum are both given"),
        ("rail_current = { sum = [] }", "rail_current.sum", "not a list of products"),
        ('rail_current = { sum = "I1" }', "rail_current.sum", "not a list of products"),
        ("rail_current = { sum = [[]] }", "rail_current.sum[1].columns", "not a list of texts"),
        ('rail_current = { sum = ["I"], unit = "mA" }', "rail_current.unit", "does not go with sum"),
        ('rail_current = { column = "I", factor = "2" }', "rail_current.factor", "is not a number"),
        ('rail_current = { column = "I", factor = 0 }', "rail_current.factor", "wipes the channel out"),
        ('rail_current = { column = "I", unit = "amp-ish" }', "rail_current.unit", "is unknown"),
        ('rail_current = { column = "I", unit = "V" }', "rail_current.unit", "does not measure rail current"),
        ('"rail_current.a b" = "I"', '"rail_current.a b"', "has other signs"),
        ('"rail_current." = "I"', "rail_current.", "has other signs"),
        ('input_power = "P"', "input_power", 'also a channel of log "meter"'),
        ('temperature = "T"', "temperature", "is no known channel"),
    ],
)
def test_faulty_channels(folder, line, path, what):
    found = write(folder, tail=f"[log.channels]\n{line}\n")
    assert [item[0] for item in found] == [f"log[2].channels.{path}"]
    assert what in found[0][1]


def test_same_quantity_twice_under_labels(folder):
    tail = '[log.channels]\ninput_power.second = "P2"\n"input_power.third" = "P3"\n'
    tail += '[log.channels.rail_current]\nphase_1 = "I1"\n'
    assert write(folder, tail=tail) == []
    names = [source.channel for source in read_campaign(folder.path).logs[1].channels]
    assert names == ["input_power.second", "input_power.third", "rail_current.phase_1"]


# ---- how a log is written -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "path", "what"),
    [
        ('file = "logs/meter.csv"\nfiles = ["logs/meter.csv"]', "files", "both given"),
        ("files = []", "files", "not a list of files"),
        ('encoding = "rot13"', "encoding", "unknown"),
        ('delimiter = ";;"', "delimiter", "cannot separate"),
        ('delimiter = "a"', "delimiter", "cannot separate"),
        ('delimiter = ","\ndecimal = ","', "decimal", "also the delimiter"),
        ('decimal = ";"', "decimal", "not one of the known words"),
        ('time.column = "t"\ntime.columns = ["d", "t"]', "time.columns", "both given"),
        ('time.columns = ["d", "t", "z"]', "time.columns", "3 time columns"),
        ('time.format = "dd.mm.yyyy"', "time.format", "no date format"),
        ('time.zone = "Berlin"', "time.zone", "no time zone"),
        ('time.zone = "+25:00"', "time.zone", "no time zone"),
        ('time.zone = "Europe/Atlantis"', "time.zone", "no time zone"),
    ],
)
def test_faulty_descriptions_of_a_log(folder, line, path, what):
    head = HEAD.format(top="")
    if line.startswith(("file", "files")):
        head = head.replace('file = "logs/host-1.csv"\n', "")
    folder.write("campaign.toml", head + line + "\n")
    found = [
        (fault.path, fault.what) for fault in check_folder(folder.path).faults if "names no file" not in fault.what
    ]
    assert [item[0] for item in found] == [f"log[2].{path}"]
    assert what in found[0][1]


@pytest.mark.parametrize(
    "line",
    ['delimiter = "\\t"', 'delimiter = " "', 'delimiter = "|"', 'encoding = "utf-16"', 'time.zone = "UTC"',
     'time.zone = "+05:30"', 'time.zone = "America/New_York"', 'time.format = "epoch_ms"', 'time.format = "%H:%M:%S"'],
)  # fmt: skip
def test_sound_descriptions_of_a_log(folder, line):
    folder.write("campaign.toml", HEAD.format(top="") + line + "\n")
    assert check_folder(folder.path).faults == ()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("phase_count = 10", "phase_count = 100"),
        ("phase_count = 10\n", ""),
        ('name = "host"', "name = 5"),
        ('name = "meter"', ""),
    ],
)
def test_faults_of_the_bench_are_not_blamed_on_the_campaign(folder, old, new):
    """A campaign is checked against what could be understood of the bench; what could not is reported once, there."""
    folder.change("bench.toml", old, new)
    folder.change("campaign.toml", "baseline = true", "baseline = 1")
    faults = check_folder(folder.path).faults
    assert [fault.file for fault in faults] == ["bench.toml", "campaign.toml"], [str(fault) for fault in faults]


def test_other_faults_of_the_bench_do_not_hide_those_of_the_campaign(folder):
    folder.change("bench.toml", 'dead_time = "20 ns"', "dead_time = 20")
    folder.change("campaign.toml", "phase_count = 8", "phase_count = 11")
    folder.change("campaign.toml", 'instrument = "host"', 'instrument = "hist"')
    assert [fault.path for fault in check_folder(folder.path).faults] == [
        "regulator.stage.dead_time",
        "log[2].instrument",
        "step[2].phase_count",
    ]
