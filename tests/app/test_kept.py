"""What is kept in derived/: the same to the last bit, and as if not there when stale, spoiled or made by another version."""

import dataclasses
import hashlib
import json
import os
import shutil
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phasewright.app import jobs, kept
from phasewright.app.jobs import analyzing
from phasewright.bench import BenchFault
from phasewright.live import make_campaign, random_scenario
from phasewright.quantity import Part, Value


def differences(one, other, place=""):
    """Every place where two results differ, in type or in any bit."""
    if type(one) is not type(other):
        return [f"{place}: {type(one)} and {type(other)}"]
    if isinstance(one, np.ndarray):
        same = one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()
        return [] if same else [place]
    if dataclasses.is_dataclass(one):
        names = [field.name for field in dataclasses.fields(one)]
        return [d for name in names for d in differences(getattr(one, name), getattr(other, name), f"{place}.{name}")]
    if isinstance(one, Mapping):
        if list(one) != list(other):
            return [f"{place}: {list(one)} and {list(other)}"]
        return [d for key in one for d in differences(one[key], other[key], f"{place}[{key!r}]")]
    if isinstance(one, list | tuple):
        if len(one) != len(other):
            return [f"{place}: {len(one)} and {len(other)}"]
        return [d for i, (a, b) in enumerate(zip(one, other, strict=True)) for d in differences(a, b, f"{place}[{i}]")]
    return [] if repr(one) == repr(other) else [f"{place}: {one!r} and {other!r}"]


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory):
    """A small simulated campaign and what it said when its logs were gone through."""
    folder = tmp_path_factory.mktemp("kept") / "campaign"
    make_campaign(folder, random_scenario(np.random.default_rng(404)), 404)
    return folder, jobs.analyze(folder)


@pytest.fixture
def folder(worked_out, tmp_path):
    """A copy of that campaign, with what was kept."""
    return shutil.copytree(worked_out[0], tmp_path / "copy")


@pytest.fixture
def runs(monkeypatch):
    """How often a campaign was worked out from its logs."""
    counted = []
    really = analyzing._work_out
    monkeypatch.setattr(analyzing, "_work_out", lambda folder, *rest: counted.append(folder) or really(folder, *rest))
    return counted


def test_what_is_kept_is_the_same_to_the_last_bit(worked_out, runs):
    folder, before = worked_out
    after = jobs.analyze(folder)
    assert not runs and after is not before
    assert differences(before, after) == []
    fitted = jobs.model(folder, analysis=before)
    text = jobs.to_json_text(before, fitted)
    assert jobs.to_json_text(after, fitted, folder=folder) == text
    assert (folder / "derived" / kept.ANSWERS).is_file()
    assert jobs.to_json_text(after, fitted, folder=folder) == text


def test_a_copy_is_told_by_its_bytes_and_known_from_then_on(folder, worked_out, runs, monkeypatch):
    assert differences(worked_out[1], jobs.analyze(folder)) == [] and not runs
    monkeypatch.setattr(kept, "_same_bytes", lambda *_: pytest.fail("the marks of the copy were not kept"))
    jobs.analyze(folder)
    assert not runs


def test_one_other_digit_in_a_log_is_seen_even_where_size_and_time_stayed(folder, worked_out, runs):
    log = folder / worked_out[1].recording.reports[0].fingerprint.file
    before, data = log.stat(), bytearray(log.read_bytes())
    last = max(data.rfind(digit) for digit in b"12345678")
    data[last] += 1
    log.write_bytes(data)
    os.utime(log, ns=(before.st_atime_ns, before.st_mtime_ns))
    found = jobs.analyze(folder)
    assert len(runs) == 1
    assert found.recording.reports[0].fingerprint.sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("name", ["bench.toml", "campaign.toml"])
def test_an_edited_file_is_worked_out_again(folder, runs, name):
    path = folder / name
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('name = "', 'name = "Other ', 1), encoding="utf-8")
    found = jobs.analyze(folder)
    assert len(runs) == 1
    assert (found.bench if name == "bench.toml" else found.campaign).name.startswith("Other ")
    jobs.analyze(folder)
    assert len(runs) == 1


def test_a_log_that_is_gone_is_a_fault_whatever_is_kept(folder, worked_out):
    (folder / worked_out[1].recording.reports[-1].fingerprint.file).unlink()
    with pytest.raises(BenchFault):
        jobs.analyze(folder)


@pytest.mark.parametrize("share", [0.0, 0.0001, 0.01, 0.1, 0.5, 0.9, 0.99999])
@pytest.mark.parametrize("spoil", ["cut", "flip"])
def test_a_spoiled_file_is_worked_out_again_and_replaced(folder, worked_out, runs, share, spoil):
    path = folder / "derived" / kept.ANALYSIS
    data = bytearray(path.read_bytes())
    place = int(share * len(data))
    if spoil == "cut":
        del data[place:]
    else:
        data[place] ^= 0x10
    path.write_bytes(data)
    assert differences(worked_out[1].steps, jobs.analyze(folder).steps) == []
    assert len(runs) == 1
    assert jobs.analyze(folder) is not None and len(runs) == 1


def test_more_bytes_than_were_written_are_not_taken(folder, runs):
    with open(folder / "derived" / kept.ANALYSIS, "ab") as stream:
        stream.write(b"x")
    jobs.analyze(folder)
    assert len(runs) == 1


def test_what_another_version_made_is_not_taken(folder, runs, monkeypatch):
    monkeypatch.setattr(kept, "made_by", lambda: "phasewright of another day")
    jobs.analyze(folder)
    assert len(runs) == 1
    jobs.analyze(folder)
    assert len(runs) == 1
    monkeypatch.setattr(kept, "FORMAT", kept.FORMAT + 1)
    jobs.analyze(folder)
    assert len(runs) == 2


def test_an_edited_module_counts_as_another_version(tmp_path, monkeypatch):
    import phasewright.quantity

    room = tmp_path / "phasewright" / "quantity"
    room.mkdir(parents=True)
    (room / "__init__.py").write_text("one = 1\n", encoding="utf-8")
    monkeypatch.setattr(phasewright.quantity, "__file__", str(room / "__init__.py"))
    before = kept.made_by.__wrapped__()
    assert kept.made_by.__wrapped__() == before
    (room / "__init__.py").write_text("one = 11\n", encoding="utf-8")
    assert kept.made_by.__wrapped__() != before


def test_ended_half_way_nothing_half_written_is_found_and_the_rest_is_swept(folder, worked_out, runs, monkeypatch):
    derived = folder / "derived"
    whole = (derived / kept.ANALYSIS).read_bytes()
    (derived / kept.ANALYSIS).unlink()
    (derived / f".{kept.ANALYSIS}.abc.part").write_bytes(whole[: len(whole) // 2])

    really = os.replace

    def ended(source, target):
        if str(target).endswith(kept.ANALYSIS):
            raise OSError(28, "No space left on device")
        really(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(kept.os, "replace", ended)
        found = jobs.analyze(folder)
    assert differences(worked_out[1].steps, found.steps) == [] and len(runs) == 1
    assert not (derived / kept.ANALYSIS).exists()
    jobs.analyze(folder)
    assert len(runs) == 2 and (derived / kept.ANALYSIS).exists() and not list(derived.glob("*.part"))


def test_what_changed_while_it_was_read_is_not_kept(folder, worked_out):
    _, analysis = worked_out
    names = tuple(report.fingerprint.file for report in analysis.recording.reports)
    marks = kept.marks_of(folder, names)
    place = folder / "derived" / kept.ANALYSIS
    kept.keep_analysis(folder, analysis, "", {name: [size, time - 1, *rest] for name, (size, time, *rest) in marks.items()})
    assert not place.exists()
    kept.keep_analysis(folder, analysis, "", marks)
    assert place.exists()


def test_only_our_own_records_are_made_of_a_file(folder, runs):
    path = folder / "derived" / kept.ANALYSIS
    with open(path, "rb") as stream:
        head = json.loads(stream.readline())
    for name in ("bench.add_log", "bench.Path", "os.system", "quantity.Value.__init__"):
        body = json.dumps({"rows": [[name, "touched"]], "last": [0]}).encode()
        forged = {**head, "body": len(body), "arrays": [], "sha256": hashlib.sha256(body).hexdigest()}
        path.write_bytes(json.dumps(forged).encode() + b"\n" + body)
        assert kept.kept_analysis(folder) is None
    jobs.analyze(folder)
    assert len(runs) == 1


def test_the_text_beside_it_is_mended_too(folder, runs):
    text = folder / "derived" / "analysis.json"
    before = text.read_bytes()
    for spoiled in (before[:100], b"{}", b"\xff"):
        text.write_bytes(spoiled)
        jobs.analyze(folder)
        assert text.read_bytes() == before
    text.unlink()
    jobs.analyze(folder)
    assert text.read_bytes() == before and not runs


def test_strict_goes_through_the_logs_again(folder, runs):
    jobs.analyze(folder, strict=True)
    assert len(runs) == 1


def test_answers_of_a_model_are_kept_for_exactly_that_model(folder, worked_out, monkeypatch):
    import phasewright.report

    analysis, asked = worked_out[1], []
    (folder / "derived" / kept.ANSWERS).unlink(missing_ok=True)
    really = phasewright.report.model_answers
    monkeypatch.setattr(phasewright.report, "model_answers", lambda *words: asked.append(1) or really(*words))
    fitted = jobs.model(folder, analysis=analysis)
    first = jobs.answered(analysis, fitted, folder=folder)
    again = jobs.answered(analysis, fitted, folder=folder)
    assert len(asked) == 1 and differences(first.answers, again.answers) == []
    place = folder / "derived" / kept.ANSWERS
    data = bytearray(place.read_bytes())
    data[-20] ^= 1
    place.write_bytes(data)
    assert differences(first.answers, jobs.answered(analysis, fitted, folder=folder).answers) == [] and len(asked) == 2
    from phasewright.model import fitted_prior, prior_of

    jobs.answered(analysis, fitted_prior(prior_of(analysis.bench)), folder=folder)
    assert len(asked) == 3
    jobs.answered(dataclasses.replace(analysis, answers=analysis.answers[::-1]), fitted, folder=folder)
    assert len(asked) == 4


TEXT = st.text(max_size=4)
PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | TEXT | st.floats().map(np.float64)
VALUES = st.builds(Value, st.floats(), TEXT, parts=st.tuples(st.builds(Part, TEXT, st.floats())))


def several(inner):
    return st.lists(inner, max_size=3) | st.tuples(inner, inner) | st.dictionaries(TEXT, inner, max_size=3)


@given(st.recursive(PLAIN | VALUES, several, max_leaves=8))
def test_any_records_come_back_as_they_were(thing):
    writer = kept._Writer()
    last = writer.put(thing)
    told = json.loads(json.dumps({"rows": writer.rows, "last": last}))
    assert differences(thing, kept._made(told["rows"], told["last"], writer.arrays)) == []
