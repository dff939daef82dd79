"""Whatever the bytes are: a table or a refusal that says where and how to mend it, never anything else."""

import random

from fuzz_trials import Fuzz, attempt, by_lines, same, soup
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from phasewright.bench import LogEntry

QUIET = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

@QUIET
@given(seed=st.integers(0, 2**64))
def test_soup_of_fragments(tmp_path, seed):
    path = tmp_path / "log.csv"
    path.write_bytes(soup(random.Random(seed)))
    attempt(path)


@QUIET
@given(data=st.binary(max_size=400))
@example(data=b"\xff\xfe")
@example(data=b"\n" * 50)
@example(data=b",\n" * 20)
@example(data=b'"\n')
def test_any_bytes(tmp_path, data):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    attempt(path)


@QUIET
@given(
    seed=st.integers(0, 2**64), delimiter=st.sampled_from(["", ",", ";", "tab", "||", "x"]),
    decimal=st.sampled_from(["", ".", ","]), header_line=st.sampled_from([None, 0, 1, 3, 500]),
    zone=st.sampled_from(["", "Europe/Berlin", "+05:30", "Nowhere/Land", "UTC"]),
    encoding=st.sampled_from(["", "utf-8", "cp1252", "utf-16", "no-such", "rot13", "idna", "utf-32"]),
    time_format=st.sampled_from(["", "epoch_s", "elapsed_ms", "%H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%q", "%I:%M",
                                  "serial", "("]),
    time_columns=st.sampled_from([(), ("time",), ("#1",), ("#2", "#1"), ("#99",), ("a", "b", "c")]),
)  # fmt: skip
def test_any_statement(tmp_path, seed, **stated):
    path = tmp_path / "log.csv"
    path.write_bytes(soup(random.Random(seed)))
    attempt(path, LogEntry("log", ("log.csv",), "meter", (), **stated))


def test_a_short_run_of_the_long_trial(tmp_path):
    fuzz = Fuzz(7, tmp_path)
    for _ in range(600):
        fuzz.step()
    assert fuzz.failures == []
    assert fuzz.count["read"] > 100
    assert fuzz.count["refused"] > 100
    assert fuzz.count["held against the reader of lines"] > 2
    assert len(fuzz.seen) > 100, "the inputs reach many ways to end"


def test_the_trial_sees_a_traceback(tmp_path, monkeypatch):
    import fuzz_trials

    def broken(path, entry=None):
        raise IndexError("list index out of range")

    monkeypatch.setattr(fuzz_trials, "read_log", broken)
    fuzz = Fuzz(7, tmp_path)
    fuzz.step()
    assert "IndexError" in fuzz.failures[0]["what"]
    part = {"count": dict(fuzz.count), "failures": fuzz.failures, "slowest": 0.0, "ways": 0, "seconds": 1.0}
    assert "1 failures" in fuzz_trials.summary([part])


def test_a_header_below_a_header_that_does_not_fit(tmp_path):
    """Found by the long trial: the second search for a header ended in an error of its own."""
    path = tmp_path / "log.csv"
    path.write_text("1,2,3\ntime,power_W\n1,2,3\n4,5,6\ntime,power_W,temp_C\n7,8,9\n10,11,12\n")
    table, _ = attempt(path)
    assert table is None or "power_W" in table.columns


def test_a_month_of_one_digit_among_two_digit_ones(tmp_path):
    """Found by the long trial: the reader of blocks took the row, the reader of lines did not."""
    path = tmp_path / "log.csv"
    path.write_text("time,p_W\n2026-03-13T12:00:00,1\n2026-3-13T12:00:01,2\n2026-03-13T12:00:02,3\n")
    table, _ = attempt(path)
    assert table.columns["p_W"].tolist() == [1, 2, 3]
    assert same(table, by_lines(path))
