"""What runs in the server's process: the lock, the instance, the timetable and the application.

The server starts this in a process of its own, and anew when that process crashes. The instance's
lock is taken here and ends with the process, so that it cannot overlap with the one before. Who
starts it holds a lock of its own for as long as it runs, so that a second server is refused.
"""

from __future__ import annotations

import fcntl
import multiprocessing
import os
import signal
import threading
import time
import zoneinfo
from multiprocessing.util import Finalize
from typing import IO, TYPE_CHECKING

from passdesk import settings, timetable
from passdesk.app import create_app
from passdesk.services import instance as instances

if TYPE_CHECKING:
    from pathlib import Path

    from flask import Flask

WAIT_SECONDS = 5
STOP_SECONDS = 4


class AlreadyServedError(Exception):
    """Another server runs on this instance."""


def lock(path: Path, wait_seconds: float = 0) -> IO[str]:
    """Take a lock and write this process's id into it; it is held until the file is closed.

    Args:
        path: the lock file.
        wait_seconds: how long to wait for a process that is about to end.

    Raises:
        AlreadyServedError: somebody else holds it; the message names the process.
    """
    file = path.open("a+")
    deadline = time.monotonic() + wait_seconds
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() < deadline:
                time.sleep(0.05)
                continue
            file.seek(0)
            holder = file.read().strip() or "unknown"
            file.close()
            raise AlreadyServedError(
                f"process {holder} serves this instance already; stop it first, or use another "
                "with --instance"
            ) from None
        file.seek(0)
        file.truncate()
        file.write(str(os.getpid()))
        file.flush()
        return file


def application() -> Flask:
    """Make the application of the instance that the environment names; the server calls this."""
    zoneinfo.reset_tzpath(())  # as the commands do
    # Ctrl-C reaches this process too, and who started it passes it on as another signal: of two at
    # a time the server makes a wait that never ends.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    chosen = settings.load(settings.served_instance())
    held = lock(chosen.lock_file, WAIT_SECONDS)
    instance = instances.open_instance(chosen)
    scheduler = timetable.start(instance)

    def stop() -> None:
        scheduler.shutdown()
        instance.close()
        held.close()

    # The server ends this process without running what is registered with atexit.
    Finalize(None, stop, exitpriority=10)
    return create_app(instance)


def _end_with_parent() -> None:
    """Stop once the process that started this one is gone, and nobody else would stop it."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    parent.join()
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(STOP_SECONDS)
    os.kill(os.getpid(), signal.SIGKILL)
