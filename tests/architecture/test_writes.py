"""Writing: only by actions, rows locked by name and strength, messages only after the commit."""

import ast
import json
import re
from fnmatch import fnmatch
from pathlib import Path

from django.apps import apps

from compliance.ledger.kind_files import FOLDER, KINDS
from spa_ops.unit.tables import SyncedModel
from tests.architecture.sources import Module, calls, modules, words

WRITES = {"update", "delete", "bulk_update", "bulk_create", "create", "get_or_create", "update_or_create"}  # fmt: skip
#: Write code that is no action, and why.
WRITERS = {
    "spa_ops/unit/rows.py": "the one place that writes synced rows and publishes them",
    "spa_ops/tenancy/sealing.py": "keys are made where something is sealed for the first time",
    "services/imports/staging.py": "rows of a file wait here before one action applies them",
    "services/imports/visit_plans.py": "applied by one action, and published with it",
}


def _synced() -> set[str]:
    return {m.__name__ for m in apps.get_models() if issubclass(m, SyncedModel)} | {"Business"}


def _of_manager(node: ast.Call) -> str | None:
    """The model's name in `Model.objects.filter(...).update(...)`, or None."""
    found = re.search(r"(\w+)\.(objects|_default_manager)\b", ast.unparse(node.func))
    return found[1] if found else None


def test_only_actions_write_through_a_manager():
    wrong = [
        module.at(node)
        for module in modules()
        if not module.is_actions and module.name not in WRITERS
        for node, name in calls(module)
        if name in WRITES and _of_manager(node)
    ]
    assert not wrong


def test_synced_rows_are_changed_by_put_alone():
    # Whoever writes past it leaves devices with an old row: no version, no change in the feed.
    synced = _synced()
    wrong = [
        module.at(node)
        for module in modules()
        if module.name != "spa_ops/unit/rows.py"
        for node, name in calls(module)
        if name in {"update", "delete"} and _of_manager(node) in synced
    ]
    assert not wrong


def test_every_row_lock_says_what_it_locks_and_how_hard():
    # FOR UPDATE of a parent row waits for every insert of a child: FOR NO KEY UPDATE does not.
    locks = [(m, n) for m in modules() for n, name in calls(m) if name == "select_for_update"]
    wrong = [m.at(n) for m, n in locks if not {"of", "no_key"} <= {k.arg for k in n.keywords}]
    assert locks
    assert not wrong


def test_messages_leave_only_after_the_commit():
    wrong = []
    for module in modules():
        after = {
            id(inner)
            for node, name in calls(module)
            if name == "on_commit"
            for inner in ast.walk(node)
        }
        sent = (n for n, name in calls(module) if name in {"delay", "apply_async", "send_task"})
        wrong += [module.at(n) for n in sent if id(n) not in after]
    assert not wrong


def _evidence_kinds() -> dict[str, str]:
    """Kinds that code gives to a function that records evidence -> where; `visit.*` for a made-up one."""
    found = {}
    for module in modules():
        for node, name in calls(module):
            if name.endswith("evidence") and node.args:
                found |= {kind: module.at(node) for kind in _kinds_in(node.args[0])}
    return found


def _kinds_in(node: ast.AST) -> set[str]:
    if isinstance(node, ast.JoinedStr):
        return {"".join(v.value if isinstance(v, ast.Constant) else "*" for v in node.values)}
    return set(words(node))


def _schema_kinds() -> set[str]:
    return {path.name.rpartition(".v")[0] for path in FOLDER.glob("*.json")}


def test_every_kind_of_evidence_in_code_has_its_schema():
    used, known = _evidence_kinds(), _schema_kinds()
    assert used
    assert {k: at for k, at in used.items() if not any(fnmatch(s, k) for s in known)} == {}


def test_every_schema_is_of_a_kind_that_code_records():
    said = {word for module in modules() for word in words(module.tree)}
    made_up = {kind for kind in _evidence_kinds() if "*" in kind}
    idle = {
        kind
        for kind in _schema_kinds() - said
        if not any(fnmatch(kind, m) and kind.partition(".")[2] in said for m in made_up)
    }
    assert idle == set()
    assert all(KINDS.latest(kind).kind == kind for kind in _schema_kinds())


def test_facts_hold_codes_ids_and_times_and_health_is_personal():
    # What is never erased must not say anything about a client's body.
    spoken = re.compile(r"note|text|answer|finding|declar|comment|description")
    wrong = {
        path.name: field
        for path in sorted(Path(FOLDER).glob("*.json"))
        for field in _facts(path)
        if spoken.search(field)
    }
    assert not wrong


def _facts(path: Path) -> list[str]:
    return list(json.loads(path.read_text(encoding="utf-8"))["facts"])


def test_no_action_is_called_by_a_rule_or_a_query():
    def imports(module: Module) -> set[str]:
        return {
            (n.module or "") + "." + a.name
            for n in ast.walk(module.tree)
            if isinstance(n, ast.ImportFrom)
            for a in n.names
        }

    readers = [m for m in modules() if {"rules", "queries", "rules.py", "queries.py"} & set(m.path.parts)]  # fmt: skip
    wrong = {m.name: [i for i in imports(m) if ".actions" in i] for m in readers}
    assert {name: found for name, found in wrong.items() if found} == {}
