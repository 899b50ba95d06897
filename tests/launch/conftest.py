"""Data folders whose servers are stopped again, whatever the test did to them."""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from spa_ops.launch import embedded


@pytest.fixture(scope="session")
def open_folder() -> Iterator[Path]:
    """A folder that the server's user may pass through; pytest's own are closed to all others."""
    # In memory where the system has such a place: creating twenty clusters is mostly waiting for a disk.
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="spa-ops-test-", dir=memory if memory.is_dir() else None))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def place(open_folder: Path) -> Path:
    """A folder of this test's own inside it."""
    folder = Path(tempfile.mkdtemp(dir=open_folder))
    folder.chmod(0o755)
    return folder


@pytest.fixture(scope="module")
def shared_server(open_folder: Path) -> Iterator[embedded.Server]:
    """One running server for the tests that only look at it."""
    server = embedded.ensure(open_folder / "shared")
    yield server
    embedded.stop(server)


@pytest.fixture
def ensure(place: Path) -> Iterator[Callable[..., embedded.Server]]:
    """`embedded.ensure` on a folder of this test's own; what it started is stopped at the end."""
    started: list[embedded.Server] = []

    def ensure_in(folder: str = "data", **options: bool) -> embedded.Server:
        started.append(embedded.ensure(place / folder, **options))
        return started[-1]

    yield ensure_in
    for server in started:
        embedded.stop(server)
