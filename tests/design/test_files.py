"""Catalogue and requirement: strict, all faults at once, with line and mend; CSV and TOML alike."""

import csv
from dataclasses import replace

import pytest

from phasewright.bench import BenchFault
from phasewright.design import lay_down_design, read_catalogue, read_requirement


@pytest.fixture
def folder(tmp_path):
    lay_down_design(tmp_path)
    return tmp_path


def faults_of(read, folder):
    with pytest.raises(BenchFault) as caught:
        read(folder)
    return caught.value.faults


def test_shipped_example_is_read_and_says_that_it_is_invented(folder):
    catalogue, need = read_catalogue(folder), read_requirement(folder)
    assert catalogue.simulated and need.simulated
    assert "invented" in (folder / "catalogue.toml").read_text().splitlines()[0]
    assert catalogue.currency == "EUR"
    assert all(len(getattr(catalogue, kind)) >= 3 for kind in ("stage", "inductor", "capacitor", "cooler"))
    flat = next(item for item in catalogue.capacitor if item.name == "polymer 470 uF flat")
    assert flat.price == pytest.approx(0.66 * 0.92)  # EUR of a price in USD at the rate of the file
    assert need.load_slew == pytest.approx(250e6) and need.board_area == pytest.approx(110e-4)


def test_every_fault_of_a_catalogue_is_told_at_once_with_its_line(folder):
    path = folder / "catalogue.toml"
    text = path.read_text()
    text = text.replace('current_rating = "50 A"', 'current_rating = "50 V"', 1)
    text = text.replace('price = "0.98 EUR"', 'price = "cheap"', 1)
    text = text.replace('inductance = "100 nH"', 'inductnce = "100 nH"', 1)
    text = text.replace('price = "0.66 USD"', 'price = "0.66 CHF"', 1)
    text = text.replace("phase_limit = 8", 'phase_limit = "eight"', 1)
    path.write_text(text)
    found = faults_of(read_catalogue, folder)
    lines = text.splitlines()
    told = " | ".join(str(item) for item in found)
    for word in ("50 V", "cheap", "inductnce", "CHF", "eight", "inductance is missing"):
        assert word in told
    for item in found:
        if item.path and item.line and "missing" not in item.what:
            key = item.path.rpartition(".")[2]
            assert key in lines[item.line - 1]
    assert all(item.mend for item in found)


def test_faults_of_a_requirement(folder):
    path = folder / "requirement.toml"
    text = path.read_text().replace('rail_current_peak = "290 A"', 'rail_current_peak = "200 A"')
    text = text.replace('confidence = "95 %"', 'confidence = "195 %"').replace('"34 degC"', '"34 K"')
    path.write_text(text.replace("phase_count = [4, 14]", "phase_count = [14, 4]"))
    told = " | ".join(str(item) for item in faults_of(read_requirement, folder))
    for word in ("below the continuous 240 A", "195 %", "34 K", "[14, 4]"):
        assert word in told


@pytest.mark.parametrize("text", ["", "format = 3", "[[stage]]\nname = 1", "stage = 4", "\x00", "[stage]\nname='x'",
                                  'currency = "EUR"\n[exchange]\nUSD = "x"', "a = [[[[[[[["])  # fmt: skip
def test_spoiled_catalogues_are_refused_not_crashed(folder, text):
    (folder / "catalogue.toml").write_text(text)
    assert faults_of(read_catalogue, folder)


def test_tables_as_csv_are_the_same_parts(folder):
    whole = read_catalogue(folder)
    text = (folder / "catalogue.toml").read_text()
    blocks = text.split("[[")
    (folder / "catalogue.toml").write_text("[[".join(b for b in blocks if not b.startswith("inductor]]")))
    (folder / "catalogue").mkdir()
    with open(folder / "catalogue" / "inductor.csv", "w", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow(["name", "price [EUR]", "area [mm2]", "inductance [nH]", "resistance [mOhm]",
                       "saturation_current [A]", "current_rating [A]", "temperature_limit [degC]", "core_loss [W]",
                       "tolerance [%]", "source"])  # fmt: skip
        for item in whole.inductor:
            own = item.figures
            rows.writerow([item.name, item.price, round(item.area * 1e6, 6), round(own.inductance * 1e9, 6),
                           round(own.resistance * 1e3, 6), own.saturation_current, own.current_rating,
                           own.temperature_limit, own.core_loss, round(own.tolerance * 100, 6), own.source])  # fmt: skip
    again = read_catalogue(folder)
    for own, known in zip(again.inductor, whole.inductor, strict=True):
        assert own.name == known.name and own.price == known.price
        assert own.area == pytest.approx(known.area)
        assert own.figures.inductance == pytest.approx(known.figures.inductance)
    assert "catalogue/inductor.csv" in again.files
    broken = folder / "catalogue" / "stage.csv"
    broken.write_text("name,price [EUR],current_rating [A]\nodd,1.0\n")
    told = " | ".join(str(item) for item in faults_of(read_catalogue, folder))
    assert "catalogue/stage.csv:2" in told and "3 heads" in told


def test_nothing_is_overwritten(folder):
    (folder / "requirement.toml").unlink()
    (folder / "catalogue.toml").write_text("mine")
    assert [path.name for path in lay_down_design(folder)] == ["requirement.toml"]
    assert (folder / "catalogue.toml").read_text() == "mine"
    with pytest.raises(BenchFault, match="already"):
        lay_down_design(folder)


def test_a_silent_requirement_takes_what_the_bench_states(folder):
    from phasewright.live import demo_scenario

    path = folder / "requirement.toml"
    kept = [line for line in path.read_text().splitlines() if not line.startswith(("load_line", "ripple_limit"))]
    path.write_text("\n".join(kept))
    bench = demo_scenario().bench
    bench = replace(bench, regulator=replace(bench.regulator, load_line=0.4e-3))
    assert read_requirement(folder).load_line is None
    assert read_requirement(folder, bench).load_line == 0.4e-3
    assert read_requirement(folder, bench).ripple_limit == bench.regulator.ripple_limit
