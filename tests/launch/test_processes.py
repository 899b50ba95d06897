"""Supervision, with real processes: what starts together ends together."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from spa_ops.launch import processes
from spa_ops.launch.processes import Family
from spa_ops.launch.refusals import LaunchRefused

ROOT = Path(__file__).resolve().parents[2]
# Starts a grandchild, writes both numbers, and ignores the polite way to be ended.
STUBBORN = (
    "import os, signal, subprocess, sys, time\n"
    "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
    "other = subprocess.Popen(['sleep', '100'])\n"
    "open(sys.argv[1], 'w').write(f'{os.getpid()} {other.pid}')\n"
    "time.sleep(100)"
)
POLITE = STUBBORN.replace("signal.signal(signal.SIGTERM, signal.SIG_IGN)\n", "")


@pytest.fixture
def family(tmp_path: Path) -> Iterator[Family]:
    family = Family(logs=tmp_path / "logs", environment=os.environ, folder=tmp_path)
    yield family
    family.stop()


def numbers_in(file: Path) -> list[int]:
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        if file.exists() and len(file.read_text().split()) == 2:
            return [int(word) for word in file.read_text().split()]
        time.sleep(0.02)
    raise AssertionError("the process did not come up")


def is_running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def end_within(pids: list[int], seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if not any(is_running(pid) for pid in pids):
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize("code", [STUBBORN, POLITE], ids=["stubborn", "polite"])
def test_stopping_leaves_no_process_of_the_group(
    family: Family, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    monkeypatch.setattr(processes, "GRACE_SECONDS", 1.0)
    family.start("web", [sys.executable, "-c", code, str(tmp_path / "pids")])
    pids = numbers_in(tmp_path / "pids")
    family.check()
    family.stop()
    assert end_within(pids, 2)


def test_a_child_that_dies_shows_its_last_words(family: Family) -> None:
    code = "import sys; print('\\n'.join(str(n) for n in range(100)), flush=True); sys.exit('no such table')"
    child = family.start("worker", [sys.executable, "-c", code])
    while not child.has_ended():
        time.sleep(0.02)
    with pytest.raises(LaunchRefused, match="worker process ended with exit code 1") as refusal:
        family.check()
    words = str(refusal.value).splitlines()
    assert "  no such table" in words
    assert len(words) == 1 + processes.LAST_LINES


def test_a_killed_child_is_said_to_be_killed(family: Family) -> None:
    child = family.start("beat", ["sleep", "100"])
    family.check()
    child.process.kill()
    while not child.has_ended():
        time.sleep(0.02)
    with pytest.raises(LaunchRefused, match="beat process ended by signal 9"):
        family.check()


def test_a_missing_program_is_named(family: Family) -> None:
    child = family.start("web", ["/nonexistent/program"])
    while not child.has_ended():
        time.sleep(0.02)
    with pytest.raises(LaunchRefused, match="/nonexistent/program: No such file"):
        family.check()


def test_a_full_disk_is_told_from_other_ends(family: Family) -> None:
    code = "import errno, os; raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))"
    child = family.start("web", [sys.executable, "-c", code])
    while not child.has_ended():
        time.sleep(0.02)
    with pytest.raises(LaunchRefused, match=r"^The web process stopped: the disk is full\.$"):
        family.check()


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel ends orphans on Linux only")
def test_children_notice_when_the_launcher_is_killed(tmp_path: Path) -> None:
    code = (
        "import os, sys, time; from pathlib import Path; from spa_ops.launch.processes import Family\n"
        "family = Family(logs=Path(sys.argv[1]), environment=os.environ, folder=Path('/'))\n"
        "child = family.start('web', ['sleep', '100']); print(child.process.pid, flush=True)\n"
        "time.sleep(100)"
    )
    launcher = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert launcher.stdout is not None
    child = int(launcher.stdout.readline())
    time.sleep(0.5)  # until the leash is on
    assert is_running(child)
    launcher.send_signal(signal.SIGKILL)
    launcher.communicate()
    assert end_within([child], 5)


def test_a_process_whose_parent_is_already_gone_does_not_start(tmp_path: Path) -> None:
    """As when the launcher is killed between starting it and the leash."""
    command = [sys.executable, str(processes.LEASH), "1", "touch", str(tmp_path / "ran")]
    assert subprocess.run(command, check=False).returncode == 1
    assert not (tmp_path / "ran").exists()
