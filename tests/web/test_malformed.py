"""Requests that no honest client sends: each is answered with a problem, never with a 500."""

import pytest

from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, uid

BODIES = {
    "half a surrogate pair": (b'{"name": "\\ud800"}', 422),
    "half a pair in a name": (b'{"\\ud800": 1}', 422),
    "not a number": (b'{"name": NaN}', 400),
    "nested": (b"[" * 20_000 + b"]" * 20_000, 400),
    "a list": (b"[1]", 422),
    "a text": (b'"x"', 422),
    "null": (b"null", 422),
    "no UTF-8": (b'{"name": "\xff"}', 400),
    "a byte order mark": (b'\xef\xbb\xbf{"name": "x"}', 400),
    "nothing": (b"", 422),
    "half of it": (b'{"name": "x"', 400),
    "five thousand digits": (b'{"name": ' + b"9" * 5000 + b"}", 400),
    "a NUL": (b'{"name": "\\u0000"}', 422),
    "three megabytes": (b'{"name": "' + b"x" * 3_000_000 + b'"}', 413),
}


@pytest.mark.parametrize("keyed", [{}, {"Idempotency-Key": "k"}])
@pytest.mark.parametrize("what", BODIES)
def test_a_body_that_cannot_be_read_is_a_problem(call, what, keyed):
    body, status = BODIES[what]
    olga = call("olga")
    for path in ("people", f"locations/{LAKE}/rooms", "sign-in"):
        answer = olga.client.generic(
            "POST", f"/api/v1/{path}", body, content_type="application/json",
            headers={**olga.headers, **keyed},
        )  # fmt: skip
        assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")


@pytest.mark.parametrize("value", [10**30, "\ud800", {"a": ["\x00"]}, [], "text", None, True])
def test_free_json_of_the_wrong_kind_is_named_and_changes_nothing(call, value):
    olga = call("olga")
    path = f"locations/{LAKE}"
    for field in ("policies", "opening_hours"):
        answer = olga.patch(path, {field: value}, If_Match='"1"', Idempotency_Key=f"k {field}")
        assert answer.status_code == 422, answer.body
        assert answer.body["errors"][0]["pointer"].partition("/")[2] in {"", field}
    with reading(BUSINESS):
        assert Location.objects.get(id=LAKE).version == 1


def test_another_media_type_is_refused(call):
    olga = call("olga")
    answer = olga.client.generic(
        "POST", "/api/v1/people", b"name=x", content_type="application/x-www-form-urlencoded",
        headers=olga.headers,
    )  # fmt: skip
    assert (answer.status_code, answer.json()["type"]) == (415, "/problems/unsupported-media-type")


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer é", "Basic x", "bearer  x", "Bearer a b"])
def test_a_header_that_proves_nothing_lets_nobody_in(call, header):
    answer = call("").client.get("/api/v1/me", headers={"Authorization": header})
    assert (answer.status_code, answer["WWW-Authenticate"][:6]) == (401, "Bearer")


@pytest.mark.parametrize("etag", ["*", 'W/"1"', '"1", "2"', '"99999999999"', "é", '"-1"', '""'])
def test_an_etag_that_is_none_changes_nothing(call, etag):
    answer = call("lena").patch(f"locations/{LAKE}", {"name": "Other"}, If_Match=etag)
    assert answer.status_code == 400, answer.body
    assert call("lena").get(f"locations/{LAKE}").body["name"] == "Lake"


CURSORS = ["%00", "é", "W10", "WyJhIiwiYiJd", "WzEsMl0", "WyJhIiwiMDFhMjExYzktZTkxMC03MjZkLWEyYTQtZmIyNGNlYTJhMGYwIl0", "e30", "ImEi", "!!!!"]  # fmt: skip


@pytest.mark.parametrize("query", [*(f"cursor={c}" for c in CURSORS), "limit=-1", "limit=0", "limit=1e3", "limit=٣", "limit=201"])  # fmt: skip
def test_a_place_in_a_list_that_nobody_gave_out_is_refused(call, query):
    for path in ("people", f"locations/{LAKE}/visits", f"people/{uid('petra')}/licences"):
        answer = call("olga").get(f"{path}?{query}")
        assert answer.status_code in {400, 422}, (path, answer.body)


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (f"locations/{LAKE}/kits-needed?on=2026-05-09", "?on"),
        (f"locations/{LAKE}/visits?dya=2026-05-09&limit=5", "?dya"),
        ("people?page=2", "?page"),
        ("services?%F0%9F=1", "?\ufffd"),
    ],
)
def test_a_parameter_that_means_nothing_is_not_passed_over(call, path, wrong):
    answer = call("olga").get(path)
    assert answer.status_code == 422
    found = {error["pointer"]: error["code"] for error in answer.json()["errors"]}
    assert found[wrong] == "unknown"
