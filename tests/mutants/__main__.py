"""`python -m tests.mutants`: change the screening engine in one place after the other; the tests must notice.

Each mutant is written into a copy of the program and the tests of screening run on it until one
fails. What none notices is listed, and ends the run with 1, unless `EQUIVALENT` says why it can be
no other verdict. Takes minutes, so it is not part of `make test`. `-j 2`, and modules by name.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from queue import Queue

from tests.mutants.equivalent import EQUIVALENT
from tests.mutants.making import Mutant, mutants

ROOT = Path(__file__).resolve().parents[2]
RULES = Path("clients/rules")
MODULES = ("engine", "spans", "dates", "areas", "told", "foresight")
#: The quickest to notice come first.
TESTS = [
    *(
        f"tests/clients/rules/test_{name}.py"
        for name in ("engine", "published_numbers", "dates", "areas")
    ),
    "tests/clients/test_told.py",
    *(
        f"tests/clients/rules/test_{name}.py"
        for name in ("foresight", "every_rule", "each_rule_on_any_day", "laws")
    ),
]
PYTEST = ["-q", "-x", "-n", "0", "-p", "no:randomly", "-p", "no:cacheprovider", "--no-header"]
#: A mutant that runs for ever is one that was noticed.
SECONDS = 180


@contextmanager
def copies(count: int) -> Iterator["Queue[Path]"]:
    """So many copies of the program, to be taken and given back."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        free: Queue[Path] = Queue()
        for n in range(count):
            copy = Path(folder) / str(n)
            ignored = shutil.ignore_patterns(".venv", ".data", ".git", "__pycache__", ".*_cache")
            shutil.copytree(ROOT, copy, ignore=ignored)
            free.put(copy)
        yield free


def is_noticed(copy: Path, module: Path, mutant: Mutant) -> bool:
    """Whether a test fails on the mutant."""
    original = (ROOT / module).read_text(encoding="utf-8")
    (copy / module).write_text(mutant.source, encoding="utf-8")
    environment = {**os.environ, "SPA_OPS_ENV": "test", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        run = subprocess.run(
            [sys.executable, "-m", "pytest", *PYTEST, *TESTS],
            cwd=copy,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return True
    finally:
        (copy / module).write_text(original, encoding="utf-8")
    return run.returncode != 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("-j", dest="jobs", type=int, default=2)
    parser.add_argument("modules", nargs="*", default=MODULES)
    given = parser.parse_args()
    made = [
        (RULES / f"{name}.py", mutant)
        for name in given.modules
        for mutant in mutants((ROOT / RULES / f"{name}.py").read_text(encoding="utf-8"))
    ]
    survivors, done = [], 0
    with copies(given.jobs) as free, ThreadPoolExecutor(given.jobs) as pool:

        def tried(one: tuple[Path, Mutant]) -> bool:
            copy = free.get()
            try:
                return is_noticed(copy, *one)
            finally:
                free.put(copy)

        if not given.modules or is_noticed(
            free.queue[0],
            made[0][0],
            Mutant("nothing changed", (ROOT / made[0][0]).read_text(encoding="utf-8")),
        ):
            print("The tests fail as they are.")
            return 2
        for (module, mutant), noticed in zip(made, pool.map(tried, made), strict=True):
            done += 1
            name = f"{module.stem} {mutant.says}"
            if not noticed and name not in EQUIVALENT:
                survivors.append(name)
                print(f"survives: {name}", flush=True)
            if done % 25 == 0:
                print(f"{done} of {len(made)}", file=sys.stderr, flush=True)
    print(f"{len(made)} mutants, {len(survivors)} survive.")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
