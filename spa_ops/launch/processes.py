"""Processes that start together and end together: none is left behind, however we end."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from spa_ops.launch.refusals import LaunchRefused, disk_refusal

LEASH = Path(__file__).with_name("leash.py")
#: How long the processes may take to finish what they are doing before they are killed.
GRACE_SECONDS = 15.0
LAST_LINES = 15
WAYS_TO_BE_STOPPED = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Stopped(BaseException):
    """Somebody asked us to end: Ctrl-C, SIGTERM, or the terminal closed."""


def stop_on_signals() -> None:
    """Turn the ways to be asked to end into one exception, the first time."""

    def stop(signum: int, frame: FrameType | None) -> None:
        for each in WAYS_TO_BE_STOPPED:
            signal.signal(each, signal.SIG_IGN)
        raise Stopped

    for each in WAYS_TO_BE_STOPPED:
        signal.signal(each, stop)


def leashed(command: Sequence[str]) -> list[str]:
    """`command` such that the kernel ends it when this process is killed, where it can (Linux)."""
    return [sys.executable, "-I", "-S", str(LEASH), str(os.getpid()), *command]


@dataclass(slots=True, kw_only=True)
class Child:
    """One process of the program and the file that its words go to."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path

    def last_lines(self) -> str:
        lines = self.log.read_text(errors="replace").splitlines()
        return "\n".join(f"  {line}" for line in lines[-LAST_LINES:]) or "  (it said nothing)"

    def has_ended(self) -> bool:
        """Whether it has, without collecting it: until then its group's number is nobody else's."""
        if self.process.returncode is not None:
            return True
        flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
        return os.waitid(os.P_PID, self.process.pid, flags) is not None

    def end(self, deadline: float) -> None:
        """Wait until `deadline`, then kill it and what is left of its group."""
        while not self.has_ended() and time.monotonic() < deadline:
            time.sleep(0.02)
        if self.process.returncode is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()


@dataclass(slots=True, kw_only=True)
class Family:
    """The children of one launch, in the order of their start; they are ended in the same order."""

    logs: Path
    environment: Mapping[str, str]
    folder: Path
    children: list[Child] = field(default_factory=list)

    def start(self, name: str, command: Sequence[str]) -> Child:
        """Start a process in a group of its own, so that a Ctrl-C at the terminal reaches only us."""
        log = self.logs / f"{name}.log"
        try:
            self.logs.mkdir(parents=True, exist_ok=True)
            with log.open("wb") as words:
                process = subprocess.Popen(
                    leashed(command),
                    cwd=self.folder,
                    env=dict(self.environment),
                    stdin=subprocess.DEVNULL,
                    stdout=words,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                )
        except OSError as error:
            raise disk_refusal(error, log) from error
        self.children.append(Child(name=name, process=process, log=log))
        return self.children[-1]

    def check(self) -> None:
        """Raise LaunchRefused, with its last words, when a child has ended by itself."""
        for child in self.children:
            if not child.has_ended():
                continue
            words = child.last_lines()
            child.end(0)
            if "No space left on device" in words:
                raise LaunchRefused(f"The {child.name} process stopped: the disk is full.")
            code = child.process.returncode
            how = f"with exit code {code}" if code >= 0 else f"by signal {-code}"
            raise LaunchRefused(f"The {child.name} process ended {how}; its last words:\n{words}")

    def stop(self) -> None:
        """Ask each to end, wait, and kill what is left of its group."""
        for child in self.children:
            if not child.has_ended():
                child.process.terminate()
        deadline = time.monotonic() + GRACE_SECONDS
        for child in self.children:
            child.end(deadline)
        self.children.clear()
