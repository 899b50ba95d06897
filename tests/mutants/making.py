"""Mutants of a module: its source with one comparison, bound, operator or constant made another."""

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass

_OTHER_WAY: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_OTHER_NAME = {"max": "min", "min": "max", "any": "all", "all": "any"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """`says` is the line that was changed and how; `source` is the whole module."""

    says: str
    line: int
    source: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every mutant of a module, each with one change; annotations and docstrings are left alone."""
    count = len(list(_changes(ast.parse(source))))
    for n in range(count):
        tree = ast.parse(source)
        line, says, change = list(_changes(tree))[n]
        change()
        text = source.splitlines()[line - 1].strip()
        yield Mutant(
            says=f"{text}: {says}", line=line, source=ast.unparse(ast.fix_missing_locations(tree))
        )


def _changes(tree: ast.AST) -> Iterator[tuple[int, str, Callable[[], None]]]:
    """(line, what it does, the function that does it to the tree), in the order of the source."""
    for node in _parts(tree):
        match node:
            case ast.Compare(ops=ops):
                for i, op in enumerate(ops):
                    for other in _OTHER_WAY[type(op)]:
                        yield node.lineno, f"{_name(op)} -> {other.__name__}", _put(ops, i, other())
            case ast.BoolOp(op=op):
                other_op = ast.Or() if isinstance(op, ast.And) else ast.And()
                yield node.lineno, f"{_name(op)} -> {_name(other_op)}", _set(node, "op", other_op)
            case ast.UnaryOp(op=ast.Not()):
                yield node.lineno, "not dropped", _double(node)
            case ast.BinOp(op=ast.Add()) if not _is_text(node):
                yield node.lineno, "+ -> -", _set(node, "op", ast.Sub())
            case ast.BinOp(op=ast.Sub()):
                yield node.lineno, "- -> +", _set(node, "op", ast.Add())
            case ast.If(test=test) | ast.IfExp(test=test):
                for value in (True, False):
                    yield test.lineno, f"if {value}", _set(node, "test", ast.Constant(value))
            case ast.Constant(value=bool(value)):
                yield node.lineno, f"{value} -> {not value}", _set(node, "value", not value)
            case ast.Constant(value=int(value)):
                yield node.lineno, f"{value} -> {value + 1}", _set(node, "value", value + 1)
            case ast.Call(func=ast.Name(id=name)) if name in _OTHER_NAME:
                yield (
                    node.lineno,
                    f"{name} -> {_OTHER_NAME[name]}",
                    _set(node.func, "id", _OTHER_NAME[name]),
                )


def _parts(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node, but for what stands in decorators: `frozen` or `slots` is no verdict's business."""
    yield tree
    decorators = getattr(tree, "decorator_list", [])
    for child in ast.iter_child_nodes(tree):
        if child not in decorators:
            yield from _parts(child)


def _name(op: ast.AST) -> str:
    return type(op).__name__


def _is_text(node: ast.BinOp) -> bool:
    return any(
        isinstance(side, (ast.JoinedStr, ast.Constant, ast.List))
        for side in (node.left, node.right)
    )


def _put(items: list[ast.cmpop], index: int, new: ast.cmpop) -> Callable[[], None]:
    return lambda: items.__setitem__(index, new)


def _double(node: ast.UnaryOp) -> Callable[[], None]:
    # `not not x`: the truth of x.
    inner = node.operand
    return lambda: setattr(node, "operand", ast.UnaryOp(op=ast.Not(), operand=inner))


def _set(node: ast.AST, name: str, new: object) -> Callable[[], None]:
    return lambda: setattr(node, name, new)
