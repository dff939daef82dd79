"""The same designs on a cluster: the same front to the last bit, also when a worker is lost on the way."""

import numpy as np
import pytest
from distributed import Client, LocalCluster

from phasewright.bench import BenchFault
from phasewright.design import front_of, on_cluster, search, workers


def test_a_cluster_that_loses_a_worker_finds_the_same_front(small, monkeypatch, tmp_path):
    monkeypatch.setattr("phasewright.design.exact.SHARE", 24)
    alone, mark = search(small), str(tmp_path / "lost")

    def dies_once(key, space, share):
        import os

        from phasewright.design.merging import complete_share  # of the worker's own process

        try:
            os.close(os.open(mark, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return complete_share(key, space, share)
        os._exit(9)  # as a machine that is switched off: no word, no clean-up

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster, \
            Client(cluster) as client:  # fmt: skip
        work = on_cluster(client)
        found = search(small, worker=lambda _, key, space, shares: work(dies_once, key, space, shares))
        front = front_of(small, found, draws=200, worker=work)
    assert (tmp_path / "lost").exists()
    assert np.array_equal(found.rows, alone.rows)
    assert found.method == alone.method
    assert front == front_of(small, alone, draws=200)


def test_no_scheduler_is_told_with_the_mend():
    with pytest.raises(BenchFault, match="no scheduler answers"), workers("tcp://127.0.0.1:9"):
        pass
