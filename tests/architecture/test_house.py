"""The house: import contracts, sizes, names, a README in each app, no migration forgotten."""

import ast
import re
import tomllib

import pytest
from django.apps import apps
from django.core.management import call_command
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

from tests.architecture.sources import PACKAGES, ROOT, Module, calls, modules

MOST_LINES = 400
#: Names that say nothing about what is inside.
NOTHING_SAID = {"utils", "util", "helpers", "helper", "common", "misc", "manager", "info", "data"}


def test_the_import_contracts_hold(capsys):
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml")) == EXIT_STATUS_SUCCESS, (
        capsys.readouterr().out
    )


def test_every_package_has_its_layer():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = {c["id"]: c for c in settings["tool"]["importlinter"]["contracts"]}
    layered = set(re.findall(r"[a-z_][a-z_.]*", " ".join(contracts["layers"]["layers"])))
    below = [p for top in ("spa_ops", "compliance") for p in sorted((ROOT / top).iterdir())]
    found = {str(p.relative_to(ROOT)).replace("/", ".").removesuffix(".py") for p in below if p.suffix in {"", ".py"} and not p.name.startswith("__")}  # fmt: skip
    assert found | (set(PACKAGES) - {"spa_ops", "compliance"}) <= layered


def test_no_module_is_longer_than_a_page_can_hold():
    long = {m.name: m.text.count("\n") for m in modules() if m.text.count("\n") > MOST_LINES}
    assert not long, f"more than {MOST_LINES} lines: make each a package"


def test_no_module_is_named_after_nothing():
    assert not [m.name for m in modules() if m.path.stem in NOTHING_SAID]


def test_every_module_with_something_in_it_says_what_lives_there():
    trivial = ("apps", "urls", "serializers")
    silent = [
        m.name
        for m in modules()
        if m.tree.body and not ast.get_docstring(m.tree) and not m.path.stem.endswith(trivial)
    ]
    assert not silent


def test_what_others_call_is_documented_and_annotated():
    wrong = []
    for module in modules():
        if not module.is_actions and module.path.stem not in {"rules", "queries"}:
            continue
        for node in module.tree.body:
            if isinstance(node, ast.FunctionDef) and _is_offered(node.name, module):
                arguments = [*node.args.args, *node.args.kwonlyargs]
                annotated = node.returns and all(a.annotation for a in arguments)
                if not (annotated and ast.get_docstring(node)):
                    wrong.append(f"{module.at(node)} {node.name}")
    assert not wrong


def _is_offered(name: str, module: Module) -> bool:
    """Whether a function is for others: by its name, and in a package by the package's own list."""
    package = module.path.with_name("__init__.py")
    in_package = module.path.parent.name == "actions"
    listed = not in_package or re.search(rf"\b{name}\b", package.read_text(encoding="utf-8"))
    return not name.startswith("_") and bool(listed)


def test_every_app_says_what_it_owns():
    names = {c.name for c in apps.get_app_configs() if c.name.split(".")[0] in PACKAGES}
    parts = (names - {"spa_ops"}) | {"spa_ops.kernel", "spa_ops.launch"}
    wrong = {}
    for name in parts:
        readme = ROOT / name.replace(".", "/") / "README.md"
        lines = readme.read_text(encoding="utf-8").splitlines() if readme.exists() else []
        if not 3 <= len(lines) <= 20:
            wrong[name] = len(lines)
    assert len(parts) > 2
    assert not wrong, "each app has a README.md of about 10 lines"


def test_no_migration_is_missing(db):
    try:
        call_command("makemigrations", "--check", "--dry-run", verbosity=0)
    except SystemExit:
        pytest.fail("models changed without a migration")


def test_only_post_migrate_is_listened_to():
    # A signal hides who writes what. The Celery programs' own start-up signals are not about rows.
    wrong = [
        module.at(node)
        for module in modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.ImportFrom)
        and (node.module or "").startswith("django.")
        and (node.module or "").endswith("signals")
        and {a.name for a in node.names} - {"post_migrate"}
    ]
    assert not wrong


#: Where the wall clock may be read: its own module, and what runs before or beside the program.
CLOCK_READERS = ("spa_ops/kernel/clock.py", "spa_ops/launch/", "services/demo_day/")


def test_the_clock_is_read_in_one_place():
    # Ids need a millisecond but no truth, so kernel.ids may read it; monotonic clocks are no clocks.
    wrong = [
        module.at(node)
        for module in modules()
        if not module.name.startswith(CLOCK_READERS)
        for node, name in calls(module)
        if isinstance(node.func, ast.Attribute)
        and (
            (name in {"now", "utcnow", "today"} and ast.unparse(node.func.value) in {"datetime", "timezone", "date", "datetime.datetime"})
            or ast.unparse(node.func) in {"time.time", "time.localtime", "time.gmtime"}
        )
    ]  # fmt: skip
    assert not wrong
