"""Schemas of entry kinds: what fits, what does not, and that the shipped files are sound."""

import json
from datetime import UTC, date, datetime
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.ledger.kind_files import FOLDER, KINDS, load
from compliance.ledger.rules.format import canonical_json
from compliance.ledger.rules.kinds import (
    TYPES,
    BodyDoesNotFit,
    SchemaMalformed,
    UnknownKind,
    collect,
    compile_schema,
)
from spa_ops.kernel.clock import rfc3339

RAW = {
    "kind": "example.noted",
    "version": 1,
    "says": "An example.",
    "facts": {
        "id": "uuid",
        "count": "int",
        "label": "str",
        "outcome": "code",
        "done": "bool",
        "on": "date",
        "at": "datetime",
        "amount": "decimal",
        "tags": "list[code]",
        "visit": "uuid?",
        "others": "list[uuid]?",
    },
    "personal": {"note": "str"},
}
FACTS = {
    "id": "01980000-0000-7000-8000-000000000001",
    "count": -3,
    "label": "Lot 7, opened",
    "outcome": "wait_until",
    "done": False,
    "on": "2024-02-29",
    "at": "2026-03-02T10:11:12.000000Z",
    "amount": "0.125",
    "tags": [],
}


def test_a_body_that_fits_passes_and_unknowns_may_be_null_or_left_out():
    schema = compile_schema(RAW)
    schema.check(FACTS)
    schema.check(FACTS, {"note": "a sentence"})
    schema.check(FACTS | {"visit": None, "others": None})
    schema.check(FACTS | {"visit": FACTS["id"], "others": [FACTS["id"], FACTS["id"]]})


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("id", "01980000-0000-7000-8000-00000000000A"),
        ("id", "{01980000-0000-7000-8000-000000000001}"),
        ("id", UUID(int=1)),
        ("id", None),
        ("count", True),
        ("count", 1.0),
        ("count", "1"),
        ("count", 2**53),
        ("label", ""),
        ("label", "x" * 4001),
        ("label", 5),
        ("outcome", "she said so"),
        ("outcome", "wait_until\n"),
        ("done", 0),
        ("on", "2023-02-29"),
        ("on", "20240229"),
        ("on", "2024-W09-4"),
        ("on", "2024-02-29T00:00"),
        ("at", "2026-03-02T10:11:12Z"),
        ("at", "2026-03-02T10:11:12.000000+00:00"),
        ("amount", "1e3"),
        ("amount", "NaN"),
        ("amount", "01"),
        ("amount", 1.5),
        ("tags", "done"),
        ("tags", ["fine", "not fine"]),
        ("tags", [None]),
        ("others", [1]),
        ("unheard_of", 1),
    ],
)
def test_one_wrong_field_is_refused_by_name(field, value):
    with pytest.raises(BodyDoesNotFit) as refused:
        compile_schema(RAW).check(FACTS | {field: value})
    assert len(refused.value.flaws) == 1
    assert f"facts.{field} " in refused.value.flaws[0]


def test_every_flaw_is_named_at_once():
    with pytest.raises(BodyDoesNotFit) as refused:
        compile_schema(RAW).check({"count": "x", "extra": 1}, {"note": 5})
    assert refused.value.kind == "example.noted.v1"
    assert len(refused.value.flaws) == 8 + 1 + 1 + 1  # missing, count, extra, personal note


def test_a_kind_without_a_personal_body_takes_none():
    schema = compile_schema(RAW | {"personal": {}})
    schema.check(FACTS, None)
    with pytest.raises(BodyDoesNotFit, match="no personal body"):
        schema.check(FACTS, {})


@given(st.data())
def test_what_the_kernel_and_python_write_fits_its_type(data):
    fitting = {
        "uuid": st.uuids().map(str),
        "int": st.integers(-(2**53) + 1, 2**53 - 1),
        "bool": st.booleans(),
        "date": st.dates().map(date.isoformat),
        "datetime": st.datetimes(datetime(1001, 1, 1), timezones=st.just(UTC)).map(rfc3339),
        "decimal": st.decimals(-(10**9), 10**9, places=3).map(lambda value: f"{abs(value):f}"),
        "str": st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=50),
        "code": st.from_regex(r"[a-z][a-z0-9_]{0,30}", fullmatch=True),
    }
    assert fitting.keys() == TYPES.keys()
    name = data.draw(st.sampled_from(sorted(TYPES)))
    value = data.draw(fitting[name])
    assert TYPES[name](value)
    canonical_json({"field": value})


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(), st.lists))
def test_whatever_fits_can_be_written_down(value):
    for name, fits in TYPES.items():
        if fits(value) and not (name == "str" and any("\ud800" <= c <= "\udfff" for c in value)):
            canonical_json({"field": value})


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "Example"},
        {"kind": 5},
        {"version": 0},
        {"version": True},
        {"says": " "},
        {"facts": []},
        {"facts": {"id": "guid"}},
        {"facts": {"id": "list[uuid"}},
        {"facts": {"id": "uuid]"}},
        {"facts": {"id": "uuid??"}},
        {"facts": {"id": 5}},
        {"facts": {"Id": "uuid"}},
        {"personal": None},
        {"more": 1},
    ],
)
def test_a_malformed_schema_is_refused(change):
    with pytest.raises(SchemaMalformed):
        compile_schema(RAW | change)


def test_versions_count_up_without_a_gap():
    first, second = compile_schema(RAW), compile_schema(RAW | {"version": 2})
    kinds = collect([second, first])
    assert kinds.latest("example.noted") is second
    assert kinds.schema("example.noted", 1) is first
    for bad in ([second], [first, first], [first, compile_schema(RAW | {"version": 3})]):
        with pytest.raises(SchemaMalformed):
            collect(bad)
    with pytest.raises(UnknownKind):
        kinds.latest("example.unheard_of")
    with pytest.raises(UnknownKind):
        kinds.schema("example.noted", 3)


def test_the_shipped_files_load_and_are_what_the_program_uses():
    schema = load(FOLDER).latest("room.turnover_finished")
    assert schema.says == KINDS.latest("room.turnover_finished").says


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("example.noted.v2.json", json.dumps(RAW)),
        ("example.noted.v1.json", "{"),
        ("example.noted.v1.json", "[]"),
        ("example.noted.v1.json", json.dumps(RAW | {"facts": {"id": "guid"}})),
    ],
)
def test_a_bad_file_is_named(tmp_path, name, text):
    (tmp_path / name).write_text(text)
    with pytest.raises(SchemaMalformed, match=name):
        load(tmp_path)
