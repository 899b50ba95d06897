"""Problems: each has a text, one slug, is raised by something, and is in the OpenAPI document."""

import ast
from collections import Counter

from drf_spectacular.generators import SchemaGenerator

from spa_ops.kernel.problems import Problem
from tests.architecture.sources import PACKAGES, modules

#: Problems that no operation documents, and why.
NOT_IN_OPENAPI = {
    "intake-link-over": "answered by a page for clients, not by the API",
    "intake-sent-already": "answered by a page for clients, not by the API",
    "internal-error": "a 500 is a bug, never an answer to expect",
    "method-not-allowed": "no operation: this method is not served there",
}


def _problems() -> list[type[Problem]]:
    found, stack = [], [Problem]
    while stack:
        kind = stack.pop()
        stack.extend(kind.__subclasses__())
        if kind.slug and kind.__module__.split(".")[0] in PACKAGES:
            found.append(kind)
    return found


def test_slugs_are_unique_and_plain():
    counts = Counter(kind.slug for kind in _problems())
    assert [slug for slug, n in counts.items() if n > 1] == []
    assert [
        slug for slug in counts if slug != slug.lower() or not slug.replace("-", "").isalnum()
    ] == []


def test_every_problem_has_a_title_a_text_and_a_status_of_http():
    wrong = [
        kind.slug
        for kind in _problems()
        if not (kind.title and "__doc__" in vars(kind) and kind.catalogue_text())
        or not 400 <= kind.status < 600
    ]
    assert not wrong


def test_every_problem_is_raised_somewhere():
    # Named in an expression of an actions, rules or web module: raised, made, or given to be raised.
    # An import, or a view's list of what it may answer, raises nothing.
    used = set()
    for module in modules():
        listed = {id(n) for view in _lists(module.tree) for n in ast.walk(view)}
        for node in ast.walk(module.tree):
            if id(node) not in listed and isinstance(node, ast.Name | ast.Attribute):
                used.add(node.id if isinstance(node, ast.Name) else node.attr)
    assert not [kind.__name__ for kind in _problems() if kind.__name__ not in used]


def _lists(tree: ast.Module) -> list[ast.Assign]:
    """Assignments to `problems` in classes, and to capitals: lists of what may be answered."""
    return [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        and any(isinstance(t, ast.Name) and (t.id == "problems" or t.id.isupper()) for t in node.targets)
    ]  # fmt: skip


def test_every_problem_is_in_the_openapi_document():
    document = SchemaGenerator().get_schema(request=None, public=True)
    said = set()
    for methods in document["paths"].values():
        for operation in methods.values():
            for answer in operation["responses"].values():
                said |= set(answer["description"].removeprefix("Problem: ").split(", "))
    missing = {kind.slug for kind in _problems()} - said
    assert missing == NOT_IN_OPENAPI.keys()


def test_every_problem_can_be_told_again_without_what_it_named():
    # The stored outcome of a refused command keeps the slug alone: by now other things may be in the way.
    for kind in _problems():
        assert kind().detail is not None, kind
