"""`make test`, `make check` and `make bench`: the same commands for people and for the build."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from spa_ops.launch import databases, redis_server
from spa_ops.launch.account import make_folder
from spa_ops.launch.instance import ROOT
from spa_ops.launch.processes import leashed
from spa_ops.launch.refusals import LaunchRefused
from spa_ops.launch.run import default_data_dir

BENCHES = ROOT / "tests" / "bench"
CHECKS = {
    "format": ["ruff", "format", "--check", "--output-format", "concise", "."],
    "lint": ["ruff", "check", "--output-format", "concise", "."],
    "types": ["mypy"],
    "missing migrations": ["manage", "makemigrations", "--check", "--dry-run"],
    "settings": ["manage", "check"],
}


def test(arguments: list[str]) -> int:
    """Run pytest against a real PostgreSQL and a real Redis; its own exit code."""
    with _surroundings("test", durable=False) as environment:
        return _stay_with([sys.executable, "-m", "pytest", *arguments], environment)


def bench(names: list[str]) -> int:
    """Run benchmarks by name, or all, on a server with fsync on; their own exit code."""
    known = sorted(file.stem for file in BENCHES.glob("[a-z]*.py"))
    if unknown := [name for name in names if name not in known]:
        raise LaunchRefused(f"There is no benchmark {unknown[0]!r}; there are: {', '.join(known)}.")
    with _surroundings("bench", durable=True) as environment:
        return _stay_with([sys.executable, "-m", "tests.bench", *names], environment)


def check() -> int:
    """Format, lint, types, import contracts, migrations, settings; all are run, 1 when one failed."""
    environment = {**os.environ, "SPA_OPS_ENV": "test"}
    failed = []
    for name, words in {**CHECKS, "import contracts": ["contracts"]}.items():
        print(f"== {name}", flush=True)
        if subprocess.run(_command(words), cwd=ROOT, env=environment, check=False).returncode != 0:
            failed.append(name)
    print(f"Failed: {', '.join(failed)}." if failed else "All checks passed.", flush=True)
    return 1 if failed else 0


def _command(words: list[str]) -> list[str]:
    program, *rest = words
    if program == "manage":
        # It looks for a database first and warns where there is none; the answer needs none.
        return [sys.executable, "-W", "ignore::RuntimeWarning", "manage.py", *rest]
    if program == "contracts":
        code = "from importlinter.cli import lint_imports_command as check; check()"
        return [sys.executable, "-c", code]
    return [sys.executable, "-m", program, *rest]


@contextmanager
def _surroundings(name: str, *, durable: bool) -> Iterator[dict[str, str]]:
    """A database server and a Redis, and the variables that name them; says on stderr which they are."""
    data_dir = default_data_dir() / name
    with ExitStack() as stack:
        if not os.environ.get("DATABASE_URL"):
            make_folder(data_dir)
        rows = stack.enter_context(databases.database(data_dir, durable=durable))
        redis = stack.enter_context(redis_server.redis_for_use())
        print(f"Database: {rows.source}\nRedis: {redis.source}", file=sys.stderr, flush=True)
        yield {**os.environ, **rows.environment, "REDIS_URL": redis.url, "SPA_OPS_ENV": "test"}


def _stay_with(command: list[str], environment: dict[str, str]) -> int:
    """Run `command` on our terminal and pass on what it is told: Ctrl-C reaches it by itself."""
    process = subprocess.Popen(leashed(command), cwd=ROOT, env=environment)
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    try:
        return process.wait()
    finally:
        signal.signal(signal.SIGINT, before)
