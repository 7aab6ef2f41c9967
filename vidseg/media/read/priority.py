"""Background work that leaves the machine to whoever is watching."""

from __future__ import annotations

import os
import sys
import threading

_NICE = 10
_BELOW_NORMAL = -1


def lower_thread_priority() -> None:
    """Let the calling thread, and threads it starts, wait behind others where that can be said.

    Linux: a thread has a niceness of its own, which the threads it starts take over. Windows:
    this thread alone. macOS knows it for whole processes only, and nothing is done.
    """
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        kernel.SetThreadPriority(kernel.GetCurrentThread(), _BELOW_NORMAL)
    elif sys.platform == "linux":
        try:
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)
        except OSError:
            return
