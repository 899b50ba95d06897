"""Every endpoint x role x own and other ids: declared, written down and served must agree.

A role that is let in never gets 401 or 403; one that is not gets 403 (401 without a token) and
nothing is written; things of another business are not there. Each call is undone before the next.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

import pytest
from django.db import connection, transaction

from spa_ops.kernel import clock
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Membership
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.web import access_matrix as matrix
from tests.web.access_matrix import PUBLIC, REGENERATE, Endpoint, endpoints
from tests.web.sample_requests import (
    QUERIES,
    Ids,
    body_names,
    body_of,
    has_path_ids,
    is_there,
    path_of,
)
from tests.world import BUSINESS, HARBOR, LAKE, OTHER, actor, uid

pytestmark = pytest.mark.usefixtures("busy_database")

OWN, OTHERS = Ids(business=BUSINESS, person=uid("petra")), Ids(business=OTHER)
HARBORS = Ids(business=BUSINESS, only_at=HARBOR)
AT_LAKE = {uid(name) for name in ("lena", "petra", "freya", "inga")}
#: caller -> the role that the matrix knows it by; None has no token.
CALLERS = {
    "olga": "owner",
    "lena": "lead",
    "petra": "practitioner",
    "freya": "front_desk",
    "inga": "inspector",
    "locked device": "device",
    "device unlocked by petra": "practitioner",
    "nobody": None,
}


def test_the_written_table_is_what_the_views_declare():
    declared, written = matrix.declared(), matrix.written()
    missing = sorted(declared.keys() - written.keys())
    assert not missing, f"endpoints without an entry, add them with `{REGENERATE}`: {missing}"
    gone = sorted(written.keys() - declared.keys())
    assert not gone, f"entries of endpoints that are gone, `{REGENERATE}`: {gone}"
    changed = {n: (written[n], declared[n]) for n in declared if declared[n] != written[n]}
    assert not changed, f"roles changed (written, declared); if meant, `{REGENERATE}`: {changed}"


@pytest.mark.parametrize("caller", CALLERS)
def test_served_access_is_the_written_one(db, now, caller):
    client, role = _client(caller, now), CALLERS[caller]
    table, content = matrix.written(), _content()
    mine = Ids(business=BUSINESS, person=uid(caller.split()[-1]))
    wrong = []
    for endpoint in endpoints():
        allowed = table.get(endpoint.name, [])
        may = role in allowed or allowed == [PUBLIC]
        slugs: dict[str, str] = {}
        for what, path, body in _requests(endpoint, mine):
            with _undone() as written_rows:
                answer = _send(client, endpoint, path, body)
                slugs[what] = _slug(answer)
                flaw = _allowed(answer, what, slugs) if may else _denied(answer, role)
                if not flaw and answer.status_code >= 400 and written_rows():
                    # Something was tried and taken back, or else stayed.
                    flaw = None if _content() == content and may else "wrote something"
                if flaw:
                    wrong.append(f"{endpoint.name} with {what}: {answer.status_code}, {flaw}")
    assert not wrong, "\n".join([f"as {caller}:", *wrong])


def _requests(endpoint: Endpoint, mine: Ids) -> Iterator[tuple[str, str, dict[str, Any]]]:
    # A role that ends is somebody else's: one may not give, or end, one's own.
    own = path_of(endpoint, OWN if endpoint.route.startswith("memberships/") else mine)
    yield "own ids", own, body_of(endpoint, mine)
    yield "an empty body", own, {}
    if has_path_ids(endpoint):
        yield "another business's address", path_of(endpoint, OTHERS), body_of(endpoint, mine)
    if mine.person in AT_LAKE and is_there(endpoint, HARBORS):
        yield "another location's address", path_of(endpoint, HARBORS), body_of(endpoint, mine)
    if body_names(endpoint):
        yield "another business's ids", own, body_of(endpoint, OTHERS)


#: Refusals with 401 or 403 that are not about the caller's role.
NOT_BY_ROLE = {"wrong-sign-in", "wrong-pin", "not-covered"}
#: Answers to an id of another business: not there, never "not yours".
NOT_THERE = {"not-found", "unknown-reference", "wrong-pin"}


def _allowed(answer: Any, what: str, slugs: dict[str, str]) -> str | None:
    status, slug = answer.status_code, slugs[what]
    if status >= 500:
        return "broke"
    if status == 405:
        return "is declared and not served"
    if status in {401, 403} and slug not in NOT_BY_ROLE:
        return f"was refused: {slug}"
    if what == "own ids" and status == 404:
        return "own thing not found"
    if what.endswith("'s address") and slug not in NOT_THERE:
        return f"must not be there: {slug}"
    # What the thing in the address is in no state for is refused before the body's ids are looked up.
    elsewhere = NOT_THERE | ({slugs["own ids"]} - {""})
    if what == "another business's ids" and slug not in elsewhere and not _points_at_ids(answer):
        return f"must not be there: {slug}"
    return None


def _points_at_ids(answer: Any) -> bool:
    """Whether the answer is that these ids are nothing that could be named here."""
    errors = answer.body.get("errors", [])
    return bool(errors) and all(re.search(r"_ids?(/\d+)?$", e["pointer"]) for e in errors)


def _denied(answer: Any, role: str | None) -> str | None:
    expected = {
        None: (401, {"not-authenticated"}),
        "device": (403, {"acting-person-required"}),
    }.get(role, (403, {"not-allowed"}))
    if answer.status_code != expected[0] or _slug(answer) not in expected[1]:
        return f"should have been refused, was {_slug(answer)}"
    return None


def _slug(answer: Any) -> str:
    kind = (answer.body or {}).get("type", "") if isinstance(answer.body, dict) else ""
    return str(kind).removeprefix("/problems/")


def _send(client: Caller, endpoint: Endpoint, path: str, body: dict[str, Any]) -> Any:
    if endpoint.method == "GET":
        query = urlencode(QUERIES.get(endpoint.name, {}))
        return client.get(f"{path}?{query}")
    headers = {"If_Match": '"1"'} if getattr(endpoint.view, "needs_match", False) else {}
    # Without a key: the stored outcome of a refusal is a row too, and here none may be written.
    return client.send(endpoint.method, path, body, Idempotency_Key=None, **headers)


def _client(caller: str, now: Any) -> Caller:
    if caller == "nobody":
        return Caller()
    if "device" not in caller:
        return Caller(secret_of(caller))
    issued = tenancy.register_device(actor=actor("lena"), now=now, location_id=LAKE, name="tablet")
    if caller == "locked device":
        return Caller(issued.secret)
    tablet = Caller(issued.secret)
    secret_of("petra")  # a token of hers, for the endpoint that revokes one
    unlocked = tablet.post("device/unlock", {"person_id": str(uid("petra")), "pin": "2468"})
    assert unlocked.status_code == 200, unlocked.body
    return Caller(issued.secret, **{"Acting-Person": str(uid("petra"))})


@contextmanager
def _undone() -> Iterator[Any]:
    """Take back what happens inside; yields whether any row was written, by the server's own count."""
    before, place = _rows_touched(), transaction.savepoint()
    try:
        yield lambda: _rows_touched() != before
    finally:
        transaction.savepoint_rollback(place)


def _rows_touched() -> int:
    # Counts also what was rolled back since: a refusal by role must not even have tried.
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT sum(n_tup_ins + n_tup_upd + n_tup_del) FROM pg_stat_xact_user_tables"
        )
        return int(cursor.fetchone()[0] or 0)


def _content() -> dict[tuple[str, str], str]:
    """A digest of each table's rows, by business."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT table_name FROM information_schema.columns "
            "WHERE column_name = 'business_id' AND table_schema = 'public' ORDER BY 1"
        )
        tables = [name for (name,) in cursor.fetchall()]
    union = " UNION ALL ".join(
        f"SELECT '{t}', md5(coalesce(string_agg(r::text, '|' ORDER BY r::text), '')) FROM {t} r"
        for t in tables
    )
    found = {}
    for business in (BUSINESS, OTHER):
        with reading(business), connection.cursor() as cursor:
            cursor.execute(union)
            found |= {(str(business), table): digest for table, digest in cursor.fetchall()}
    return found


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE"])
def test_an_address_answers_no_method_that_nobody_declared(call, method):
    nobody, wrong = call(""), []
    for route, view in matrix.addresses():
        if method in view.access or (method == "HEAD" and "GET" in view.access):
            continue
        some = Endpoint(method=method, route=route, view=view)
        path = f"/api/v1/{path_of(some, OWN)}"
        status = nobody.client.generic(method, path).status_code
        if status != 405:
            wrong.append(f"{some.name}: {status}")
    assert not wrong, wrong


def test_a_head_request_is_let_in_like_its_get(call):
    for endpoint in endpoints():
        if endpoint.method == "GET" and endpoint.roles != [PUBLIC]:
            path = path_of(endpoint, OWN)
            assert _head(call(""), path) == 401, endpoint.name
            reader = call("olga" if "owner" in endpoint.roles else "petra")
            assert _head(reader, path) == reader.get(path).status_code, endpoint.name


def _head(caller: Caller, path: str) -> int:
    return caller.client.head(f"/api/v1/{path}", headers=caller.headers).status_code


def test_a_token_of_an_ended_role_opens_nothing(call, now):
    petra = call("petra")
    with reading(BUSINESS):
        role = Membership.objects.get(person_id=uid("petra"))
    tenancy.end_membership(actor=actor("lena"), now=now, membership_id=role.id)
    with clock.stopped_at(now + timedelta(seconds=1)):
        opened = [
            endpoint.name
            for endpoint in endpoints()
            if endpoint.roles != [PUBLIC]
            and _send(petra, endpoint, path_of(endpoint, OWN), {}).status_code != 401
        ]
    assert not opened
