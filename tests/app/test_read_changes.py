"""Logs that change while they are brought in: what is kept is what was read, or nothing."""

import hashlib
import os

import pytest

from phasewright.app import jobs
from phasewright.bench import LogFault

HEAD = "time [s],power [W]\n"


def rows(first, last):
    return "".join(f"{i},{100 + i * 7 % 50}\n" for i in range(first, last))


@pytest.fixture
def growing(tmp_path, invoke):
    assert invoke("new", tmp_path / "mine").exit_code == 0
    path = tmp_path / "meter.csv"
    path.write_text(HEAD + rows(0, 500))
    return tmp_path / "mine", path


def bring(folder, path, meanwhile):
    """Bring a log in; `meanwhile` happens after it was read and before it is copied."""

    def choose(result):
        meanwhile()
        return {"input_power": "power"}

    return jobs.read(folder, path, choose=choose)


def test_a_log_that_grows_goes_in_as_far_as_it_was_read(growing):
    folder, path = growing

    def grow():
        with path.open("a") as stream:
            stream.write(rows(500, 900) + "900,1")

    result = bring(folder, path, grow)
    kept = (folder / "logs" / "meter.csv").read_bytes()
    assert kept == (HEAD + rows(0, 500)).encode()
    assert result.report.fingerprint.sha256 == hashlib.sha256(kept).hexdigest()
    assert result.report.row_count == 500 and not result.lost
    with pytest.raises(LogFault, match="another file of this name") as refused:
        jobs.read(folder, path, channel_map={"input_power": "power"})
    assert refused.value.faults[0].line == 1


def test_the_same_log_again_is_no_other_file(growing):
    folder, path = growing
    for _ in range(2):
        assert jobs.read(folder, path, channel_map={"input_power": "power"}).file == "logs/meter.csv"


@pytest.mark.parametrize("how", ["replaced", "cut", "written over", "gone"])
def test_a_log_that_no_longer_holds_what_was_read_is_refused(growing, how):
    folder, path = growing
    other = path.with_name("other.csv")
    other.write_text(HEAD + rows(100, 700))

    def change():
        if how == "replaced":
            os.replace(other, path)
        elif how == "cut":
            os.truncate(path, 2000)
        elif how == "gone":
            path.unlink()
        else:
            path.write_bytes(path.read_bytes().replace(b"\n7,149", b"\n7,999"))

    before = (folder / "campaign.toml").read_bytes()
    with pytest.raises(LogFault) as refused:
        bring(folder, path, change)
    words = "cannot be copied" if how == "gone" else "changed between being read and being copied"
    assert words in str(refused.value) and refused.value.faults[0].mend
    assert list((folder / "logs").iterdir()) == []
    assert (folder / "campaign.toml").read_bytes() == before


def test_a_log_that_shrank_while_it_was_read_is_not_whole(growing, invoke, monkeypatch):
    from phasewright.logs.read._source import Source

    folder, path = growing
    read = Source._take

    def cut(self, stream, size):
        data = read(self, stream, size)
        if self.path == path and path.stat().st_size > 3000:
            os.truncate(path, 3000)
        return data

    monkeypatch.setattr(Source, "_take", cut)
    result = invoke("read", folder, path, "--map", "input_power=power")
    assert result.exit_code == 3, result.output
    assert "shrank to" in result.output and "read it again when nothing writes to it" in result.output
