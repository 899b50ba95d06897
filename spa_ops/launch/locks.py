"""File locks by which processes share one server: the kernel drops them with the process."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from spa_ops.launch.refusals import disk_refusal

#: Held shared by each process that uses the server; whoever gets it alone may stop the server.
USERS = "users.lock"
#: Held while somebody creates or starts the server.
START = "start.lock"
#: Held by the one keeper of a running server.
KEEPER = "keeper.lock"


class FileLock:
    """One `flock` on one file; closing it, or dying, lets go."""

    def __init__(self, path: Path) -> None:
        try:
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        except OSError as error:
            raise disk_refusal(error, path) from error

    def share(self) -> None:
        fcntl.flock(self._descriptor, fcntl.LOCK_SH)

    def take(self) -> None:
        fcntl.flock(self._descriptor, fcntl.LOCK_EX)

    def try_take(self) -> bool:
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the lock on `path` alone inside the block, waiting for it if need be."""
    lock = FileLock(path)
    lock.take()
    try:
        yield
    finally:
        lock.close()
