"""Class P of the catalogue: values that no sensor took, or that physics does not allow."""

import re
from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogEntry, LogFault
from phasewright.logs import find_steps, find_window, open_log

ROWS = 900


def load(n=ROWS, low=30.0, high=300.0):
    """Return a load (n,) that comes and goes, with its own noise [W]."""
    generator = np.random.default_rng(5)
    level = np.where((np.arange(n) // 120) % 2 == 1, high, low)
    return level + generator.normal(0.0, 0.004 * high, n)


def warm(power, start=25.0, gain=0.12, lag=25.0):
    """Return a temperature behind a load, in tenths [degC]."""
    generator = np.random.default_rng(6)
    out, value = np.empty(len(power)), start
    for i, p in enumerate(power):
        value += (start + gain * p - value) / lag
        out[i] = value
    return np.round(out + generator.normal(0.0, 0.1, len(power)), 1)


def traced(bad, columns, channels=None, decimals=3, **stated):
    """Write columns at 1 Hz, open them as channels; return the traces by channel."""
    names = list(columns)
    n = len(next(iter(columns.values())))
    lines = ["time [s]," + ",".join(names)]
    data = [np.asarray(columns[name]) for name in names]
    lines += [f"{i}," + ",".join(f"{c[i]:.{decimals}f}".rstrip("0").rstrip(".") for c in data) for i in range(n)]
    bad.file("\n".join(lines) + "\n")
    channels = channels or {name.partition(" ")[0]: name.partition(" ")[0] for name in names}
    entry = LogEntry(
        "log", ("log.csv",), "meter",
        tuple(ChannelSource(k, (ColumnTerm((c,)),)) for k, c in channels.items()),
        **stated,
    )  # fmt: skip
    traces = {trace.channel: trace for trace in open_log(bad.folder, entry, None).traces}
    strictly(bad, entry, traces.values())
    return traces


def strictly(bad, entry, traces):
    """Strict opening refuses whatever was mended or refused in the values, each with its line and mend; else it agrees."""
    mended = dict.fromkeys(remark for trace in traces for remark in trace.remarks if remark.kind != "note")
    try:
        again = open_log(bad.folder, entry, None, strict=True)
    except LogFault as fault:
        assert len(fault.faults) == len(mended), str(fault)
        for remark, item in zip(mended, fault.faults, strict=True):
            assert re.fullmatch(r"log\.csv:\d+ \S.* - \S.*", str(item)), str(item)
            assert item.what.startswith(remark.what) and item.line == remark.line
            assert "without --strict" not in item.mend
        return
    assert not mended
    for trace, other in zip(traces, again.traces, strict=True):
        np.testing.assert_array_equal(trace.value, other.value)


def remark_of(trace, words, kind):
    """Return the one remark of a channel with these words; it has the row's class."""
    hits = [remark for remark in trace.remarks if words in remark.what]
    assert len(hits) == 1, [remark.what for remark in trace.remarks]
    assert hits[0].kind == kind
    return hits[0]


def held(bad, code, where, *, decimals=3, words="left out"):
    """Plant `code` in a temperature; it must be missing there and nowhere else, and said with line and count."""
    power = load()
    sound = warm(power)
    spoiled = sound.copy()
    spoiled[where] = code
    trace = traced(bad, {"input_power [W]": power, "regulator_temperature [degC]": spoiled}, decimals=decimals)[
        "regulator_temperature"
    ]
    gone = np.zeros(ROWS, dtype=bool)
    gone[where] = True
    np.testing.assert_array_equal(np.isnan(trace.value), gone)
    np.testing.assert_array_equal(trace.value[~gone], sound[~gone])
    remark = remark_of(trace, words, bad.row["do"])
    assert remark.count == gone.sum()
    assert remark.line == 2 + int(np.flatnonzero(gone)[0])
    assert remark.mend


@pytest.mark.parametrize("where", [slice(200, 300), slice(500, 501), slice(850, ROWS)])
def test_P01_temperature_of_zero(bad, where):
    held(bad, 0.0, where)


@pytest.mark.parametrize("code", [-1.0, -127.0, -128.0])
def test_P02_negative_codes(bad, code):
    held(bad, code, np.r_[100:103, 400, 700:740])


@pytest.mark.parametrize("code", [127.0, 127.5, 127.996])
def test_P03_full_scale(bad, code):
    held(bad, code, np.r_[100:103, 400, 700:740])


def test_P03_a_part_that_really_gets_there_is_left(bad):
    power = load(high=420.0)
    hot = np.round(np.clip(warm(power, gain=0.27), None, 127.5))
    trace = traced(bad, {"input_power [W]": power, "regulator_temperature [degC]": hot}, decimals=0)
    assert np.count_nonzero(hot == 127.0) > 5
    assert np.isfinite(trace["regulator_temperature"].value).all()


@pytest.mark.parametrize("code", [255.0, 255.996, 256.0])
def test_P04_word_of_ones(bad, code):
    held(bad, code, np.r_[300:310, 820])


def test_P05_power_on_value(bad):
    held(bad, 85.0, slice(0, 3), words="power-on value")


def test_P06_stuck_sensor(lab, row):
    temperature, end = lab.values("host", "regulator hottest"), lab.end("host")
    first, last = np.searchsorted(end, [end[0] + 60.0, end[0] + 400.0])
    temperature[first:last] = temperature[first]
    recording = lab.spoil("host", {"regulator hottest": temperature})[2]
    trace = recording.traces["regulator_temperature"]
    remark_of(trace, "stands still", row["do"])
    inside = (trace.end_s > 90.0) & (trace.end_s < 380.0)
    assert np.isnan(trace.value[inside]).all()


@pytest.mark.parametrize(
    "channel, code",
    [("rail_current", -0.5), ("rail_voltage", 15.99976), ("rail_voltage", 127.998), ("rail_voltage", 255.996)],
)
def test_P07_word_of_a_bus(bad, channel, code):
    power = load()
    columns = {"input_power [W]": power, "rail_current [A]": 0.8 * power, "rail_voltage [V]": 1.1 + 1e-5 * power}
    name = next(c for c in columns if c.startswith(channel))
    where = np.r_[50, 300:340, 500:520]
    columns[name] = columns[name].copy()
    columns[name][where] = code
    trace = traced(bad, columns, decimals=5)[channel]
    assert np.flatnonzero(np.isnan(trace.value)).tolist() == where.tolist()
    assert remark_of(trace, "0xFFFF", bad.row["do"]).count == len(where)


def test_P08_flat_top(bad):
    power = load()
    current = np.minimum(0.08 * power, 22.5)
    trace = traced(bad, {"rail_voltage [V]": 1.1 + 1e-5 * power, "input_current [A]": current})["input_current"]
    remark_of(trace, "flat top at 22.5", bad.row["do"])
    bounds = np.zeros(ROWS, dtype=bool)
    for first, last in trace.at_least:
        bounds[first:last] = True
    assert bounds[current == 22.5].all()
    assert not bounds[:110].any()


def test_P09_steps_of_one_kelvin(lab, row):
    assert row["do"] == "note"
    temperature = np.round(lab.values("host", "regulator hottest"))
    bench, campaign, recording = lab.spoil("host", {"regulator hottest": temperature})
    spans = find_steps(recording, campaign)
    window = find_window(recording, spans[1], campaign.steps[1], bench, campaign)
    slow = next(s for s in window.settling if s.channel == "regulator_temperature")
    assert not slow.settled, "two minutes of whole degrees prove no small slope"
    assert slow.reason
    found = lab.analyzed(bench, campaign, recording).steps[1].quantities["regulator_temperature_peak"]
    part = next(p for p in found.parts if p.source.endswith("resolution"))
    assert abs(part.contribution) >= 0.9 * 1.0 / 12**0.5, "a step of 1 K is a uniform error of 0.29 K"


@pytest.mark.parametrize("factor", [2.0, 0.0])
def test_P10_single_spikes(bad, factor):
    power = load()
    spoiled = power.copy()
    where = [180, 400, 660]
    spoiled[where] *= factor
    columns = {"input_power [W]": spoiled, "coolant_temperature [degC]": warm(power, gain=0.02)}
    trace = traced(bad, columns)["input_power"]
    assert np.flatnonzero(np.isnan(trace.value)).tolist() == where
    assert remark_of(trace, "spikes", bad.row["do"]).count == 3
    assert np.nanmax(trace.value) < 1.05 * power.max()


def refusal(bad, *words, **stated):
    assert bad.row["do"] == "refuse"
    with pytest.raises(LogFault) as caught:
        traced(bad, *words, **stated)
    text = str(caught.value)
    assert all(re.match(r"^[^\n]+?:\d+(?::\d+)? \S[^\n]* - \S[^\n]*$", line) for line in text.split("\n")), text
    return text


@pytest.mark.parametrize("channel", ["input_power", "package_power"])
def test_P11_milliwatts_called_watts(bad, channel):
    text = refusal(bad, {f"{channel} [W]": 1000.0 * load()})
    assert f"'{channel} [W]' reaches" in text
    assert 'unit = "mW"' in text


def test_P12_milliamperes_called_amperes(bad):
    text = refusal(bad, {"rail_current [A]": 800.0 * load(), "input_power [W]": load()})
    assert "'rail_current [A]' reaches" in text
    assert 'unit = "mA"' in text


def test_P12_millivolts_called_volts(bad):
    assert 'unit = "mV"' in refusal(bad, {"rail_voltage [V]": 1100.0 + 0.01 * load(), "input_power [W]": load()})


@pytest.mark.parametrize("channel", ["coolant_temperature", "regulator_temperature", "ambient_temperature"])
def test_P13_kelvin_called_celsius(bad, channel):
    assert 'unit = "K"' in refusal(bad, {f"{channel} [degC]": warm(load()) + 273.15, "input_power [W]": load()})


def test_P13_fahrenheit_called_celsius(lab, row):
    temperature = 1.8 * lab.values("host", "processor hottest") + 32.0
    text = lab.refusal(row, "host", {"processor hottest": np.round(temperature, 1)})
    assert "processor hottest" in text
    assert 'unit = "degF"' in text


def test_P14_input_and_package_swapped(lab, row):
    def exchange(text):
        head, mark, steps = text.partition("[[step]]")
        head = head.replace("\ninput_power = ", "\n@ = ").replace("\npackage_power = ", "\ninput_power = ")
        return head.replace("\n@ = ", "\npackage_power = ") + mark + steps

    text = lab.refusal(row, edit=exchange)
    assert "efficiency above 1" in text
    assert "swapped" in text
    assert "exchange" in text


def test_P15_coolant_warmer_than_the_part(lab, row):
    values = {"coolant": lab.values("thermometer", "board"), "board": lab.values("thermometer", "coolant")}
    recording = lab.spoil("thermometer", values)[2]
    for key in ("coolant_temperature", "board_temperature"):
        remark_of(recording.traces[key], "swapped or misplaced", row["do"])


def test_P16_sign(bad):
    power = load()
    trace = traced(bad, {"rail_current [A]": -0.8 * power, "input_power [W]": power})["rail_current"]
    remark = remark_of(trace, "sign is inverted", bad.row["do"])
    assert "factor = -1" in remark.mend
    assert (trace.value < 0).all(), "nothing is turned round unasked"


def counted(bad, power, where=None, span=65532.610987, **stated):
    """Return (trace, true energy) of a counter of that range, read each second."""
    energy = 60_000.0 + np.cumsum(power)
    shown = np.mod(energy, span)
    keep = np.ones(len(power), dtype=bool)
    if where is not None:
        keep[where] = False
    lines = [f"{i},{e:.6f}\n" for i, (e, k) in enumerate(zip(shown, keep, strict=True)) if k]
    bad.file("time [s],package_energy [J]\n" + "".join(lines))
    source = ChannelSource("package_energy", (ColumnTerm(("package_energy",)),))
    entry = LogEntry("log", ("log.csv",), "meter", (source,), **stated)
    trace, = open_log(bad.folder, entry, None).traces
    strictly(bad, entry, (trace,))
    return trace, energy[keep]


@pytest.mark.parametrize("span", [65532.610987, 262143.328850])
def test_P17_counter_wraps(bad, span):
    trace, energy = counted(bad, np.full(2000, 300.0) + load(2000, -100.0, 100.0), span=span)
    remark = remark_of(trace, "wraps at", bad.row["do"])
    # Counted by hand: the first reading that is smaller than the one before it, under the header's line.
    raw = [float(line.split(",")[1]) for line in (bad.folder / "log.csv").read_text().splitlines()[1:]]
    assert remark.line == next(i for i in range(1, len(raw)) if raw[i] < raw[i - 1]) + 2
    assert remark.column == "package_energy"
    np.testing.assert_allclose(np.diff(trace.value), np.diff(energy), rtol=0, atol=1e-3)


def test_P18_gap_that_may_hide_a_wrap(bad):
    # 65 532.6 J at 300 W last 218 s: over 120 s nothing is certain.
    trace, energy = counted(bad, np.full(900, 300.0) + load(900, -5.0, 5.0), slice(400, 520))
    remark = remark_of(trace, "the energy over it is unknown", bad.row["do"])
    assert remark.mend
    assert trace.value[400] < trace.value[399], "no difference is ever taken across"
    np.testing.assert_allclose(np.diff(trace.value)[400:], np.diff(energy)[400:], rtol=0, atol=1e-3)


def test_P19_counter_set_back(bad):
    power = load(900, 100.0, 200.0)
    energy = 20_000.0 + np.cumsum(power)
    energy[500:] -= energy[500] - 30.0
    trace = traced(bad, {"package_energy [J]": energy}, decimals=6)["package_energy"]
    remark_of(trace, "set back without reaching its range", bad.row["do"])
    assert (np.diff(trace.value) > 0).all()
    assert trace.value[-1] - trace.value[0] == pytest.approx(power[1:].sum(), rel=1e-3), "no 262 kJ were added"


def test_P20_identical_columns(bad):
    power = load()
    heat = warm(power)
    traces = traced(bad, {
        "input_power [W]": power, "regulator_temperature [degC]": heat, "processor_temperature [degC]": heat,
    })  # fmt: skip
    for key in ("regulator_temperature", "processor_temperature"):
        remark_of(traces[key], "identical to the last digit", bad.row["do"])


def test_P21_stale_rows(bad):
    power = load()
    columns = {"input_power [W]": power, "regulator_temperature [degC]": warm(power)}
    for values in columns.values():
        values[300:360] = values[300]
    traces = traced(bad, columns)
    for trace in traces.values():
        assert remark_of(trace, "the link was down", bad.row["do"]).count == 59
        assert np.flatnonzero(np.isnan(trace.value)).tolist() == list(range(301, 360))


@pytest.mark.parametrize("code", [-1.0, -2.0])
def test_P22_code_in_all_of_them(bad, code):
    power = load()
    columns = {"rail_voltage [V]": 1.1 + 1e-5 * power, "rail_current [A]": 0.8 * power, "package_power [W]": power}
    for values in columns.values():
        values[500:520] = code
    for trace in traced(bad, columns, decimals=5).values():
        assert np.flatnonzero(np.isnan(trace.value)).tolist() == list(range(500, 520))
        remark_of(trace, "in all of V, A and W at once", bad.row["do"])


def test_P23_phase_count_against_currents_of_phases(lab, row):
    item = lab.base.instrument("host")
    generator = np.random.default_rng(8)
    total = lab.values("host", "rail current")
    columns = tuple(
        planted_column(f"phase {k}", f"rail_current.phase_{k}") for k in range(1, 9)
    )
    share = {f"phase {k}": np.round(total / 8 * (1 + 0.01 * generator.normal(size=len(total))), 2) for k in range(1, 9)}
    count = np.full(len(total), 6.0)

    def edit(text):
        mapped = "".join(f'"rail_current.phase_{k}" = "phase {k}"\n' for k in range(1, 9))
        return text.replace('rail_current = "rail current"\n', 'rail_current = "rail current"\n' + mapped)

    item = replace(item, columns=(*item.columns, *columns))
    recording = lab.spoil("host", {**share, "phases on": count}, instrument=item, edit=edit)[2]
    remark = remark_of(recording.traces["phase_count"], "says 6 phases where 8 of 8", row["do"])
    assert remark.mend


def fine(lab):
    """Return the host's log with two decimals of package power."""
    item = lab.base.instrument("host")
    return replace(item, columns=(replace(item.columns[0], decimals=2), *item.columns[1:]))


def planted_column(name, signal):
    from phasewright.live.virtual.instruments import Column

    return Column(name, signal, "A", decimals=2)


def test_P24_idle(lab, row):
    """Losses are given at idle, an efficiency is not."""
    assert row["do"] == "note"
    power = lab.values("host", "package power")
    bench, campaign, recording = lab.spoil("host", {"package power": np.round(0.02 * power, 2)}, instrument=fine(lab))
    step = lab.analyzed(bench, campaign, recording).steps[0]
    assert "loss" in step.quantities
    assert "delivery_efficiency" not in step.quantities


@pytest.mark.parametrize("scale", [2.0, 4.0, 10.0])
def test_P25_scale_register_of_a_current(lab, row, scale):
    recording = lab.spoil("host", {"rail current": lab.values("host", "rail current") / scale})[2]
    remark_of(recording.traces["rail_current"], f"near {scale:g}", row["do"])


def test_P25_temperature_times_ten(lab, row):
    recording = lab.spoil("host", {"regulator hottest": 10.0 * lab.values("host", "regulator hottest")})[2]
    remark_of(recording.traces["regulator_temperature"], "10 times", row["do"])


@pytest.mark.parametrize("size", [12.0, -40.0])
def test_P26_power_of_another_rail(lab, row, size):
    recording = lab.spoil("host", {"package power": np.round(lab.values("host", "package power") + size, 1)})[2]
    clean = [r for r in lab.clean.traces["package_power"].remarks if "unaccounted" in r.what]
    remark = remark_of(recording.traces["package_power"], "unaccounted", row["do"])
    assert not clean or clean[0].what != remark.what


def test_P27_moving_average_of_unknown_length(lab, row):
    """The averaging that the log does not tell is found from its edges, and windows keep clear of them by as much."""
    assert row["do"] == "note"
    length = 6
    values = {
        name: np.convolve(lab.values("host", name), np.ones(length) / length)[: len(lab.end("host"))]
        for name in ("package power", "rail current")
    }
    for column in values.values():
        column[:length] = column[length]
    lab_folder = lab.folder / "clean" / "bench.toml"
    sound = lab_folder.read_text(encoding="utf-8")
    head, mark, tail = sound.partition('name = "host"')
    untold = head + mark + re.sub(r'\naveraging = .*\nstamp_at = .*', "", tail, count=1)
    lab_folder.write_text(untold, encoding="utf-8")
    try:
        bench, campaign, recording = lab.spoil("host", {k: np.round(v, 1) for k, v in values.items()})
    finally:
        lab_folder.write_text(sound, encoding="utf-8")
    clock = next(c for c in recording.clocks if c.log == "host")
    assert clock.averaging == pytest.approx(length, abs=2.0)
    spans = find_steps(recording, campaign)
    window = find_window(recording, spans[0], campaign.steps[0], bench, campaign)
    assert window.start_s - spans[0].start_s >= 0.9 * length
    assert spans[0].end_s - window.end_s >= 0.0


def test_P28_two_instruments_disagree(lab, row):
    """Both readings of the coolant are kept, and both say by how much they differ."""
    item = lab.base.instrument("host")
    item = replace(item, columns=(*item.columns, replace(planted_column("loop", "coolant_temperature"), unit="degC")))
    host, probe = lab.base.readings["host"], lab.base.readings["thermometer"]
    second = np.interp(host.end, probe.end, probe.columns["coolant"]) + 6.0

    def edit(text):
        old = 'rail_current = "rail current"\n'
        return text.replace(old, old + '"coolant_temperature.host" = "loop"\n')

    recording = lab.spoil("host", {"loop": np.round(second, 2)}, instrument=item, edit=edit)[2]
    keys = [key for key in recording.traces if key.startswith("coolant_temperature")]
    assert len(keys) == 2
    for key in keys:
        remark_of(recording.traces[key], "differ by", row["do"])
