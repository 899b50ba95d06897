"""Stops the embedded server when its last user is gone, also when that one was killed.

Run as a process of its own: `python -m spa_ops.launch.keeper HOME`. It waits on a lock, so it costs
nothing; the kernel gives it the lock when the last process that used the server has ended.
"""

import subprocess
import sys
from pathlib import Path

from spa_ops.launch import account, binaries, cluster, locks


def watch(home: Path) -> None:
    """Start a keeper for the server in `home` unless one is there."""
    root = Path(__file__).resolve().parents[2]
    # Through a shell that ends at once: the keeper must outlive us and be nobody's child to wait for.
    subprocess.run(
        ["/bin/sh", "-c", '"$@" &', "sh", sys.executable, "-m", "spa_ops.launch.keeper", str(home)],
        cwd=root,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        check=True,
    )


def main(home: Path) -> None:
    """Wait for the last user to go, then stop the server."""
    mine = locks.FileLock(home / locks.KEEPER)
    if not mine.try_take():
        return
    users = locks.FileLock(home / locks.USERS)
    users.take()
    who = account.server_account()
    programs = cluster.usable(binaries.find(), who, home)
    cluster.halt(cluster.Place(home=home, account=who, binaries=programs))
    # In this order: who waits for the users' lock next must be able to start a new keeper.
    mine.close()
    users.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
