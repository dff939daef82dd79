"""Logs that are brought in side by side all stay."""

from concurrent.futures import ThreadPoolExecutor

from phasewright.bench import (
    ChannelSource,
    ColumnTerm,
    LogEntry,
    add_instrument,
    add_log,
    lay_down,
    read_bench,
    read_campaign,
)


def test_logs_added_by_many_threads_at_once_are_all_kept(tmp_path):
    lay_down(tmp_path)
    names = [f"log{number}" for number in range(12)]

    def bring(name):
        add_instrument(tmp_path, name)
        source = ChannelSource(f"input_power.{name}", (ColumnTerm(("P",)),))
        add_log(tmp_path, LogEntry(name, (f"logs/{name}.csv",), name, (source,)))

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(bring, names))
    assert sorted(entry.name for entry in read_campaign(tmp_path).logs) == sorted(names)
    assert {item.name for item in read_bench(tmp_path / "bench.toml").instruments} >= set(names)
