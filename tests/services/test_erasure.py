"""Exporting and erasing a client over HTTP, and what the retention rule lets go."""

import re
import threading
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser

import pytest
from dateutil.relativedelta import relativedelta
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from clients.actions import record_health
from clients.actions_erasure import expire_health_answers
from clients.models import Client, ClientWord, HealthAnswer, HealthRead
from clients.queries import health_of, items_from
from clients.queries_record import BATCH, due_for_expiry
from clients.rules.retention import keep_until, last_due
from clients.tasks import expire_health
from compliance.ledger.queries import entries, verification
from compliance.requirements.pack_files import parameters
from services.models import Visit
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, in_room
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid

CORA = uid("cora")
PATH = f"clients/{CORA}"
WISH = {"asked_by": "client", "reason": "wish"}
#: Three years after NOON's day at Lake: `client_record_years` of the house default.
DUE = datetime(2029, 5, 6, 5, 0, tzinfo=UTC)


def carried_through(call, now):
    visit = in_room(call, now)
    consult(call, visit, answers=all_no(isotretinoin="no"))
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    assert call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED}).status_code == 200
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    return visit


def erase(call, by="lena", **more):
    return call(by).post(f"{PATH}/erase", WISH | more)


def said(now, client_id=CORA):
    items = items_from(answers=[{"question": "sun", "answer": "yes"}], today=now.date())
    record_health(
        actor=actor("petra"), now=now, client_id=client_id, visit_id=uid("a visit"),
        location_id=LAKE, items=items,
    )  # fmt: skip


def evidence(kind, chain=BUSINESS):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(chain, kinds=[kind])]


def content(place=LAKE):
    with reading(BUSINESS):
        return due_for_expiry(place, clock.now())


def test_an_export_holds_everything_unsealed_and_is_a_recorded_read(call, now):
    visit = carried_through(call, now)
    found = call("lena").get(f"{PATH}/export")
    assert found.status_code == 200
    assert found.headers["Cache-Control"] == "no-store"
    tables = found.body["tables"]
    assert tables["clients_client"][0]["name"] == "Cora Dvořák"
    assert {i["kind"] for i in tables["clients_health_answer"]} == {"answer", "finding"}
    assert tables["services_visit"][0]["id"] == visit["id"]
    assert tables["services_visit"][0]["lines"][0]["state"] == "finished"
    assert tables["services_work_record"][0]["record"]["reaction"] == "slight redness"
    assert any("items" in body["said"] for body in tables["ledger_personal"])
    assert len(tables["services_rebooking"]) == 1
    reads = call("lena").get(f"{PATH}/health-reads").body["items"]
    assert reads[-1]["person_id"] == str(uid("lena"))


class Page(HTMLParser):
    """Collects what an accessible page needs (WCAG 2.2: 1.3.1, 2.4.2, 3.1.1)."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_the_page_says_the_same_and_is_escaped(call, now):
    carried_through(call, now)
    note = "<script>alert(1)</script>"
    version = call("freya").get(PATH).body["version"]
    assert call("freya").patch(PATH, {"note": note}, If_Match=f'"{version}"').status_code == 200
    found = call("olga").get(f"{PATH}/export-page", Accept="text/html")
    text = found.content.decode()
    assert found.status_code == 200
    assert found.headers["Content-Type"].startswith("text/html")
    assert found.headers["Cache-Control"] == "no-store"
    assert "Cora Dvořák" in text
    assert "slight redness" in text
    assert note not in text
    assert "&lt;script&gt;" in text
    tags = Page(text).tags
    names = [name for name, _ in tags]
    assert ("html", {"lang": "en"}) in tags
    assert names.count("h1") == names.count("main") == names.count("title") == 1
    assert names.count("table") == names.count("caption") > 0
    assert all(attrs.get("scope") == "row" for name, attrs in tags if name == "th")
    assert "script" not in names
    assert not re.search(r"(src|href)=", text)


def test_erasing_blanks_what_is_in_the_clear_and_unseals_nothing_more(call, now):
    carried_through(call, now)
    done = erase(call)
    assert done.status_code == 200, done.body
    assert (done.body["name"], done.body["phone"], done.body["email"]) == ("", "", "")
    assert done.body["birth_date"] is None
    assert done.body["erased_at"] is not None
    for path in ("health", "export", "export-page"):
        gone = call("lena").get(f"{PATH}/{path}")
        assert (gone.status_code, gone.body["type"]) == (410, "/problems/erased"), path
    with reading(BUSINESS), connection.cursor() as cursor:
        assert not ClientWord.objects.filter(client_id=CORA).exists()
        assert HealthAnswer.objects.filter(client_id=CORA).exists()
        for table in (
            "clients_client",
            "clients_client_word",
            "services_visit",
            "services_rebooking",
        ):
            cursor.execute(f"SELECT string_agg(t::text, '|') FROM {table} t")
            assert not re.search("Cora|Dvo|5550123|cora@", cursor.fetchone()[0] or ""), table
        for chain in (BUSINESS, LAKE):
            assert verification(BUSINESS, chain).is_whole
    assert evidence("client.erased") == [WISH | {"client_id": str(CORA)}]
    assert call("freya").get("clients?q=dvo").body["items"] == []
    dates = call("freya").get(f"locations/{LAKE}/rebookings?client_id={CORA}").body["items"]
    assert [d["state"] for d in dates] == ["withdrawn"]


def test_nothing_is_written_about_an_erased_client(call, now):
    assert erase(call).status_code == 200
    version = call("freya").get(PATH).body["version"]
    asked = [
        call("freya").patch(PATH, {"name": "Cora"}, If_Match=f'"{version}"'),
        call("freya").post(f"{PATH}/consents", {"purpose": "sms_messages", "given": True}),
        book(call, now),
    ]
    assert [(a.status_code, a.body["type"]) for a in asked] == [(410, "/problems/erased")] * 3
    with reading(BUSINESS):
        assert not Visit.objects.filter(client_id=CORA).exists()
        assert Client.objects.get(id=CORA).version == version


def test_erasing_again_changes_nothing_and_a_repeat_is_answered_alike(call, now):
    first = erase(call)
    again = erase(call)
    assert (again.status_code, again.body) == (200, first.body)
    keyed = [call("lena").post(f"{PATH}/erase", WISH, Idempotency_Key="k") for _ in range(2)]
    assert keyed[0].body == keyed[1].body == first.body
    assert len(evidence("client.erased")) == 1


def test_visits_ahead_stand_in_the_way_unless_they_are_cancelled(call, now):
    visit = book(call, now).body
    refused = erase(call)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/visits-ahead")
    assert [v["id"] for v in refused.body["visits"]] == [visit["id"]]
    assert call("freya").get(PATH).body["name"] == "Cora Dvořák"
    assert erase(call, cancel_visits=True).status_code == 200
    assert call("freya").get(f"visits/{visit['id']}").body["state"] == "cancelled"


def test_a_visit_that_has_begun_has_to_end(call, now):
    in_room(call, now)
    refused = erase(call, cancel_visits=True)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/visits-ahead")
    assert refused.body["visits"][0]["state"] == "in_room"


def test_a_jurisdictions_rule_holds_the_record_until_its_last_day(call, now):
    # OAR 817-015-0065: client records at least 3 years (trade-facts.md 9.01).
    with reading(BUSINESS):
        Location.objects.filter(id=LAKE).update(jurisdiction="us-or")
    said(now)
    refused = erase(call)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/retention-holds")
    assert refused.body["holds"] == [
        {"location_id": str(LAKE), "until": "2029-05-06", "citation": "OAR 817-015-0065"}
    ]
    assert call("freya").get(PATH).body["erased_at"] is None


def test_a_hold_ends_with_its_last_instant(db, now):
    from clients.actions_erasure import Asker, Reason, erase_client
    from clients.problems import RetentionHolds

    with reading(BUSINESS):
        Location.objects.filter(id=LAKE).update(jurisdiction="us-or")
    said(now)
    wish = {"client_id": CORA, "asked_by": Asker.CLIENT, "reason": Reason.WISH}
    with pytest.raises(RetentionHolds):
        erase_client(actor=actor("lena"), now=DUE - timedelta(microseconds=1), **wish)
    assert erase_client(actor=actor("lena"), now=DUE, **wish).erased_at == DUE


@pytest.mark.parametrize(
    "body", [{}, {"asked_by": "client"}, WISH | {"reason": "because"}, WISH | {"why": "x"}]
)
def test_bad_input_erases_nothing(call, body):
    assert call("lena").post(f"{PATH}/erase", body).status_code == 422
    assert call("freya").get(PATH).body["name"] == "Cora Dvořák"


def test_who_may_not_and_who_is_elsewhere(call):
    assert erase(call, by="petra").status_code == 403
    for by in ("henk", "stranger"):
        assert erase(call, by=by).status_code == 404
        assert call(by).get(f"{PATH}/export").status_code == 404
    assert call("lena").post(f"clients/{uid('nobody')}/erase", WISH).status_code == 404


def test_a_booking_and_an_erasure_at_once_leave_no_visit_of_an_erased_client(own_database, now):
    from services.actions.booking import book_visit
    from services.actions.erasure import erase_client
    from services.actions.plans import LineRequest
    from spa_ops.kernel.problems import Problem

    wish = {"asked_by": "client", "reason": "wish"}
    from clients.actions_erasure import Asker, Reason

    outcomes, together = [], threading.Barrier(3)

    def attempt(what):
        together.wait()
        try:
            what()
            outcomes.append("done")
        except Problem as problem:
            outcomes.append(problem.slug)
        finally:
            connection.close()

    def book_one():
        line = LineRequest(
            service_id=uid("brow wax"), practitioner_id=uid("petra"), room_id=uid("room 1"),
            kit_id=uid("brow kit 1"), starts_at=now + timedelta(hours=1),
        )  # fmt: skip
        book_visit(actor=actor("freya"), now=now, location_id=LAKE, client_id=CORA, lines=[line])

    def erase_one():
        erase_client(
            actor=actor("lena"), now=now, client_id=CORA, asked_by=Asker(wish["asked_by"]),
            reason=Reason(wish["reason"]),
        )  # fmt: skip

    threads = [
        threading.Thread(target=attempt, args=(w,)) for w in (book_one, erase_one, erase_one)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with reading(BUSINESS):
        erased = Client.objects.get(id=CORA).erased_at is not None
        booked = Visit.objects.filter(client_id=CORA).exists()
    assert erased != booked
    assert sorted(outcomes) == (
        ["done", "done", "erased"] if erased else ["done", "visits-ahead", "visits-ahead"]
    )
    assert len(evidence("client.erased")) == erased


def test_the_sweep_lets_go_on_the_day_and_not_before(db, now):
    said(now)
    for at, expected in ((DUE - timedelta(microseconds=1), 0), (DUE, 1), (DUE, 0)):
        with clock.stopped_at(at):
            assert len(content()) == expected
            assert expire_health() == expected
    assert evidence("client.health_expired", LAKE) == [{"client_ids": [str(CORA)], "count": 1}]
    with reading(BUSINESS):
        assert health_of(CORA, BUSINESS) == []
        assert verification(BUSINESS, LAKE).is_whole
    # Who comes back is asked anew, under a fresh key.
    said(DUE + timedelta(days=1))
    with reading(BUSINESS):
        assert len(health_of(CORA, BUSINESS)) == 1


def test_a_new_visit_moves_the_day(db, now):
    said(now)
    said(now + timedelta(days=200))
    with clock.stopped_at(DUE + timedelta(days=199)):
        assert expire_health() == 0


def test_the_listing_shows_what_the_sweep_would_do_and_does_nothing(call, now):
    said(now)
    assert call("lena").get("clients/retention-due").body == {"items": []}
    with reading(BUSINESS), clock.stopped_at(DUE):
        assert [row["client_id"] for row in content()] == [CORA]
        assert content(HARBOR) == []
    assert call("petra").get("clients/retention-due").status_code == 403


def test_a_batch_is_bounded_and_the_rest_comes_next(db, now, monkeypatch):
    from clients import queries_record

    assert BATCH == 500
    monkeypatch.setattr(queries_record, "BATCH", 1)
    said(now)
    said(now, uid("celia"))
    sweep = {"actor": system_actor(BUSINESS), "now": DUE, "location_id": LAKE}
    assert [expire_health_answers(**sweep) for _ in range(3)] == [1, 1, 0]


def test_who_read_it_stays_on_record(call, now):
    call("petra").get(f"{PATH}/health")
    erase(call)
    with reading(BUSINESS):
        assert HealthRead.objects.filter(client_id=CORA).count() == 1


def test_oregon_keeps_client_records_three_years():
    # OAR 817-015-0065, read (trade-facts.md 9.01).
    rule = parameters("us-or", date(2026, 5, 6)).values["retention"]
    assert (rule.value["client_record_years"], rule.is_house) == (3, False)
    assert parameters("us-tx", date(2026, 5, 6)).values["retention"].is_house


@given(st.dates(date(1970, 1, 1), date(2200, 1, 1)), st.integers(1, 100))
def test_years_are_counted_as_the_calendar_does_and_never_short(day, years):
    # Oracle: dateutil, which gives 28 February for a 29th; we keep one day longer.
    expected = day + relativedelta(years=years)
    short = (day.month, day.day) == (2, 29) and expected.day == 28
    assert keep_until(day, years) == expected + timedelta(days=short)


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(-3, 3), st.integers(1, 50))
def test_what_is_due_is_what_need_not_be_kept(today, off, years):
    latest = last_due(today, years)
    day = latest + timedelta(days=off)
    assert (keep_until(day, years) <= today) == (day <= latest)
