"""Dask's distributed as an engine: an existing scheduler, or workers of this machine."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from vidseg.batch.drive import Engine
from vidseg.model.problem import UsageError

PATIENCE_S = 10.0
"""How long a scheduler may be out of reach before it counts as gone."""
LOOK_EVERY_S = 2.0


@contextmanager
def joined(address: str) -> Iterator[Engine]:
    """Use the scheduler at ``address`` (tcp://host:8786). Raises UsageError."""
    distributed = _distributed()
    with _quiet():
        try:
            client = distributed.Client(address, timeout=PATIENCE_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise UsageError(
                f"no scheduler answers at {address} ({type(error).__name__}); start one with "
                "`dask scheduler`, and workers with `dask worker`"
            ) from None
        try:
            yield _engine(client, f"the cluster at {address}", distributed)
        finally:
            client.close(timeout=5)


@contextmanager
def local_cluster(count: int) -> Iterator[Engine]:
    """Start a scheduler and ``count`` workers on this machine for the block.

    Who may speak to a scheduler may run code in its workers, and on a shared machine everybody
    reaches its ports: so keys made for the block alone are asked of all, and no page is served.
    """
    distributed = _distributed()
    security = distributed.security.Security.temporary()
    with (
        _quiet(),
        distributed.LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            security=security,
            preload="vidseg.batch.processes",
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        cluster.scheduler.http_server.stop()
        yield _engine(client, f"a cluster of {count} workers here", distributed)


def _distributed() -> Any:
    try:
        import cryptography  # noqa: F401  what distributed.security makes keys with
        import distributed
    except ModuleNotFoundError:
        raise UsageError("a cluster needs Dask: pip install 'vidseg[dask]'") from None
    return distributed


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the libraries' log, tracebacks in it, from the user: what matters is told otherwise."""
    _distributed()
    levels = {
        logging.getLogger(name): logging.getLogger(name).level
        for name in list(logging.root.manager.loggerDict)
        if name.split(".")[0] in ("distributed", "tornado")
    }
    for logger in levels:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in levels.items():
            logger.setLevel(level)


class _Places:
    """How many jobs the workers take at a time: a thread each. Asked for now and then."""

    def __init__(self, client: Any) -> None:
        self.client = client
        self.count, self.looked = 0, 0.0
        self.answered = time.monotonic()

    def __call__(self) -> int:
        now = time.monotonic()
        if self.client.status != "running":
            self.count = 0
        elif now - self.looked > LOOK_EVERY_S:
            self.looked = now
            try:
                ask = self.client.scheduler.ncores
                threads = self.client.sync(ask, workers=None, callback_timeout=LOOK_EVERY_S)
                self.count, self.answered = sum(threads.values()), time.monotonic()
            except (OSError, TimeoutError, RuntimeError):
                self.count = 0
        return self.count

    def lost(self) -> str:
        """Say that the scheduler is gone."""
        self()
        closed = self.client.status in ("closed", "closing")
        if closed or time.monotonic() - self.answered > PATIENCE_S:
            return (
                "the scheduler is gone; what is done is kept, and the same command goes on when "
                "there is one again"
            )
        return ""


def _engine(client: Any, name: str, distributed: Any) -> Engine:
    places = _Places(client)
    return Engine(
        client.get_executor(pure=False, retries=0),
        places,
        name,
        (distributed.KilledWorker,),
        places.lost,
    )
