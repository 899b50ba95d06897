"""`python -m tests.mutants`: change the screening engine in one place after the other; the tests must notice.

Each mutant takes the module's place in a process of its own, where the tests of screening run until
one fails. What none notices is listed, and ends the run with 1, unless `EQUIVALENT` says why it can
be no other verdict. Takes minutes, so it is not part of `make test`. `-j 2`, and modules by name.
"""

import argparse
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.mutants.equivalent import EQUIVALENT
from tests.mutants.making import Mutant, mutants

ROOT = Path(__file__).resolve().parents[2]
MODULES = ("engine", "spans", "dates", "areas", "told", "foresight")
#: The quickest to notice come first.
TESTS = [
    *(
        f"tests/clients/rules/test_{name}.py"
        for name in ("engine", "published_numbers", "dates", "areas", "foresight")
    ),
    "tests/clients/test_told.py",
    *(
        f"tests/clients/rules/test_{name}.py"
        for name in ("every_rule", "each_rule_on_any_day", "laws")
    ),
]
PYTEST = [
    "-q",
    "-x",
    "-c",
    os.devnull,
    "--rootdir",
    str(ROOT),
    "--noconftest",
    "--no-header",
    "--tb=no",
]
PYTEST += [f"-pno:{name}" for name in ("randomly", "cacheprovider", "django", "xdist")]
#: A mutant that runs for ever is one that was noticed.
SECONDS = 120


class Instead(MetaPathFinder, Loader):
    """Gives the mutant where its module is imported."""

    def __init__(self, module: str, source: str) -> None:
        self.module, self.source = module, source

    def find_spec(self, name: str, *_: Any) -> ModuleSpec | None:
        return spec_from_loader(name, self) if name == self.module else None

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.source, self.module, "exec"), module.__dict__)


def is_noticed(module: str, mutant: Mutant) -> bool:
    """Whether a test fails on the mutant. Forks, so that every import is the child's own."""
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        signal.alarm(SECONDS)
        sys.meta_path.insert(0, Instead(f"clients.rules.{module}", mutant.source))
        os._exit(int(pytest.main([*PYTEST, *TESTS])))
    return os.waitpid(child, 0)[1] != 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("-j", dest="jobs", type=int, default=2)
    parser.add_argument("modules", nargs="*", default=MODULES)
    given = parser.parse_args()
    os.chdir(ROOT)
    # Not the program's modules: those are the child's to import.
    import hypothesis  # noqa: F401
    import jsonschema  # noqa: F401
    import yaml  # noqa: F401

    made = []
    for name in given.modules:
        source = (ROOT / "clients" / "rules" / f"{name}.py").read_text(encoding="utf-8")
        if is_noticed(name, Mutant("nothing", 0, source)):
            print("The tests fail as they are.")
            return 2
        made += [(name, mutant) for mutant in mutants(source)]
    survivors = []
    with ThreadPoolExecutor(given.jobs) as pool:
        tried = pool.map(lambda one: is_noticed(*one), made)
        for n, ((module, mutant), noticed) in enumerate(zip(made, tried, strict=True), 1):
            if not noticed and (module, mutant.says) not in EQUIVALENT:
                survivors.append(mutant)
                print(f"survives: {module} {mutant.line}: {mutant.says}", flush=True)
            if n % 25 == 0:
                print(f"{n} of {len(made)}", file=sys.stderr, flush=True)
    print(f"{len(made)} mutants, {len(survivors)} survive.")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
