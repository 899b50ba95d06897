"""Photographs over HTTP: taken with consent, sealed, shown to those who work on the client, struck out."""

import json
from datetime import timedelta
from io import BytesIO
from uuid import UUID

import pytest
from django.core.files import uploadedfile
from django.db import connection
from django.test import Client
from django.test.client import encode_multipart
from django.test.utils import CaptureQueriesContext
from PIL import Image

from clients.actions_erasure import expire_health_answers
from clients.models import HealthRead
from clients.queries_record import due_for_expiry
from clients.registry import HOLDINGS
from compliance.ledger.queries import verification
from services.models import Photograph
from services.rules.photographs import MOST_BYTES
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading, snapshot
from tests.callers import Caller, secret_of
from tests.clients.test_api import entries
from tests.clients.test_health import every_row_as_text
from tests.services.day import book, in_room, line
from tests.services.pictures import encoded, halves, photograph
from tests.services.rules.test_photographs import SCRIPT, claiming, with_exif
from tests.services.test_incidents import report
from tests.services.test_merging import double, merged, undone
from tests.services.test_treatments import finished
from tests.world import BUSINESS, LAKE, uid

CORA = f"clients/{uid('cora')}"
LISTED = f"{CORA}/photographs"


def consent(call, given=True, who="cora", purpose="photographs"):
    said = call("freya").post(f"clients/{uid(who)}/consents", {"purpose": purpose, "given": given})
    assert said.status_code == 200, said.body


@pytest.fixture
def visit(call, now):
    """Cora sits in the room and has agreed to photographs."""
    consent(call)
    return in_room(call, now)


def take(call, visit, by="petra", headers=None, **fields):
    fields = {"picture": photograph(), "moment": "before"} | fields
    return call(by).post(f"visits/{visit['id']}/photographs", fields, **(headers or {}))


def taken(call, visit, **fields):
    made = take(call, visit, **fields)
    assert made.status_code == 201, made.body
    return made.body


def show(call, photograph_id, by="petra", how="picture"):
    return call(by).get(f"photographs/{photograph_id}/{how}")


def strike(call, photograph_id, by="lena", reason="it shows somebody else"):
    return call(by).post(f"photographs/{photograph_id}/strike-out", {"reason": reason})


def kept():
    with reading(BUSINESS):
        return Photograph.objects.count()


def reads():
    with reading(BUSINESS):
        return list(HealthRead.objects.order_by("read_at", "id").values_list("client_id", "visit_id", "person_id"))  # fmt: skip


def kind(answer):
    return answer.status_code, answer.body["type"].removeprefix("/problems/")


def test_what_is_taken_is_kept_told_and_shown_without_its_metadata(call, visit):
    sent = encoded(exif=with_exif(6), comment=SCRIPT) + SCRIPT
    line_id = visit["lines"][0]["id"]
    made = taken(
        call, visit, picture=photograph(sent, "<b>.exe", "text/html"), moment="finding", line_id=line_id
    )  # fmt: skip
    assert (made["client_id"], made["visit_id"], made["line_id"]) == (str(uid("cora")), visit["id"], line_id)  # fmt: skip
    assert (made["moment"], made["area"], made["recorded_by"]) == ("finding", "brow", str(uid("petra")))  # fmt: skip
    assert (made["width"], made["height"], made["struck_at"]) == (20, 40, None)
    before = reads()
    shown = show(call, made["id"])
    assert shown.status_code == 200
    assert made["size"] == len(shown.content)
    picture = Image.open(BytesIO(shown.content))
    assert (picture.format, picture.size) == ("JPEG", (20, 40))
    assert dict(picture.getexif()) == {}
    assert b"script" not in shown.content
    assert b"Invented camera" not in shown.content
    # RFC 9111 5.2.2.5, RFC 6266, WHATWG Fetch (nosniff), CSP Level 3 6.3.2 (sandbox).
    assert shown["Content-Type"] == "image/jpeg"
    assert shown["Cache-Control"] == "no-store"
    assert shown["X-Content-Type-Options"] == "nosniff"
    assert shown["Content-Disposition"] == f'attachment; filename="photograph-{made["id"]}.jpg"'
    assert shown["Content-Security-Policy"] == "sandbox; default-src 'none'"
    assert reads()[len(before) :] == [(uid("cora"), UUID(visit["id"]), uid("petra"))]
    ((chain, facts),) = entries("photograph.taken", made["id"])
    assert chain == LAKE
    assert facts == {n: made[n] for n in ("client_id", "visit_id", "line_id", "incident_id")} | {
        "photograph_id": made["id"]
    }
    with snapshot(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole


def test_neither_picture_nor_what_it_shows_is_in_the_tables_or_a_feed(call, visit):
    sent = encoded(halves(300, 200))
    made = taken(call, visit, picture=photograph(sent), moment="reaction", area="chin")
    served = show(call, made["id"]).content
    rows = every_row_as_text()
    (row,) = rows["services_photograph"].splitlines()
    assert served[:40].hex() not in row
    assert sent[:40].hex() not in row
    for table, text in rows.items():
        assert "photograph" not in text or table in {
            "services_photograph", "ledger_entry", "clients_consent", "django_migrations"
        }, table  # fmt: skip
    mine = "\n".join(t for t in rows["ledger_entry"].splitlines() if made["id"] in t)
    assert mine
    assert "reaction" not in mine + row
    assert "chin" not in mine + row


@pytest.mark.parametrize(
    ("content", "why", "found"),
    [
        (b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "other_format", "svg"),
        (b"<!doctype html>" + SCRIPT, "other_format", "html"),
        (SCRIPT, "other_format", "script"),
        (b"%PDF-1.7", "other_format", "pdf"),
        (encoded(kind="GIF"), "other_format", "gif"),
        (encoded()[:-200], "damaged", "jpeg"),
        (claiming("JPEG", 50_000), "too_many_pixels", "jpeg"),
        (claiming("PNG", 50_000), "too_many_pixels", "png"),
        (encoded(halves(), "PNG", save_all=True, append_images=[halves(40, 20, "L").convert("RGB")]), "animated", "png"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_photograph_is_named_and_nothing_is_lost(
    call, visit, content, why, found
):
    first = taken(call, visit)
    refused = take(call, visit, picture=photograph(content, "beautiful.jpg", "image/jpeg"))
    assert kind(refused) == (422, "picture-refused")
    assert (refused.body["why"], refused.body["found"]) == (why, found)
    assert kept() == 1
    assert show(call, first["id"]).status_code == 200


def test_what_is_too_large_is_refused_with_its_name(call, visit):
    for more in (1, 200_000, 30_000_000):
        refused = take(call, visit, picture=photograph(encoded() + b"\0" * (MOST_BYTES + more)))
        assert kind(refused) == (413, "body-too-large")
        assert refused.body["most_bytes"] == MOST_BYTES
    long = take(call, visit, area="x" * 3_000_000)
    assert kind(long) == (413, "body-too-large")
    assert kept() == 0


def raw(call, visit, body, boundary="b", **headers):
    petra = call("petra")
    path = f"/api/v1/visits/{visit['id']}/photographs"
    return petra.client.generic(
        "POST", path, body, content_type=f"multipart/form-data; boundary={boundary}",
        headers=petra.headers, **headers,
    )  # fmt: skip


def test_a_body_that_is_torn_or_no_form_changes_nothing(call, visit):
    whole = encode_multipart("b", {"picture": photograph(), "moment": "before"})
    part = b'--b\r\nContent-Disposition: form-data; name="%s"\r\n\r\nx\r\n'
    torn = raw(call, visit, whole, **{"wsgi.input": BytesIO(whole[:-40])})
    bodies = {
        "torn": (torn, 400),
        "nothing": (raw(call, visit, b""), 422),
        "no boundary": (raw(call, visit, whole, boundary=""), 400),
        "another boundary": (raw(call, visit, whole, boundary="other"), 422),
        "many parts": (raw(call, visit, part * 1200 % tuple(b"%d" % n for n in range(1200)) + b"--b--"), 400),
        "many files": (raw(call, visit, b"".join(
            b'--b\r\nContent-Disposition: form-data; name="%d"; filename="x"\r\n\r\nx\r\n' % n
            for n in range(120)) + b"--b--"), 400),
        "twice": (raw(call, visit, part % b"moment" + part % b"moment" + b"--b--"), 422),
        "bad base64": (raw(call, visit, b'--b\r\nContent-Disposition: form-data; name="picture"; filename="x"'
                       b"\r\nContent-Transfer-Encoding: base64\r\n\r\n!\r\n--b--"), 400),
    }  # fmt: skip
    assert {n: a.status_code for n, (a, _) in bodies.items()} == {n: s for n, (_, s) in bodies.items()}  # fmt: skip
    for answer, _ in bodies.values():
        assert answer["Content-Type"] == "application/problem+json"
    assert "given once" in json.loads(bodies["twice"][0].content)["detail"]
    as_json = call("petra").post(f"visits/{visit['id']}/photographs", {"moment": "before"})
    assert kind(as_json) == (415, "unsupported-media-type")
    assert kept() == 0
    assert raw(call, visit, whole).status_code == 201


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"moment": "later"}, "/moment"),
        ({"area": "moon"}, "/area"),
        ({"note": "x"}, "/note"),
        ({"picture": "no file"}, "/picture"),
        ({"picture": photograph(b"")}, "/picture"),
        ({"line_id": "019df000-0000-7000-8000-000000000001"}, "/line_id"),
        ({"taken_at": "2031-01-01T00:00:00Z"}, "/taken_at"),
        ({"taken_at": "2026-05-06T16:59:59Z"}, "/taken_at"),
        ({"line_id": ""}, "/line_id"),
    ],
)
def test_a_wrong_field_is_pointed_at(call, visit, fields, pointer):
    given = {"picture": photograph(), "moment": "before"} | fields
    body = encode_multipart("b", given)
    refused = raw(call, visit, body)
    found = json.loads(refused.content)
    assert (refused.status_code, found["errors"][0]["pointer"]) == (422, pointer)
    assert kept() == 0


def test_no_photograph_before_the_client_has_arrived(call, now):
    consent(call)
    assert kind(take(call, book(call, now).body)) == (409, "wrong-state")
    assert kept() == 0


def test_consent_is_asked_at_taking_and_at_showing(call, now):
    visit = in_room(call, now)
    assert kind(take(call, visit)) == (409, "photograph-consent-missing")
    assert kept() == 0
    consent(call)
    made = taken(call, visit)
    assert show(call, made["id"]).status_code == 200
    consent(call, given=False)
    before = len(reads())
    assert kind(show(call, made["id"])) == (409, "photograph-consent-missing")
    assert kind(take(call, visit)) == (409, "photograph-consent-missing")
    # What was not shown was not read; that it is there is still told.
    assert (len(reads()), kept()) == (before, 1)
    assert [p["id"] for p in call("petra").get(LISTED).body["items"]] == [made["id"]]
    # A copy for the client, who is entitled to it: by a lead, and recorded.
    assert show(call, made["id"], how="copy").status_code == 403
    before = len(reads())
    copy = show(call, made["id"], by="lena", how="copy")
    assert (copy.status_code, copy["Content-Type"], len(reads())) == (200, "image/jpeg", before + 1)
    consent(call)
    assert show(call, made["id"]).content == copy.content


def test_of_a_minor_with_the_guardians_consent_and_nothing_intimate(call, now):
    given = {"id": str(uid("mina")), "name": "Invented Mina", "birth_date": "2009-01-01",
             "phone": "(312) 555-0188"}  # fmt: skip
    assert call("freya").post("clients", given).status_code == 201
    consent(call, who="mina", purpose="health_answers")
    consent(call, who="mina")
    visit = in_room(call, now, client="mina")
    assert kind(take(call, visit, area="chin")) == (409, "photograph-consent-missing")
    consent(call, who="mina", purpose="guardian_service")
    assert take(call, visit, area="chin").status_code == 201
    unnamed = take(call, visit)
    assert (unnamed.status_code, unnamed.body["errors"][0]["pointer"]) == (422, "/area")
    for area in ("bikini", "buttocks", "chest", "body"):
        assert kind(take(call, visit, area=area)) == (409, "photograph-forbidden")
    assert kept() == 1
    with clock.stopped_at(now + timedelta(days=366)):
        # A year on she is of age, and what counts is her own consent.
        consent(call, who="mina", purpose="guardian_service", given=False)
        (one,) = call("petra").get(f"clients/{uid('mina')}/photographs").body["items"]
        assert show(call, one["id"]).status_code == 200


def test_who_may_not_see_and_who_may_not_take(call, visit):
    made = taken(call, visit)
    for who, status in (("freya", 403), ("inga", 403), ("hana", 404), ("stranger", 404), ("", 401)):
        before = len(reads())
        assert show(call, made["id"], by=who).status_code == status, who
        assert call(who).get(LISTED).status_code == status, who
        assert take(call, visit, by=who).status_code == status, who
        assert len(reads()) == before, who
    for who, status in (
        ("freya", 403),
        ("petra", 403),
        ("henk", 404),
        ("stranger", 404),
        ("", 401),
    ):
        assert strike(call, made["id"], by=who).status_code == status, who
    assert (kept(), show(call, made["id"]).status_code) == (1, 200)


def test_the_desks_view_of_a_visit_does_not_change_by_a_photograph(call, visit):
    before = call("freya").get(f"visits/{visit['id']}").body
    taken(call, visit, moment="reaction")
    assert call("freya").get(f"visits/{visit['id']}").body == before


def test_a_repeat_with_the_same_key_is_kept_once_and_another_picture_is_refused(call, visit):
    key = {"Idempotency_Key": "one picture"}
    sent = encoded()
    first = take(call, visit, picture=photograph(sent, "a.jpg"), headers=key)
    # Another name and other part boundaries: the same request.
    again = take(call, visit, picture=photograph(sent, "b.jpg"), headers=key)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again["Idempotency-Replayed"] == "true"
    assert again.body == first.body
    other = take(call, visit, picture=photograph(encoded(halves(60, 60))), headers=key)
    assert kind(other) == (422, "idempotency-key-reused")
    moment = take(call, visit, picture=photograph(sent), moment="after", headers=key)
    assert kind(moment) == (422, "idempotency-key-reused")
    assert kept() == 1
    assert len(entries("photograph.taken", first.body["id"])) == 1


def test_a_refusal_told_again_is_the_same_refusal(call, now):
    visit, key = in_room(call, now), {"Idempotency_Key": "k"}
    for _ in range(2):
        assert kind(take(call, visit, headers=key)) == (409, "photograph-consent-missing")


def test_the_treatment_history_and_the_list_tell_of_photographs(call, now):
    consent(call)
    visit = finished(call, now)
    line_id = visit["lines"][0]["id"]
    made = [taken(call, visit, line_id=line_id, moment=m) for m in ("before", "after")]
    loose = taken(call, visit, area="chin")
    wrong = taken(call, visit, line_id=line_id)
    assert strike(call, wrong["id"]).status_code == 200
    (one,) = call("petra").get(f"{CORA}/treatments").body["items"]
    assert sorted(one["photographs"], key=lambda p: p["id"]) == sorted(made, key=lambda p: p["id"])
    listed = call("petra").get(LISTED).body["items"]
    assert {p["id"] for p in listed} == {p["id"] for p in [*made, loose, wrong]}
    assert [p["id"] for p in listed if p["struck_at"]] == [wrong["id"]]


def test_pages_hold_each_once_newest_first_in_as_many_statements(call, visit):
    first = taken(call, visit)["id"]
    with reading(BUSINESS), connection.cursor() as cursor:
        # Copies in SQL, pairs at the same instant, so that the id must decide.
        cursor.execute(
            "INSERT INTO services_photograph SELECT (jsonb_populate_record(p, jsonb_build_object("
            "'id', gen_random_uuid(), 'taken_at', p.taken_at - (n / 2) * interval '1 day'))).* "
            "FROM services_photograph p, generate_series(1, 24) n WHERE p.id = %s",
            [first],
        )
        cursor.execute("SELECT id::text FROM services_photograph ORDER BY taken_at DESC, id DESC")
        expected = [row[0] for row in cursor.fetchall()]
    seen, place, statements = [], "", []
    while True:
        with CaptureQueriesContext(connection) as captured:
            page = call("petra").get(f"{LISTED}?limit=7&cursor={place}").body
        statements.append(len(captured))
        # The pictures stay where they are.
        assert not any('"sealed_picture"' in q["sql"] for q in captured)
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        place = page["next"]
    assert (seen, len(expected)) == (expected, 25)
    assert len(set(statements)) == 1


def test_a_struck_out_photograph_is_gone_and_that_there_was_one_stays(call, visit):
    made = taken(call, visit)
    assert strike(call, made["id"], reason=" ").status_code == 422
    done = strike(call, made["id"])
    assert (done.status_code, done.body["struck_at"] is None) == (200, False)
    for how in ("picture", "copy"):
        assert kind(show(call, made["id"], by="lena", how=how)) == (409, "wrong-state")
    assert kind(strike(call, made["id"])) == (409, "already-corrected")
    with reading(BUSINESS):
        row = Photograph.objects.get(id=made["id"])
    assert (row.sealed_picture, row.struck_by) == (None, uid("lena"))
    ((_, facts),) = entries("photograph.struck", made["id"])
    assert facts == {"photograph_id": made["id"], "client_id": str(uid("cora"))}
    assert "somebody else" not in "".join(every_row_as_text().values())


def of_incident(call, incident, by="petra", **fields):
    fields = {"picture": photograph(), "moment": "injury", "area": "lip"} | fields
    return call(by).post(f"incidents/{incident['id']}/photographs", fields)


def test_an_incident_has_photographs_where_the_client_agrees(call, now):
    incident = report(call)
    assert kind(of_incident(call, incident)) == (409, "photograph-consent-missing")
    consent(call)
    made = of_incident(call, incident)
    assert made.status_code == 201, made.body
    assert (made.body["incident_id"], made.body["moment"], made.body["visit_id"]) == (incident["id"], "injury", None)  # fmt: skip
    told = call("petra").get(f"incidents/{incident['id']}")
    assert told.body["photographs"] == [made.body]
    assert show(call, made.body["id"], by="freya").status_code == 403
    assert of_incident(call, incident, by="hana").status_code == 404
    early = of_incident(call, incident, taken_at=(now - timedelta(minutes=1)).isoformat())
    assert early.body["errors"][0]["pointer"] == "/taken_at"
    struck = call("petra").post(
        f"incidents/{incident['id']}/strike-out", {"reason": "other client"}
    )
    assert struck.status_code == 200
    assert kind(of_incident(call, incident)) == (409, "wrong-state")
    theirs = report(call, client_id=None, person_id=str(uid("petra")))
    assert kind(of_incident(call, theirs)) == (409, "wrong-state")
    assert kept() == 1


def test_the_export_names_each_and_where_its_copy_is(call, visit):
    made = taken(call, visit, area="chin")
    wrong = taken(call, visit)
    strike(call, wrong["id"])
    found = call("lena").get(f"{CORA}/export").body["tables"]["services_photograph"]
    by_id = {row["id"]: row for row in found}
    assert by_id.keys() == {made["id"], wrong["id"]}
    assert by_id[wrong["id"]]["picture_at"] is None
    assert (by_id[made["id"]]["moment"], by_id[made["id"]]["area"]) == ("before", "chin")
    copy = call("lena").get(by_id[made["id"]]["picture_at"])
    assert copy.content == show(call, made["id"]).content
    assert made["id"] in call("lena").get(f"{CORA}/export-page").content.decode()


def test_an_erased_client_has_no_photographs(call, now):
    consent(call)
    visit = finished(call, now)
    made = taken(call, visit)
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    late = taken(call, visit, moment="after")
    erased = call("lena").post(f"{CORA}/erase", {"asked_by": "client", "reason": "wish"})
    assert erased.status_code == 200, erased.body
    refused = [show(call, made["id"]), show(call, late["id"], by="lena", how="copy"),
               call("petra").get(LISTED), take(call, visit), strike(call, made["id"])]  # fmt: skip
    assert {kind(r) for r in refused} == {(410, "erased")}
    with reading(BUSINESS):
        assert set(Photograph.objects.values_list("sealed_picture", flat=True)) == {None}
        with pytest.raises(Erased):
            HOLDINGS["services_photograph"].export(uid("cora"))


def test_a_photograph_keeps_the_record_and_goes_when_its_time_is_over(call, visit, now):
    made = taken(call, visit)
    years = timedelta(days=3 * 366 + 10)  # `client_record_years` of the house default is 3
    with clock.stopped_at(now + years):
        with reading(BUSINESS):
            (due,) = [d for d in due_for_expiry(LAKE, now + years) if d["client_id"] == uid("cora")]
        expire_health_answers(actor=system_actor(BUSINESS), now=now + years, location_id=LAKE)
        assert due
        petra = Caller(secret_of("petra"))  # the other token has ended since
        assert kind(petra.get(f"photographs/{made['id']}/picture")) == (410, "erased")
        assert petra.get(LISTED).body["items"] == []


def test_of_two_records_of_one_person_all_are_shown_and_the_strictest_consent_holds(call, now):
    consent(call)
    visit = finished(call, now)
    double(now)
    consent(call, who="twin")
    own = taken(call, visit)
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    merged(now, "cora", "twin")
    (one,) = call("petra").get(f"clients/{uid('twin')}/photographs").body["items"]
    assert one == own
    assert show(call, own["id"]).status_code == 200
    assert {client for client, *_ in reads()[-1:]} == {uid("twin")}
    table = call("lena").get(f"clients/{uid('twin')}/export").body["tables"]
    assert [row["id"] for row in table["services_photograph"]] == [own["id"]]
    # What was taken then arrives now: it stays with the record that it is of.
    late = taken(call, visit, moment="after")
    assert late["client_id"] == str(uid("cora"))
    consent(call, who="twin", given=False)
    assert kind(show(call, own["id"])) == (409, "photograph-consent-missing")
    undone(now, "cora")
    assert call("petra").get(f"clients/{uid('twin')}/photographs").body["items"] == []
    assert show(call, own["id"]).status_code == 200


def test_who_asks_for_something_else_than_a_jpeg_is_told(call, visit):
    made = taken(call, visit)
    petra = call("petra")
    path = f"/api/v1/photographs/{made['id']}/picture"
    for accept, status in (("image/*", 200), ("image/jpeg", 200), ("text/html", 406)):
        assert (
            petra.client.get(path, headers={**petra.headers, "Accept": accept}).status_code
            == status
        )


def test_a_second_line_of_the_visit_gives_its_area(call, now):
    consent(call)
    two = in_room(call, now, line(now, minutes=30), line(now, "facial", kit=None, minutes=70))
    facial = next(one for one in two["lines"] if one["area"] == "face")
    assert taken(call, two, line_id=facial["id"])["area"] == "face"


def test_the_docs_page_uploads_with_its_session_and_not_without_its_token(call, visit):
    browser = Client(enforce_csrf_checks=True)
    form = {"login": "petra", "password": "invented-petra-password"}
    token = browser.get("/api/docs").cookies["csrftoken"].value
    signed_in = browser.post("/api/docs/sign-in", form | {"csrfmiddlewaretoken": token})
    assert signed_in.status_code == 302
    path = f"/api/v1/visits/{visit['id']}/photographs"
    token = {"X-CSRFToken": browser.cookies["csrftoken"].value}
    fields = {"picture": photograph(), "moment": "before"}
    assert browser.post(path, fields).status_code == 403
    large = {**fields, "picture": photograph(b"\xff" * (MOST_BYTES + 200_000))}
    assert browser.post(path, large, headers=token).status_code == 413
    assert kept() == 0
    fields["picture"].seek(0)
    made = browser.post(path, fields, headers=token)
    assert made.status_code == 201, made.content
    assert kept() == 1


def test_a_large_photograph_never_lies_in_a_temporary_file(call, visit, monkeypatch):
    # Above Django's 2.5 MB a file would go to the disk, unsealed.
    monkeypatch.setattr(uploadedfile, "tempfile", None)
    sent = encoded() + b"\0" * (5 * 2**20)
    assert take(call, visit, picture=photograph(sent)).status_code == 201


def test_a_device_may_bring_the_id_and_the_time_and_an_id_is_used_once(call, visit, now):
    own = {"id": "019df000-0000-7000-8000-000000000abc"}
    arrived = visit["arrived_at"]
    with clock.stopped_at(now + timedelta(minutes=20)):
        made = taken(call, visit, taken_at=arrived, **own)
        assert (made["id"], made["taken_at"]) == (own["id"], arrived)
        assert made["recorded_at"] > arrived
        assert kind(take(call, visit, **own)) == (409, "already-exists")
    assert kept() == 1
