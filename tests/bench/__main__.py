"""`python -m tests.bench NAME ...`: run benchmarks by name, or all, each in a process of its own."""

import signal
import subprocess
import sys
from pathlib import Path

from spa_ops.launch.processes import leashed

KNOWN = sorted(file.stem for file in Path(__file__).parent.glob("[a-z]*.py"))


def run(name: str) -> int:
    """One benchmark; being asked to end is passed on, so that it can clean up. Its exit code."""
    process = subprocess.Popen(leashed([sys.executable, "-m", f"tests.bench.{name}"]))
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    # Ctrl-C reaches it by itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return process.wait()


def main(names: list[str]) -> int:
    unknown = [name for name in names if name not in KNOWN]
    if unknown:
        print(f"There is no benchmark {unknown[0]!r}; there are: {', '.join(KNOWN)}.")
        return 2
    codes = [run(name) for name in names or KNOWN]
    return 1 if any(codes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
