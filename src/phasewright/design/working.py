"""Who works at the shares of a search: this process, or a cluster. The result is the same to the last bit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from phasewright.bench import BenchFault, Fault, escape
from phasewright.design.candidates import Space
from phasewright.design.exact import Worker, here

__all__ = ["on_cluster", "workers"]

LOCAL = "local"
RETRIES = 5
"""How often a share is handed out anew when its worker was lost."""


@contextmanager
def workers(address: str = "", *, count: int = 2) -> Iterator[Worker]:
    """Yield who works at shares: '' = this process, ``local`` = a cluster of `count` processes here, else the
    cluster whose scheduler is at `address`.

    Raises
    ------
    BenchFault
        When the extra `cluster` is not installed or no scheduler answers.
    """
    if not address:
        yield here
        return
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        raise BenchFault(Fault("--cluster", "dask.distributed is not installed",
                               'install the extra: pip install "phasewright[cluster]"')) from None  # fmt: skip
    if address == LOCAL:
        with (
            LocalCluster(n_workers=count, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
            Client(cluster) as client,
        ):
            yield on_cluster(client)
        return
    try:
        client = Client(address, timeout="3s")
    except (OSError, ValueError, TimeoutError) as error:
        raise BenchFault(Fault("--cluster", f"no scheduler answers at {escape(address)} ({escape(str(error))})",
                               "start one with: dask scheduler; or write --cluster local")) from None  # fmt: skip
    with client:
        yield on_cluster(client)


def on_cluster(client: Any) -> Worker:
    """Return a worker that hands shares to the workers of a dask client; a share whose worker is lost is done again."""

    def work(function: Callable[..., Any], key: str, space: Space, shares: Sequence[Any]) -> Iterable[Any]:
        shared = client.scatter(space, broadcast=True, hash=False)
        tasks = [client.submit(function, key, shared, share, retries=RETRIES, pure=False) for share in shares]
        try:
            return client.gather(tasks)  # in the order of the shares, whoever did them
        finally:
            client.cancel(tasks)

    return work
