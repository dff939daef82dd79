"""The data package: after the open standard, the same bytes twice, proven again by a stranger, and never fooled."""

import csv
import hashlib
import io
import json
import shutil
import zipfile
from pathlib import Path

import duckdb
import jsonschema
import pytest
from click.testing import CliRunner

from phasewright.app import jobs
from phasewright.app.cli import main
from phasewright.bench import LogFault

PROFILES = Path(__file__).parents[1] / "published" / "frictionless"
"""Frictionless Data, Data Package (v1) profiles as published in npm datapackage 1.1.10, MIT; only white space removed."""


@pytest.fixture(scope="module")
def campaign(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("package") / "demo"
    jobs.demo(folder)
    jobs.package(folder)
    return folder


@pytest.fixture(scope="module")
def package(campaign) -> Path:
    return campaign / "demo-package.zip"


def contents(package: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(package) as archive:
        return {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}


def rewritten(package: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """Copy a package with some files changed; None leaves one out."""
    with zipfile.ZipFile(package) as old, zipfile.ZipFile(target, "w") as new:
        top = old.namelist()[0].split("/", 1)[0]
        for name in old.namelist():
            content = change.get(name.split("/", 1)[1], old.read(name))
            if content is not None:
                new.writestr(name, content)
        for place, content in change.items():
            if content is not None and f"{top}/{place}" not in old.namelist():
                new.writestr(f"{top}/{place}", content)
    return target


def test_the_descriptor_is_what_the_standard_asks_for(package):
    files = contents(package)
    descriptor = json.loads(files["datapackage.json"])
    jsonschema.validate(descriptor, json.loads((PROFILES / "data-package.json").read_text()))
    tables = [item for item in descriptor["resources"] if item.get("profile") == "tabular-data-resource"]
    assert {Path(item["path"]).stem for item in tables} == {"steps", "quantities", "margins", "comparisons", "clocks"}
    profile = json.loads((PROFILES / "tabular-data-resource.json").read_text())
    for item in tables:
        jsonschema.validate(item, profile)
        head = next(csv.reader(io.StringIO(files[item["path"]].decode())))
        assert head == [field["name"] for field in item["schema"]["fields"]]


def test_every_file_but_the_descriptor_is_listed_with_its_size_and_hash(package):
    files = contents(package)
    resources = {item["path"]: item for item in json.loads(files["datapackage.json"])["resources"]}
    assert set(resources) | {"datapackage.json"} == set(files)
    assert {"bench.toml", "campaign.toml", "results/analysis.json", "guide/index.html", "README.md"} <= set(files)
    for place, item in resources.items():
        assert item["bytes"] == len(files[place])
        assert item["hash"] == "sha256:" + hashlib.sha256(files[place]).hexdigest()


def test_raw_logs_are_in_it_byte_for_byte(campaign, package):
    files = contents(package)
    logs = [path for path in (campaign / "logs").iterdir() if path.is_file()]
    assert len(logs) >= 3
    for path in logs:
        assert files[f"logs/{path.name}"] == path.read_bytes()


def test_parquet_and_csv_hold_the_same_numbers_as_the_analysis(package, tmp_path):
    files = contents(package)
    stated = json.loads(files["results/analysis.json"])
    (tmp_path / "q.parquet").write_bytes(files["results/quantities.parquet"])
    rows = duckdb.sql(f"select step, quantity, value, u from read_parquet('{tmp_path / 'q.parquet'}')").fetchall()
    expected = [
        (step["name"], name, value["value"], value["u"])
        for step in stated["steps"]
        for name, value in step["quantities"].items()
    ]
    assert rows == expected
    written = list(csv.DictReader(io.StringIO(files["results/quantities.csv"].decode())))
    assert [float(row["value"]) for row in written] == [row[2] for row in expected]


def test_the_same_campaign_gives_the_same_bytes(campaign, package):
    before = package.read_bytes()
    jobs.package(campaign)
    assert package.read_bytes() == before


def test_what_a_design_was_searched_in_travels_along(campaign, tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(campaign, folder)
    jobs.new_design(folder)
    (folder / "catalogue").mkdir()
    (folder / "catalogue" / "cooler.csv").write_text(
        "name,price [EUR],plate_resistance [K/W],pad_resistance [K/W]\nanother plate,4.5,0.05,2.0\n", encoding="utf-8"
    )
    made = jobs.package(folder)
    with zipfile.ZipFile(made.file) as archive:
        archive.extractall(tmp_path / "got")
    (got,) = (tmp_path / "got").iterdir()
    own, theirs = (jobs.design_space(place, measured=False) for place in (folder, got))
    assert theirs.requirement == own.requirement and theirs.catalogue == own.catalogue
    assert any(part.name == "another plate" for part in theirs.catalogue.cooler)
    assert jobs.verify(made.file).proven


def test_a_stranger_proves_it_from_the_zip_and_from_the_unpacked_folder(package, tmp_path):
    shutil.copy(package, tmp_path / "got.zip")
    found = jobs.verify(tmp_path / "got.zip")
    assert found.proven and found.numbers > 1000 and found.files > 10
    with zipfile.ZipFile(package) as archive:
        archive.extractall(tmp_path / "out")
        top = archive.namelist()[0].split("/", 1)[0]
    assert jobs.verify(tmp_path / "out" / top).proven
    assert sorted(path.name for path in tmp_path.iterdir()) == ["got.zip", "out"], "nothing is left behind"
    assert not (tmp_path / "out" / top / "derived").exists(), "the package is not touched"


@pytest.mark.parametrize("place", ["logs", "results/analysis.json", "bench.toml"])
def test_one_changed_byte_is_found(package, tmp_path, place):
    name = next(item for item in sorted(contents(package)) if item.startswith(place))
    content = bytearray(contents(package)[name])
    content[len(content) // 2] ^= 1
    found = jobs.verify(rewritten(package, tmp_path / "x.zip", {name: bytes(content)}))
    assert not found.proven and any(text.startswith(name) for text in found.differences)


def test_a_prettier_result_with_a_matching_fingerprint_is_found(package, tmp_path):
    files = contents(package)
    analysis = json.loads(files["results/analysis.json"])
    step = analysis["steps"][0]
    step["quantities"]["input_power"]["value"] -= 5.0
    text = json.dumps(analysis).encode()
    descriptor = json.loads(files["datapackage.json"])
    for item in descriptor["resources"]:
        if item["path"] == "results/analysis.json":
            item["hash"], item["bytes"] = "sha256:" + hashlib.sha256(text).hexdigest(), len(text)
    forged = {"results/analysis.json": text, "datapackage.json": json.dumps(descriptor).encode()}
    found = jobs.verify(rewritten(package, tmp_path / "forged.zip", forged))
    assert not found.proven
    assert len(found.differences) == 1
    assert f"steps[{step['name']}].quantities.input_power.value" in found.differences[0]


def test_a_missing_file_is_found(package, tmp_path):
    name = next(item for item in contents(package) if item.startswith("logs/"))
    found = jobs.verify(rewritten(package, tmp_path / "x.zip", {name: None}))
    assert found.differences == (f"{name} is missing",)


@pytest.mark.parametrize("place", ["../evil.toml", "/etc/evil", "logs/../../evil", "C:\\evil", "a\\..\\evil"])
def test_a_path_that_leads_out_is_refused(package, tmp_path, place):
    descriptor = json.loads(contents(package)["datapackage.json"])
    descriptor["resources"].append({"name": "evil", "path": place, "hash": "sha256:0"})
    text = json.dumps(descriptor).encode()
    bad = rewritten(package, tmp_path / "bad.zip", {"datapackage.json": text, place: b"evil"})
    with pytest.raises(LogFault, match="leads out of the package"):
        jobs.verify(bad)
    assert [path.name for path in tmp_path.iterdir()] == ["bad.zip"]


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 cut short", b"just text"])
def test_what_is_no_package_is_refused_with_the_mend(tmp_path, content):
    (tmp_path / "x.zip").write_bytes(content)
    with pytest.raises(LogFault, match="--package"):
        jobs.verify(tmp_path / "x.zip")
    with pytest.raises(LogFault, match="no such file"):
        jobs.verify(tmp_path / "none.zip")


def test_a_log_changed_after_the_analysis_is_not_packed(campaign, tmp_path):
    folder = tmp_path / "copy"
    shutil.copytree(campaign, folder)
    analysis = jobs.analyze(folder)
    log = next(path for path in (folder / "logs").iterdir() if path.is_file())
    log.write_bytes(log.read_bytes() + b"\n")
    (folder / "demo-package.zip").unlink()
    with pytest.raises(LogFault, match="has changed since it was analyzed"):
        jobs.package(folder, analysis=analysis)
    assert not list(folder.glob("*package*"))


def test_the_commands(campaign, package, tmp_path):
    shutil.copytree(campaign, tmp_path / "demo")
    result = CliRunner().invoke(main, ["report", str(tmp_path / "demo"), "--package"])
    assert result.exit_code in (0, 3), result.output
    assert "demo-package.zip" in result.output and "phasewright verify" in result.output
    proven = CliRunner().invoke(main, ["verify", str(tmp_path / "demo" / "demo-package.zip")])
    assert proven.exit_code == 0 and "Proven" in proven.output
    name = next(item for item in contents(package) if item.startswith("logs/"))
    bad = rewritten(package, tmp_path / "x.zip", {name: b"time,power\n"})
    told = CliRunner().invoke(main, ["verify", str(bad), "--json"])
    assert told.exit_code == 4
    assert json.loads(told.stdout)["proven"] is False


def test_two_campaigns_are_compared_on_the_command_line(campaign, tmp_path):
    shutil.copytree(campaign, tmp_path / "other")
    result = CliRunner().invoke(main, ["compare", str(campaign), str(tmp_path / "other")])
    assert result.exit_code == 0, result.output
    assert "2 campaigns, each compared with demo" in result.output and "Real?" in result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    data = json.loads(CliRunner().invoke(main, ["compare", str(campaign), str(tmp_path / "other"), "--json"]).stdout)
    assert all(c["difference"]["value"] == 0.0 for item in data["settings"] for c in item["contrasts"])
    alone = CliRunner().invoke(main, ["compare", str(campaign), str(campaign)])
    assert alone.exit_code == 2 and "two or more" in alone.output
