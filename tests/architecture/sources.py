"""The program's own source, parsed once, for tests that read it."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("spa_ops", "compliance", "clients", "rooms", "services")


@dataclass(frozen=True, slots=True)
class Module:
    """One module of the program: no test, no migration."""

    path: Path
    text: str
    tree: ast.Module

    @property
    def name(self) -> str:
        return str(self.path.relative_to(ROOT))

    @property
    def is_actions(self) -> bool:
        """Whether it belongs to a write layer."""
        return any(part.startswith("actions") for part in self.path.relative_to(ROOT).parts)

    def at(self, node: ast.AST) -> str:
        return f"{self.name}:{getattr(node, 'lineno', '?')}"


@cache
def modules() -> list[Module]:
    """Every module of the program."""
    paths = sorted(p for package in PACKAGES for p in (ROOT / package).rglob("*.py"))
    return [
        Module(path, text, ast.parse(text))
        for path in paths
        if "migrations" not in path.parts
        for text in [path.read_text(encoding="utf-8")]
    ]


def calls(module: Module) -> Iterator[tuple[ast.Call, str]]:
    """Every call with the last part of what is called: `a.b.c()` is `c`."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            yield node, called(node)


def called(node: ast.Call) -> str:
    """The last part of what a call calls."""
    function = node.func
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def words(node: ast.AST) -> Iterator[str]:
    """Every text constant within a node."""
    for inner in ast.walk(node):
        if isinstance(inner, ast.Constant) and isinstance(inner.value, str):
            yield inner.value
