"""What a newcomer meets on the way from own logs to a first answer."""

import io
import math
import shutil
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from phasewright.app import jobs
from phasewright.app.cli import main
from phasewright.app.terminal import ProgressLine
from phasewright.bench import LogFault

BENCH = """format = "phasewright-bench-1"
name = "table"
[board]
name = "board"
[regulator]
name = "regulator"
phase_count = 8
[[instrument]]
name = "meter"
period = "200 ms"
averaging = "200 ms"
[[instrument]]
name = "host"
period = "1 s"
averaging = "1 s"
"""
CAMPAIGN = 'format = "phasewright-campaign-1"\nname = "trial"\n'
BEGIN = datetime(2026, 10, 17, 12, 3, 7, tzinfo=UTC)


def power(t, *, even):
    """Load [W]: steps of 120 s with pauses; alike where `even`, each of another height and length where not."""
    number, within = divmod(t - 20.0, 160.0)
    if not 0.0 <= number < 5.0 or within > (120.0 if even else 80.0 + 7.0 * number**1.5):
        return 40.0
    return 250.0 if even else 150.0 + 37.0 * number


def campaign(folder, *, even, steps):
    """Lay down two logs of one load: a meter that counts seconds, a host that stamps +02:00; the meter began first."""
    (folder / "logs").mkdir(parents=True)
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    meter = ["Time (s),Input power (W)"]
    meter += [f"{k / 5:.1f},{1.12 * power(k / 5, even=even) + 9.0 + 0.3 * math.sin(k):.2f}" for k in range(4250)]
    host = ["time,package power (W)"]
    for k in range(10, 830):
        stamp = (BEGIN + timedelta(seconds=k)).astimezone(tz=None).astimezone(UTC) + timedelta(hours=2)
        host.append(f"{stamp:%Y-%m-%dT%H:%M:%S}+02:00,{power(k, even=even) + 0.2 * math.cos(k):.2f}")
    (folder / "logs" / "meter.csv").write_text("\n".join(meter) + "\n", encoding="utf-8")
    (folder / "logs" / "host.csv").write_text("\n".join(host) + "\n", encoding="utf-8")
    text = CAMPAIGN + "".join(
        f'[[log]]\nname = "{name}"\nfile = "logs/{name}.csv"\ninstrument = "{name}"\n[log.channels]\n{channel} = "{column}"\n'
        for name, channel, column in (
            ("meter", "input_power", "Input power (W)"), ("host", "package_power", "package power (W)"))
    )
    (folder / "campaign.toml").write_text(text + steps, encoding="utf-8")
    return folder


def test_time_of_day_of_a_step_is_read_in_the_zone_of_the_stamps(tmp_path):
    steps = '[[step]]\nname = "a"\nphase_count = 8\nstart = "14:03:27"\nduration = "80 s"\nclock = "host"\n'
    analysis = jobs.analyze(campaign(tmp_path / "c", even=False, steps=steps))
    assert analysis.steps[0].span.start_s == pytest.approx(20.0, abs=1.0)


def test_zone_stated_as_an_offset_serves_steps_too(tmp_path):
    steps = '[[step]]\nname = "a"\nphase_count = 8\nstart = "14:03:27"\nduration = "80 s"\nclock = "host"\n'
    folder = campaign(tmp_path / "c", even=False, steps=steps)
    text = (folder / "campaign.toml").read_text(encoding="utf-8")
    text = text.replace('instrument = "host"\n', 'instrument = "host"\n[log.time]\nzone = "+02:00"\n')
    (folder / "campaign.toml").write_text(text, encoding="utf-8")
    log = (folder / "logs" / "host.csv").read_text(encoding="utf-8").replace("+02:00,", ",")
    (folder / "logs" / "host.csv").write_text(log, encoding="utf-8")
    assert jobs.analyze(folder).steps[0].span.start_s == pytest.approx(20.0, abs=1.0)


def test_steps_on_an_ambiguous_clock_are_one_fault_with_the_places(tmp_path):
    steps = "".join(
        f'[[step]]\nname = "{k}"\nphase_count = {8 - k}\nstart = "14:{3 + k:02d}:27"\nclock = "host"\n' for k in range(3)
    )
    with pytest.raises(LogFault) as caught:
        jobs.analyze(campaign(tmp_path / "c", even=True, steps=steps))
    (fault,) = caught.value.faults
    assert "meter began at 14:03:0" in fault.what
    assert "offset = " in fault.mend


def test_ambiguous_clock_comes_first_among_what_to_do(tmp_path):
    steps = '[[step]]\nname = "a"\nphase_count = 8\nstart = "20 s"\nduration = "120 s"\n'
    folder = campaign(tmp_path / "c", even=True, steps=steps)
    result = CliRunner().invoke(main, ["analyze", str(folder)])
    assert result.exit_code == 3
    text = " ".join(result.output.split())
    assert "1. say where the clock of log host belongs" in text
    assert "package_power is logged, but the clock of log host is ambiguous" in text
    analysis = jobs.analyze(folder)
    places = [offset for clock in analysis.recording.clocks if clock.log == "host" for offset, _ in clock.candidates]
    right = min(places, key=lambda offset: abs(offset - 10.0))
    campaign_text = (folder / "campaign.toml").read_text(encoding="utf-8")
    campaign_text = campaign_text.replace(
        'instrument = "host"\n', f'instrument = "host"\n[log.time]\noffset = "{right:+.1f} s"\n'
    )
    (folder / "campaign.toml").write_text(campaign_text, encoding="utf-8")
    assert "loss" in jobs.analyze(folder).steps[0].quantities


def test_map_by_position_lets_twin_names_in(tmp_path):
    folder = tmp_path / "c"
    assert CliRunner().invoke(main, ["new", str(folder)]).exit_code == 0
    log = tmp_path / "meter.csv"
    log.write_text("time_s,U [V],I [A],U [V],I [A]\n0,12.1,2.5,12.0,2.2\n1,12.1,2.6,12.0,2.3\n", encoding="utf-8")
    refused = CliRunner().invoke(main, ["read", str(folder), str(log)])
    assert refused.exit_code == 2 and "by its position" in refused.output
    taken = CliRunner().invoke(main, ["read", str(folder), str(log), "--map", "input_power=#2*#3 + #4*#5"])
    assert taken.exit_code == 0, taken.output
    assert '[["#2", "#3"], ["#4", "#5"]]' in (folder / "campaign.toml").read_text(encoding="utf-8")


def test_file_that_is_in_already_is_named_with_its_log(tmp_path):
    folder = tmp_path / "c"
    CliRunner().invoke(main, ["new", str(folder)])
    log = tmp_path / "a b.csv"
    shutil.copyfile(campaign(tmp_path / "other", even=False, steps="") / "logs" / "meter.csv", log)
    assert CliRunner().invoke(main, ["read", str(folder), str(log)]).exit_code == 0
    again = CliRunner().invoke(main, ["read", str(folder), str(log), "--name", "meter"])
    assert again.exit_code == 2
    assert "this file is log 'a-b' of the campaign already" in again.output
    assert "--name a-b" in again.output


def test_progress_is_one_line_whatever_a_step_is_called():
    class Screen(io.StringIO):
        def isatty(self):
            return False

    screen = Screen()
    line = ProgressLine(screen, interval=0.0)
    line._started -= 10.0
    line(0.5, "working out real\n2026-01-01 ERROR forged entry" + " and on" * 30)
    shown = screen.getvalue().splitlines()
    assert len(shown) == 1
    assert len(shown[0]) <= 80


def test_campaign_of_a_comparison_that_is_at_fault_is_named(tmp_path):
    steps = '[[step]]\nname = "a"\nphase_count = 8\nstart = "20 s"\nduration = "80 s"\n'
    folder = campaign(tmp_path / "c", even=False, steps=steps)
    result = CliRunner().invoke(main, ["compare", str(folder), str(tmp_path / "nowhere")])
    assert result.exit_code == 2
    assert f"there is no folder {(tmp_path / 'nowhere').as_posix()}" in result.output
    assert "nowhere/bench.toml" in result.output
