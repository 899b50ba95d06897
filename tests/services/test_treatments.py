"""What was done on a client, over HTTP: the history, aftercare given, wishes."""

from hashlib import sha256

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.models import HealthRead
from clients.registry import HOLDINGS
from services.models import AftercareGiven, Wish
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.clients.test_health import every_row_as_text
from tests.services.day import GLOVED, RECORD, WASHED, book, consult, in_room, line
from tests.world import BUSINESS, LAKE, uid

CORA = f"clients/{uid('cora')}"
HISTORY = f"{CORA}/treatments"


def begun(call, now, *, service="brow wax", kit="brow kit 1"):
    visit = in_room(call, now, line(now, service, kit=kit, minutes=30))
    consult(call, visit)
    started = call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED)
    assert started.status_code == 200, started.body
    return started.body


def finished(call, now, **more):
    visit = begun(call, now, **more)
    done = call("petra").post(
        f"lines/{visit['lines'][0]['id']}/finish", {"record": RECORD, **WASHED}
    )
    assert done.status_code == 200, done.body
    return done.body


def sheet(call, method="hard_wax", area="brow"):
    found = call("petra").get(f"aftercare?method={method}&area={area}")
    assert found.status_code == 200, found.body
    return found.body


def give(call, line_id, **other):
    words = {"how": "printed", "language": "en", "digest": sheet(call)["digest"]} | other
    return call("petra").post(f"lines/{line_id}/aftercare", words)


def wish(call, text, area="brow", who="petra", **headers):
    return call(who).post(f"{CORA}/wishes", {"area": area, "text": text}, **headers)


def reads():
    with reading(BUSINESS):
        return HealthRead.objects.filter(client_id=uid("cora")).count()


def test_a_finished_line_is_told_with_all_that_belongs_to_it(call, now):
    visit = finished(call, now)
    line_id = visit["lines"][0]["id"]
    assert give(call, line_id).status_code == 200
    assert wish(call, "fuller, leave the tail").status_code == 201
    before = reads()
    found = call("petra").get(HISTORY)
    assert found.status_code == 200, found.body
    (one,) = found.body["items"]
    assert (one["line_id"], one["date"], one["state"]) == (line_id, "2026-05-06", "finished")
    assert (one["service"], one["area"], one["method"]) == ("Brow Wax", "brow", "hard_wax")
    assert (one["practitioner"], one["room"], one["override"]) == ("Petra", "room 1", None)
    assert one["records"][0]["record"] == RECORD
    assert one["records"][0]["recorded_by"] == str(uid("petra"))
    (given,) = one["aftercare_given"]
    served = sheet(call)
    assert given["digest"] == sha256(served["text"].encode()).hexdigest()
    assert {n: given[n] for n in ("text_id", "version", "language")} == {
        n: served[n] for n in ("text_id", "version", "language")
    }
    assert given["how"] == "printed"
    assert [(w["area"], w["text"]) for w in found.body["wishes"]] == [
        ("brow", "fuller, leave the tail")
    ]
    assert found.body["next"] is None
    assert reads() == before + 1
    with reading(BUSINESS):
        read = HealthRead.objects.filter(client_id=uid("cora")).latest("read_at", "id")
    assert (read.person_id, read.location_id) == (uid("petra"), LAKE)


def test_a_later_record_stands_beside_the_first_and_a_stopped_line_is_told_too(call, now):
    visit = begun(call, now)
    line_id = visit["lines"][0]["id"]
    stopped = call("petra").post(f"lines/{line_id}/stop", {"reason": "client felt unwell"})
    assert stopped.status_code == 200, stopped.body
    assert call("petra").get(HISTORY).body["items"][0]["records"] == []
    added = call("petra").post(f"lines/{line_id}/work-records", RECORD | {"sections": 2})
    assert added.status_code == 200, added.body
    (one,) = call("petra").get(HISTORY).body["items"]
    assert one["state"] == "stopped"
    assert [r["record"]["sections"] for r in one["records"]] == [2]


def test_a_client_without_treatments_has_an_empty_history(call, now):
    book(call, now)
    found = call("petra").get(HISTORY)
    assert (found.body["items"], found.body["wishes"], found.body["next"]) == ([], [], None)


def test_pages_hold_every_line_once_newest_first_in_as_many_statements(call, now):
    first = finished(call, now)["lines"][0]["id"]
    copies = 24
    with reading(BUSINESS), connection.cursor() as cursor:
        # Copies in SQL: pairs finished at the same instant, so that the id must decide.
        cursor.execute(
            "INSERT INTO services_line SELECT (jsonb_populate_record(l, jsonb_build_object("
            "'id', gen_random_uuid(), 'position', l.position + n, "
            "'finished_at', l.finished_at - (n / 2) * interval '1 day'))).* "
            "FROM services_line l, generate_series(1, %s) n WHERE l.id = %s RETURNING id",
            [copies, first],
        )
        made = {str(row[0]) for row in cursor.fetchall()}
        cursor.execute("SELECT id::text FROM services_line WHERE id = ANY(%s::uuid[])"
                       " ORDER BY finished_at DESC, id DESC", [[*made, first]])  # fmt: skip
        expected = [row[0] for row in cursor.fetchall()]
    seen, cursor_text, statements = [], "", []
    while True:
        with CaptureQueriesContext(connection) as captured:
            page = call("petra").get(f"{HISTORY}?limit=7&cursor={cursor_text}").body
        statements.append(len(captured))
        seen += [one["line_id"] for one in page["items"]]
        if page["next"] is None:
            break
        cursor_text = page["next"]
    assert seen == expected
    assert len(statements) == 4
    # The page with the record unseals it; otherwise none takes more for holding more.
    assert max(statements) - min(statements) <= 1


@pytest.mark.parametrize("cursor", ["x", "WyJub3QgYSB0aW1lIiwgIjAxOWRmMDAwLTAwMDAtNzAwMC04MDAwLTAwMDAwMDAwMDAwMSJd"])  # fmt: skip
def test_a_made_up_cursor_is_refused(call, cursor):
    refused = call("petra").get(f"{HISTORY}?cursor={cursor}")
    assert refused.status_code == 400, refused.body


def test_who_does_not_work_on_the_client_sees_no_history(call, now):
    finished(call, now)
    before = reads()
    assert call("freya").get(HISTORY).status_code == 403
    assert call("hana").get(HISTORY).status_code == 404
    assert call("stranger").get(HISTORY).status_code == 404
    assert reads() == before


def test_aftercare_is_given_again_and_an_old_or_foreign_text_is_not_kept(call, now):
    visit = begun(call, now)
    line_id, kept_of = visit["lines"][0]["id"], visit["id"]
    assert give(call, line_id, how="read_out").status_code == 200
    again = {"Idempotency_Key": "one handing"}
    words = {"how": "handed_over", "language": "en", "digest": sheet(call)["digest"]}
    for _ in range(2):
        kept = call("petra").post(f"lines/{line_id}/aftercare", words, **again)
        assert kept.status_code == 200, kept.body
    other = sheet(call, "peel", "face")["digest"]
    for wrong, pointer in (
        ({"digest": other}, "/digest"),
        ({"digest": "0" * 64}, "/digest"),
        ({"language": "fr"}, "/language"),
        ({"how": "shouted"}, "/how"),
    ):
        refused = give(call, line_id, **wrong)
        assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    with reading(BUSINESS):
        kept = AftercareGiven.objects.filter(line_id=line_id).order_by("given_at", "id")
        assert sorted(kept.values_list("how", flat=True)) == ["handed_over", "read_out"]
    facts = [f for _, f in entries("line.aftercare_given", kept_of)]
    assert [f["how"] for f in facts] == ["read_out", "handed_over"]
    assert {f["digest"] for f in facts} == {sheet(call)["digest"]}


def test_no_aftercare_before_the_work_began(call, now):
    visit = book(call, now).body
    refused = give(call, visit["lines"][0]["id"])
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")
    with reading(BUSINESS):
        assert not AftercareGiven.objects.exists()


def test_the_newest_wish_of_an_area_holds_and_none_is_readable_in_the_tables(call, now):
    for text in ("finer", "zebrafinch arch"):
        assert wish(call, text).status_code == 201
    assert wish(call, "leave the corners", area="lip").status_code == 201
    assert wish(call, "leave it all", area="lip", Idempotency_Key="one").status_code == 201
    assert wish(call, "leave it all", area="lip", Idempotency_Key="one").status_code == 201
    found = call("lena").get(HISTORY).body["wishes"]
    assert [(w["area"], w["text"]) for w in found] == [
        ("brow", "zebrafinch arch"), ("lip", "leave it all")
    ]  # fmt: skip
    assert "zebrafinch" not in "".join(every_row_as_text().values())
    with reading(BUSINESS):
        assert Wish.objects.count() == 4
        told = HOLDINGS["services_wish"].export(uid("cora"))
    assert [w["text"] for w in told][:2] == ["finer", "zebrafinch arch"]


def test_the_consultation_shows_the_wishes_for_the_areas_of_the_visit(call, now):
    wish(call, "fuller", area="brow")
    wish(call, "short", area="leg")
    visit = in_room(call, now)
    shown = call("petra").get(f"visits/{visit['id']}/consultation").body["wishes"]
    assert [(w["area"], w["text"]) for w in shown] == [("brow", "fuller")]


@pytest.mark.parametrize(
    ("given", "pointer"),
    [({"area": "moon", "text": "round"}, "/area"), ({"area": "brow", "text": " "}, "/text"),
     ({"area": "brow"}, "/text"), ({"area": "brow", "text": "x" * 1001}, "/text"),
     ({"area": "brow", "text": "x", "note": "y"}, "/note")],
)  # fmt: skip
def test_a_bad_wish_is_named_and_not_kept(call, given, pointer):
    refused = call("petra").post(f"{CORA}/wishes", given)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    with reading(BUSINESS):
        assert not Wish.objects.exists()


def test_who_may_not_write_a_wish(call):
    assert wish(call, "finer", who="freya").status_code == 403
    assert wish(call, "finer", who="hana").status_code == 404
    assert wish(call, "finer", who="stranger").status_code == 404


def test_an_erased_client_has_no_history_and_takes_no_wish(call, now):
    visit = finished(call, now)
    wish(call, "finer")
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    erased = call("lena").post(f"{CORA}/erase", {"asked_by": "client", "reason": "wish"})
    assert erased.status_code == 200, erased.body
    for refused in (call("petra").get(HISTORY), wish(call, "finer")):
        assert (refused.status_code, refused.body["type"]) == (410, "/problems/erased")
    with reading(BUSINESS), pytest.raises(Erased):
        HOLDINGS["services_wish"].export(uid("cora"))
