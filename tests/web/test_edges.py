"""Values at the edge of what their kind allows, in each field of each endpoint: answered, never a 500."""

import copy
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import pytest
from rest_framework import serializers as s

from tests.web.access_matrix import Endpoint, endpoints
from tests.web.sample_requests import (
    QUERIES,
    Ids,
    body_of,
    path_of,
    rows_to_try,
    version_of,
)
from tests.world import BUSINESS, uid

pytestmark = pytest.mark.usefixtures("busy_database")

OWN = Ids(business=BUSINESS, person=uid("petra"))
#: The first and last instants that Python has are beyond them in another offset.
INSTANTS = ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "0906-03-10T15:53:34Z",
            "1600-01-01T00:00:00Z", "9999-12-31T00:00:00Z", "2026-05-06T12:00:00", "2026-03-08T02:30:00"]  # fmt: skip
DAYS = ["0001-01-01", "9999-12-31", "1900-02-29", "2026-02-29"]
EDGES: dict[type[s.Field], list[Any]] = {
    s.DateTimeField: INSTANTS,
    s.DateField: DAYS,
    s.IntegerField: [0, -1, 2**31 - 1, 2**31, 2**63, 10**30, 1.5, True],
    s.DecimalField: ["0", "-1", "1e-30", "1e30", "NaN", "Infinity", 10**30],
    s.CharField: ["", " ", "x" * 5000, "\u202e", "é" * 40, "'; --", 0],
    s.ListField: [[], [None], {}, ["x"] * 1000],
    s.UUIDField: ["", "x", "00000000-0000-0000-0000-000000000000", 1],
    s.JSONField: [[], {}, None, {"": {}}, {"mon": [["x"]]}, {"mon": [[1, 2]]}, {"mon": 1}],
}
QUERY_EDGES = {
    "uuid": ["x", "00000000-0000-0000-0000-000000000000"],
    "date": [*DAYS, "x"],
    "datetime": [*INSTANTS, "x"],
    "bool": ["true", "false", "1"],
    "int": ["0", "-1", str(2**31 - 1), str(2**63), "1e3", "x", "٣"],
    "str": ["\u0000", "x" * 201, "'", "%"],
}
COMMANDS = {e.name: e for e in endpoints() if getattr(e.view, "input", None) is not None}
READS = {e.name: e for e in endpoints() if e.view.parameters}


def _leaves(shape: s.Serializer, *place: str) -> Iterator[tuple[tuple[str, ...], s.Field]]:
    for name, field in shape.fields.items():
        inner = field.child if isinstance(field, s.ListSerializer) else field
        if isinstance(inner, s.Serializer):
            yield from _leaves(inner, *place, name)
        elif not field.read_only:
            yield (*place, name), field


def _varied(endpoint: Endpoint) -> Iterator[tuple[str, Any, dict[str, Any]]]:
    """The plain body with one field at one edge: (where, value, body)."""
    plain = body_of(endpoint, OWN)
    for place, field in _leaves(endpoint.view.input()):
        for value in next((v for kind, v in EDGES.items() if isinstance(field, kind)), []):
            body = copy.deepcopy(plain)
            _put(body, place, value)
            yield "/".join(place), value, body


def _put(body: dict[str, Any], place: tuple[str, ...], value: Any) -> None:
    for name in place[:-1]:
        inner = body.setdefault(name, {})
        body = inner[0] if isinstance(inner, list) and inner else inner
        if not isinstance(body, dict):
            return
    body[place[-1]] = value


@pytest.mark.parametrize("name", COMMANDS)
def test_no_field_at_its_edge_breaks_a_command(call, name):
    endpoint, broken = COMMANDS[name], []
    caller = call("petra" if "practitioner" in endpoint.roles else "olga")
    # The last row is in another state than the first: what one refuses early the other looks at.
    for at in {0, rows_to_try(endpoint, OWN) - 1}:
        path, headers = path_of(endpoint, OWN, at), {}
        for where, value, body in _varied(endpoint):
            if getattr(endpoint.view, "needs_match", False):
                headers = {"If_Match": f'"{version_of(endpoint, OWN, at)}"'}
            answer = caller.send(endpoint.method, path, body, **headers)
            if answer.status_code >= 500:
                broken.append(f"{where} = {value!r:.60}")
    assert not broken, "\n".join(broken)


@pytest.mark.parametrize("name", READS)
def test_no_parameter_at_its_edge_breaks_a_read(call, name):
    endpoint, broken = READS[name], []
    caller = call("olga" if "owner" in endpoint.roles else "petra")
    for parameter, (kind, _) in endpoint.view.parameters.items():
        for value in QUERY_EDGES[kind]:
            query = urlencode(QUERIES.get(endpoint.name, {}) | {parameter: value})
            answer = caller.get(f"{path_of(endpoint, OWN)}?{query}")
            if answer.status_code >= 500:
                broken.append(f"{parameter} = {value!r:.60}")
    assert not broken, "\n".join(broken)
