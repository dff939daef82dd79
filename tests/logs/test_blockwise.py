"""Columns read block by block hold what the columns hold; channels made so are those made whole."""

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm
from phasewright.logs import Fingerprint, ReadReport, Table
from phasewright.logs.blockwise import BLOCK, Rows, picked, side_by_side, spans
from phasewright.logs.condense import condense
from phasewright.logs.records import Trace
from phasewright.logs.sanity import Doubts
from phasewright.logs.trace import flagged_channel

COUNT = 1_200_000


@pytest.fixture(scope="module")
def mapped(tmp_path_factory):
    values = np.random.default_rng(1).normal(40.0, 3.0, COUNT)
    path = tmp_path_factory.mktemp("columns") / "column.npy"
    np.save(path, values)
    return values, np.load(path, mmap_mode="r").view(np.ndarray), path


def test_blocks_of_a_mapped_file_are_its_rows(mapped):
    values, column, _ = mapped
    for part in (column, column[1000:], column[::2]):
        with Rows(part) as rows:
            held = np.concatenate([np.array(rows.part(a, b)) for a, b in spans(len(part))])
        assert np.array_equal(held, np.asarray(part))
    with Rows(column) as rows:
        assert not np.shares_memory(rows.part(0, BLOCK), column)
        assert np.shares_memory(rows.part(0, BLOCK + 1), column)


@pytest.mark.parametrize("count", [0, 1, 7, 5000])
def test_single_rows_of_a_mapped_file_are_those_asked_for_in_that_order(mapped, count):
    values, column, _ = mapped
    rows = np.random.default_rng(count).integers(0, COUNT, count)
    for part, whole in ((column, values), (column[1000:2000], values[1000:2000]), (column[::2], values[::2])):
        wanted = rows % len(whole)
        assert np.array_equal(picked(part, wanted), whole[wanted])


def test_a_file_that_was_replaced_is_not_read(mapped, tmp_path):
    values, _, _ = mapped
    path = tmp_path / "column.npy"
    np.save(path, values)
    column = np.load(path, mmap_mode="r").view(np.ndarray)
    path.unlink()
    np.save(path, np.zeros(COUNT + 5))
    with Rows(column) as rows:
        assert np.array_equal(rows.part(0, BLOCK), values[:BLOCK])
    path.unlink()
    with Rows(column) as rows:
        assert np.array_equal(rows.part(0, BLOCK), values[:BLOCK])


def test_channel_made_in_blocks_is_the_one_made_whole(mapped):
    values, column, _ = mapped
    report = ReadReport(Fingerprint("log.csv", 0, ""), "utf-8", ",", ".", 1, (), (), (), "", COUNT, "", "", ())
    time = np.arange(COUNT, dtype=np.int64) * 1_000_000
    table = Table("log", ("U", "I"), ("V", "mA"), time, False, {"U": column, "I": values * 2.0}, ((0, COUNT),),
                  np.array([[0, 2]]), report)  # fmt: skip
    missing = np.array([[5, 9], [BLOCK - 3, BLOCK + 4], [3 * BLOCK, 5 * BLOCK + 1], [COUNT - 1, COUNT]])
    doubts = Doubts(missing={"input_power": missing})
    source = ChannelSource("input_power", (ColumnTerm(("U", "I"), (), 2.0), ColumnTerm(("I", "U"))))
    made = flagged_channel(table, source, doubts)[0]
    whole = values * (values * 2.0 * 1e-3) * 2.0 + values * 2.0 * 1e-3 * values
    for a, b in missing:
        whole[a:b] = np.nan
    np.testing.assert_allclose(made, whole, rtol=1e-15)


def test_condensed_from_a_file_on_several_threads_is_condensed_from_memory(mapped):
    values, column, _ = mapped
    time = np.arange(COUNT, dtype=np.int64) * 1_000_000
    one, two = (
        condense(Trace("input_power", "W", "m", time, held, 1e-3, "end", ((0, COUNT),)), 0) for held in (values, column)
    )
    assert np.array_equal(one.value, two.value) and np.array_equal(one.end, two.end)
    assert np.array_equal(one.low, two.low) and np.array_equal(one.high, two.high)
    assert one.value == pytest.approx(values.reshape(-1, 25).mean(axis=1), rel=1e-14)


def test_work_side_by_side_keeps_its_order_and_its_errors():
    assert side_by_side(lambda k: k * k, list(range(9)), 1 << 22) == [k * k for k in range(9)]
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda k: 1 // k, [2, 1, 0], 1 << 22)
