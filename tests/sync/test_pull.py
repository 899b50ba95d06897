"""The pull: whoever applied every page equals the server; a cursor that leads nowhere says so."""

import base64
import json

import pytest

from spa_ops.tenancy import actions as tenancy
from tests.world import BUSINESS, HARBOR, LAKE, actor


def follow(caller, feed, cursor=None, limit=3):
    state, pages = {}, 0
    while True:
        query = f"?limit={limit}" + (f"&cursor={cursor}" if cursor else "")
        page = caller.get(f"sync/{feed}/changes{query}").body
        for change in page["changes"]:
            state[change["entity"], change["id"]] = change["body"]
        cursor, pages = page["cursor"], pages + 1
        if not page["has_more"]:
            return state, cursor, pages


def test_following_the_feed_gives_what_the_server_has(call):
    lena = call("lena")
    state, cursor, pages = follow(lena, BUSINESS)
    assert pages > 1
    people = {p["id"]: p for p in lena.get("people").body["items"]}
    assert {i: b for (e, i), b in state.items() if e == "person"} == people
    again, same, _ = follow(lena, BUSINESS, cursor)
    assert (again, same) == ({}, cursor)


def test_only_what_changed_comes_after_a_cursor_and_once(call, now):
    lena = call("lena")
    _, cursor, _ = follow(lena, LAKE)
    for name in ("A", "B", "C"):
        tenancy.change_location(actor=actor("olga"), now=now, location_id=LAKE, name=name)
    page = lena.get(f"sync/{LAKE}/changes?cursor={cursor}").body
    assert [(c["entity"], c["version"], c["body"]["name"]) for c in page["changes"]] == [
        ("location", 4, "C")
    ]


def test_an_idle_poll_is_a_304(call):
    lena = call("lena")
    _, cursor, _ = follow(lena, LAKE)
    read = lena.get(f"sync/{LAKE}/changes?cursor={cursor}")
    assert (
        lena.get(f"sync/{LAKE}/changes?cursor={cursor}", If_None_Match=read["ETag"]).status_code
        == 304
    )


def _with(cursor, **parts):
    names = ("feed", "epoch", "seq", "role", "digest")
    plain = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode().split(".")
    changed = dict(zip(names, plain, strict=True)) | parts
    return (
        base64.urlsafe_b64encode(".".join(changed[n] for n in names).encode()).decode().rstrip("=")
    )


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"epoch": "0" * 32}, "epoch-changed"),
        ({"seq": "999999"}, "ahead"),
        ({"digest": "0" * 16}, "history-changed"),
        ({"role": "owner"}, "role-changed"),
    ],
)
def test_a_cursor_that_leads_nowhere_is_gone(call, parts, reason):
    lena = call("lena")
    _, cursor, _ = follow(lena, LAKE)
    gone = lena.get(f"sync/{LAKE}/changes?cursor={_with(cursor, **parts)}")
    assert (gone.status_code, gone.body["reason"]) == (410, reason)


def test_any_byte_flipped_is_never_a_500_and_never_another_feed(call):
    lena = call("lena")
    _, cursor, _ = follow(lena, LAKE)
    for i in range(len(cursor)):
        for wrong in {"A", "z", "_", "0"} - {cursor[i]}:
            read = lena.get(f"sync/{LAKE}/changes?cursor={cursor[:i]}{wrong}{cursor[i + 1 :]}")
            assert read.status_code in {400, 410}, (i, wrong, read.body)


def test_a_feed_out_of_reach_is_not_there(call):
    assert call("lena").get(f"sync/{HARBOR}/changes").status_code == 404
    assert call("stranger").get(f"sync/{LAKE}/changes").status_code == 404
    assert (
        call("lena").get(f"sync/{LAKE}/changes?schema=99").body["type"]
        == "/problems/schema-unsupported"
    )
    assert json.dumps(call("inga").get(f"sync/{LAKE}/changes").body["status"]) == "403"
