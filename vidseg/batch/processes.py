"""Processes of this machine as an executor, each a pool of its own, and their good manners."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from multiprocessing.connection import wait
from typing import Any, ParamSpec, TypeVar

from vidseg.batch.leases import withdraw

P = ParamSpec("P")
T = TypeVar("T")

NICENESS = 10
JOBS_PER_PROCESS = 200
"""After so many jobs a process is made anew, whatever memory libraries have kept in it."""


def lower_process_priority() -> None:
    """Let this process, and the threads it starts from now on, give way to others."""
    if sys.platform == "win32":
        import ctypes

        below_normal = 0x4000  # BELOW_NORMAL_PRIORITY_CLASS of SetPriorityClass
        kernel = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel.GetCurrentProcess.restype = ctypes.c_void_p
        kernel.SetPriorityClass.argtypes = (ctypes.c_void_p, ctypes.c_uint32)
        kernel.SetPriorityClass(kernel.GetCurrentProcess(), below_normal)
    else:
        os.nice(NICENESS)


class Lanes(Executor):
    """As many processes as lanes, each a pool of its own.

    A process that is killed breaks its own pool only, which is then made anew: it is known which
    job it had, and the others go on.
    """

    def __init__(self, count: int) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._pools: list[ProcessPoolExecutor | None] = [None] * count
        self._busy: list[Future[Any] | None] = [None] * count

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Hand a call to a lane that is free, else to the first."""
        idle = (place for place, future in enumerate(self._busy) if not future or future.done())
        place = next(idle, 0)
        pool = self._pools[place]
        try:
            future = (pool or self._pool(place)).submit(fn, *args, **kwargs)
        except BrokenExecutor:
            future = self._pool(place).submit(fn, *args, **kwargs)
        self._busy[place] = future
        return future

    def _pool(self, place: int) -> ProcessPoolExecutor:
        broken = self._pools[place]
        if broken is not None:
            broken.shutdown(wait=False)
        pool = ProcessPoolExecutor(
            1,
            mp_context=self._context,
            initializer=_begin,
            max_tasks_per_child=JOBS_PER_PROCESS,
        )
        self._pools[place] = pool
        return pool

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the processes end. What is still running is waited for only with ``wait``."""
        if not wait:
            for process in multiprocessing.active_children():
                process.terminate()
        for pool in self._pools:
            if pool is not None:
                pool.shutdown(wait=wait, cancel_futures=cancel_futures)


def _begin() -> None:
    # Ctrl-C in a terminal goes to all processes; what it means is for the parent to say.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    lower_process_priority()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def dask_setup(worker: Any) -> None:
    """Prepare a worker of a cluster of this machine; Dask calls this when one starts."""
    worker.http_server.stop()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    lower_process_priority()


def _end_with(parent: int) -> None:
    """End this process when its parent has: nobody would hear of what it does."""
    wait([parent])
    withdraw()
    os._exit(1)
