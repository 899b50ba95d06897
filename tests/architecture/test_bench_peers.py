"""The benchmark's peer keeps the columns that our API shows: else it would be measured with less to do."""

import ast
from pathlib import Path

from services.bodies.visits import LINE_SCHEMA, VISIT

PEER = Path(__file__).parents[1] / "bench" / "peers" / "read_site" / "models.py"


def columns(name):
    tree = ast.parse(PEER.read_text(encoding="utf-8"))
    (found,) = (node for node in tree.body if isinstance(node, ast.ClassDef) and node.name == name)
    return {node.targets[0].id for node in found.body if isinstance(node, ast.Assign)}


def test_the_peer_of_the_read_benchmark_has_what_a_visit_shows():
    assert columns("PeerVisit") == set(VISIT.schema["properties"]) - {"lines"}
    assert columns("PeerLine") - {"visit"} == set(LINE_SCHEMA["properties"])
