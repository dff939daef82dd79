"""Tables as some loggers write them: bars round every row, a row of units that says how stamps are written, twin names."""

import numpy as np
import pytest

from phasewright.bench import LogFault
from phasewright.logs import read_log, suggest_channels

BARRED = """# host telemetry
| time | pkg power (W) | vrm temp (°C) | phases |
| 2026-10-17T14:03:12.1+02:00 | 37.24 | 33 | 8 |
| 2026-10-17T14:03:13.1+02:00 | n/a | 33 | 8 |
| time | pkg power (W) | vrm temp (°C) | phases |
| 2026-10-17T14:03:14.1+02:00 | 37.41 | 34 | 6 |
| 2026-10-17T14:03:15.1+02:00 | 37.08 | 34 | 6 |
"""
FORMED = """Recorder;range 60 A

Zeit;U1;I1;Temp. Stecker;
{};[V];[A];[°C];
00:00:00,000;12,105;2,500;32,7;
00:00:00,200;12,106;2,481;32,7;
00:00:00,400;12,099;2,503;32,7;
"""


def words_of(table, kind):
    return [remark.what for remark in table.report.remarks if remark.kind == kind]


def test_bars_round_every_row_are_frills(tmp_path):
    (tmp_path / "host.log").write_text(BARRED, encoding="utf-8")
    table = read_log(tmp_path / "host.log")
    assert table.columns["pkg power (W)"].tolist()[::2] == [37.24, 37.41]
    assert table.columns["phases"].tolist() == [8, 8, 6, 6]
    assert "#1" not in table.columns
    said = words_of(table, "note")
    assert "every line begins with a separator; ignored" in said
    assert not any("empty cell" in words for words in said)
    assert words_of(table, "repair") == ["header repeated: new segment"]


def test_stamps_are_shown_in_the_zone_that_they_name(tmp_path):
    (tmp_path / "host.log").write_text(BARRED, encoding="utf-8")
    report = read_log(tmp_path / "host.log").report
    assert report.zone == "+02:00"
    assert report.first_time == "2026-10-17T14:03:12.1+02:00"


def test_column_of_phases_is_offered_as_their_number(tmp_path):
    (tmp_path / "host.log").write_text(BARRED, encoding="utf-8")
    found = {item.channel: item.source.terms[0].columns for item in suggest_channels(read_log(tmp_path / "host.log"))}
    assert found["phase_count"] == ("phases",)
    assert found["regulator_temperature"] == ("vrm temp (°C)",)


def test_temperature_of_phases_is_not_their_number(tmp_path):
    (tmp_path / "a.csv").write_text("time_s,temp phases\n0.0,41.5\n1.0,41.6\n2.0,41.6\n", encoding="utf-8")
    assert "phase_count" not in {item.channel for item in suggest_channels(read_log(tmp_path / "a.csv"))}


@pytest.mark.parametrize("form", ["[hh:mm:ss,fff]", "HH:MM:SS", "(hh:mm:ss.ff)", "dd.mm.yy hh:mm", "yyyy-mm-dd'T'hh:mm:ss"])
def test_row_of_units_may_say_how_stamps_are_written(tmp_path, form):
    (tmp_path / "m.csv").write_bytes(FORMED.format(form).encode("cp1252"))
    table = read_log(tmp_path / "m.csv")
    assert table.names == ("Zeit", "U1", "I1", "Temp. Stecker")
    assert table.units == ("", "V", "A", "degC")
    assert np.allclose(table.columns["U1"], [12.105, 12.106, 12.099])


def test_twin_names_are_refused_until_a_map_by_position_comes(tmp_path):
    (tmp_path / "m.csv").write_text("time_s,U,I,U,I\n0,12.1,2.5,12.0,2.2\n1,12.1,2.6,12.0,2.3\n", encoding="utf-8")
    with pytest.raises(LogFault, match="2 columns have the name 'U'"):
        read_log(tmp_path / "m.csv")
    assert read_log(tmp_path / "m.csv", by_position=True).columns["U (#4)"].tolist() == [12.0, 12.0]
