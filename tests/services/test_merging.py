"""Two records of one person merged, and two again, over HTTP and in the actions."""

import threading
from datetime import UTC, date, datetime, timedelta
from itertools import count
from uuid import UUID

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clients.actions import add_client, change_client, record_health
from clients.actions_consents import give_consent, withdraw_consent
from clients.actions_erasure import Asker, Reason, expire_health_answers
from clients.actions_patch_tests import record_patch_test, record_reading
from clients.models import Client, ClientMerge, ConsentPurpose
from clients.queries import age_and_consents, case_of, consents, declared_by_each, items_from
from clients.queries_people import ids_of, left_of
from clients.queries_record import due_for_expiry, everything_of
from clients.rules.patch_tests import Grade, Outcome, SeenBy
from compliance.ledger.queries import entries, verification
from services.actions.booking import book_visit
from services.actions.erasure import erase_client
from services.actions.merging import merge_client, undo_merge
from services.actions.plans import LineRequest
from services.models import Visit
from services.queries.imports import clients_at, left_ones
from services.queries.visits import booked_ahead
from services.tasks import look_ahead
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, in_room, line
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid
from tests.world_clients import agree

CORA, TWIN = uid("cora"), uid("twin")
LAST = timedelta(hours=720)
TICK = timedelta(microseconds=1)


@pytest.fixture
def twin(db, now):
    return double(now)


def double(now, who="twin", name="Coralie Novak", place=LAKE, **more):
    made = add_client(
        actor=system_actor(BUSINESS), now=now, id=uid(who), location_id=place, name=name,
        **{"birth_date": date(1990, 4, 12)} | more,
    )  # fmt: skip
    agree(who)
    return made


def merge(call, a="twin", b="cora", by="lena", **more):
    given = {"into": str(uid(b))} | more.pop("body", {})
    return call(by).post(f"clients/{uid(a)}/merge", given, **more)


def undo(call, a="twin", by="lena", **more):
    return call(by).post(f"clients/{uid(a)}/merge/undo", **more)


def merged(now, a="twin", b="cora"):
    return merge_client(actor=actor("olga"), now=now, client_id=uid(a), into_id=uid(b))


def undone(now, a="twin"):
    return undo_merge(actor=actor("olga"), now=now, client_id=uid(a))


def kind_of(answer):
    return answer.status_code, answer.body["type"].rpartition("/")[2]


def declares(now, who, **said):
    items = items_from(declarations=[said], today=now.date())
    record_health(
        actor=actor("olga"), now=now, client_id=uid(who), visit_id=uid(f"visit of {who} {now}"),
        location_id=LAKE, items=items,
    )  # fmt: skip


def client_body(call, who):
    return call("freya").get(f"clients/{uid(who)}").body


def facts(kind):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(BUSINESS, kinds=[kind])]


def test_the_one_that_is_left_is_found_by_the_words_of_both(call, now, twin):
    before = client_body(call, "cora")["version"], client_body(call, "twin")["version"]
    done = merge(call, body={"reason": "name_changed"})
    assert (done.status_code, done.body["id"]) == (200, str(CORA)), done.body
    for text in ("novak", "coralie", "dvo", "3125550123"):
        found = call("freya").get(f"clients?q={text}").body["items"]
        assert [c["id"] for c in found] == [str(CORA)], text
    assert str(TWIN) not in {c["id"] for c in call("freya").get("clients?limit=200").body["items"]}
    away = client_body(call, "twin")
    assert (away["merged_into"], away["name"]) == (str(CORA), "Coralie Novak")
    assert datetime.fromisoformat(away["merge_undone_until"]) == now + LAST
    assert (done.body["merged_into"], done.body["merge_undone_until"]) == (None, None)
    assert (done.body["version"], away["version"]) == (before[0] + 1, before[1] + 1)
    assert facts("client.merged") == [
        {"client_id": str(TWIN), "into_id": str(CORA), "reason": "name_changed"}
    ]
    assert undo(call).body["merged_into"] is None
    assert [c["id"] for c in call("freya").get("clients?q=nov").body["items"]] == [str(TWIN)]
    assert call("freya").get("clients?q=nov%20dvo").body["items"] == []
    assert facts("client.merge_undone") == [{"client_id": str(TWIN), "into_id": str(CORA)}]
    with reading(BUSINESS):
        assert verification(BUSINESS, BUSINESS).is_whole


def test_what_is_written_about_the_merged_one_names_the_one_that_is_left(call, now, twin):
    assert merge(call).status_code == 200
    away = client_body(call, "twin")
    asked = [
        book(call, now, client="twin"),
        call("freya").post(
            f"locations/{LAKE}/availability",
            {
                "client_id": str(TWIN),
                "lines": [{"service_id": str(uid("lip wax"))}],
                "from": now.isoformat(),
            },
        ),
        call("freya").post(f"clients/{TWIN}/consents", {"purpose": "sms_messages", "given": True}),
        call("freya").patch(f"clients/{TWIN}", {"note": "x"}, If_Match=f'"{away["version"]}"'),
        call("lena").post(f"clients/{TWIN}/erase", {"asked_by": "client", "reason": "wish"}),
        merge(call, "twin", "celia"),
        merge(call, "celia", "twin"),
    ]
    assert [kind_of(a) for a in asked] == [(409, "merged-away")] * len(asked)
    assert {a.body["into"] for a in asked} == {str(CORA)}
    with pytest.raises(Problem) as refused:
        declares(now, "twin", kind="pregnancy")
    assert refused.value.slug == "merged-away"
    assert client_body(call, "twin") == away
    with reading(BUSINESS):
        assert not Visit.objects.filter(client_id=TWIN).exists()
    assert book(call, now).status_code == 201


def test_said_again_changes_nothing_and_a_repeat_is_answered_alike(call, now, twin):
    first = merge(call, Idempotency_Key="m")
    again, repeat = merge(call), merge(call, Idempotency_Key="m")
    assert first.body == again.body == repeat.body
    assert repeat.headers["Idempotency-Replayed"] == "true"
    with reading(BUSINESS):
        assert ClientMerge.objects.count() == len(entries(BUSINESS, kinds=["client.merged"])) == 1
    back = [undo(call, Idempotency_Key="u") for _ in range(2)]
    assert back[0].body == back[1].body
    assert kind_of(undo(call)) == (409, "wrong-state")
    assert len(facts("client.merge_undone")) == 1


@pytest.mark.parametrize("body", [{"into": "x"}, {"into": str(TWIN)}, {"reason": "because"}, {"why": "x"}])  # fmt: skip
def test_bad_input_merges_nothing(call, twin, body):
    assert merge(call, body=body).status_code == 422
    assert call("lena").post(f"clients/{TWIN}/merge", {}).status_code == 422
    assert client_body(call, "twin")["merged_into"] is None


def test_who_may_not_and_who_is_elsewhere(call, now, twin):
    assert [merge(call, by=by).status_code for by in ("petra", "freya", "inga")] == [403] * 3
    assert [merge(call, by=by).status_code for by in ("henk", "stranger")] == [404] * 2
    assert merge(call, "hugo", "cora").status_code == 404
    assert merge(call, "cora", "hugo").status_code == 404
    assert merge(call, "cora", "nobody").status_code == 404
    assert merge(call).status_code == 200
    assert [undo(call, by=by).status_code for by in ("henk", "stranger")] == [404] * 2
    assert undo(call, by="petra").status_code == 403
    assert undo(call, "nobody").status_code == 404
    assert client_body(call, "twin")["merged_into"] == str(CORA)


def test_who_knew_the_merged_one_knows_the_one_that_is_left(call, now):
    double(now, place=HARBOR)
    path = f"clients/{CORA}/export"
    assert call("henk").get(path).status_code == 404
    assert merge(call, by="olga").status_code == 200
    assert call("henk").get(path).status_code == 200
    assert undo(call, by="henk").status_code == 200
    assert call("henk").get(path).status_code == 404


def test_visits_that_are_not_over_stand_in_the_way_and_overlaps_are_named(call, now, twin):
    own = book(call, now, line(now, minutes=60)).body
    other = line(now, who="pavel", room="room 2", kit="brow kit 2", minutes=65)
    waiting = book(call, now, other, client="twin")
    assert waiting.status_code == 201, waiting.body
    refused = merge(call)
    assert kind_of(refused) == (409, "visits-to-move")
    assert [(v["id"], v["overlaps"]) for v in refused.body["visits"]] == [
        (waiting.body["id"], [own["id"]])
    ]
    assert client_body(call, "twin")["merged_into"] is None
    assert call("freya").post(f"visits/{own['id']}/cancel").status_code == 200
    assert merge(call).body["visits"][0]["overlaps"] == []
    assert call("freya").post(f"visits/{waiting.body['id']}/cancel").status_code == 200
    assert merge(call).status_code == 200
    # Booked again by striking the cancellation: not for who was merged away.
    struck = call("lena").post(f"visits/{waiting.body['id']}/strike-out", {"reason": "slip"})
    assert kind_of(struck) == (409, "merged-away")


def test_other_birth_dates_are_other_people_until_corrected(call, now, twin):
    assert kind_of(merge(call, "celia")) == (409, "birth-dates-differ")
    assert client_body(call, "celia")["merged_into"] is None
    change_client(actor=actor("lena"), now=now, client_id=TWIN, birth_date=date(2012, 1, 2))
    change_client(actor=actor("lena"), now=now, client_id=CORA, birth_date=None)
    merged(now)
    with reading(BUSINESS):
        # A minor stays one, also if only the other record says so.
        assert age_and_consents(CORA)[0] == date(2012, 1, 2)


def carried_through(call, now, client):
    visit = in_room(call, now, client=client)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    assert call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED}).status_code == 200
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    return visit["id"]


def test_visits_answers_and_dates_of_both_are_shown_for_the_one_that_is_left(call, now, twin):
    past = carried_through(call, now, "twin")
    assert merge(call).status_code == 200
    with reading(BUSINESS):
        assert booked_ahead(CORA, now) == []
    other = line(now, who="pavel", room="room 2", kit="brow kit 2", minutes=90)
    ahead = book(call, now, other).body["id"]
    visits = call("freya").get(f"locations/{LAKE}/visits?client={CORA}").body["items"]
    assert {v["id"] for v in visits} == {past, ahead}
    dates = call("freya").get(f"locations/{LAKE}/rebookings?client_id={CORA}").body["items"]
    assert [d["client_id"] for d in dates] == [str(TWIN)]
    health = call("petra").get(f"clients/{CORA}/health")
    assert past in {i["visit_id"] for i in health.body["items"]}
    tables = call("lena").get(f"clients/{CORA}/export").body["tables"]
    assert {c["id"] for c in tables["clients_client"]} == {str(CORA), str(TWIN)}
    assert {v["id"] for v in tables["services_visit"]} == {past, ahead}
    assert len(tables["services_work_record"]) == 1
    done = call("petra").get(f"clients/{CORA}/treatments").body
    assert [i["visit_id"] for i in done["items"]] == [past]
    assert done["items"][0]["records"][0]["record"]["reaction"] == "slight redness"
    call("petra").get(f"clients/{CORA}/health")
    reads = call("lena").get(f"clients/{CORA}/health-reads").body["items"]
    assert {r["person_id"] for r in reads} >= {str(uid("petra")), str(uid("lena"))}


def test_screening_goes_by_what_either_declared_and_coming_visits_are_looked_at_again(call, now, twin):  # fmt: skip
    declares(now, "twin", kind="isotretinoin", still=True)
    visit = book(call, now).body
    look_ahead()
    path = f"visits/{visit['id']}"
    assert call("freya").get(path).body["lines"][0]["verdict"] == ""
    merge(call)
    look_ahead()
    assert call("freya").get(path).body["lines"][0]["verdict"] not in {"", "proceed"}
    with reading(BUSINESS):
        assert [d.kind for d in case_of(CORA, uid("any"), now.date()).declarations] == [
            "isotretinoin"
        ]
        assert len(declared_by_each([CORA])[CORA]) == 1
    undo(call)
    look_ahead()
    assert call("freya").get(path).body["lines"][0]["verdict"] == ""
    with reading(BUSINESS):
        assert case_of(CORA, uid("any"), now.date()).declarations == ()


def test_who_is_in_the_room_is_screened_anew_at_once(call, now, twin):
    declares(now, "twin", kind="isotretinoin", still=True)
    visit = consult(call, in_room(call, now))
    assert visit["lines"][0]["verdict"] == "proceed"
    merge(call)
    path = f"visits/{visit['id']}"
    after = call("petra").get(path).body["lines"][0]
    assert after["verdict"] not in {"proceed", "proceed_with_care"}
    started = call("petra").post(f"lines/{after['id']}/start", GLOVED)
    assert kind_of(started) == (409, "screening-forbids")
    undo(call)
    assert call("petra").get(path).body["lines"][0]["verdict"] == "proceed"


def test_a_wrong_answer_of_the_merged_one_is_struck_out_where_it_was_kept(call, now, twin):
    declares(now, "twin", kind="isotretinoin", still=True)
    visit = in_room(call, now)
    merge(call)
    (item,) = (
        i for i in call("petra").get(f"clients/{CORA}/health").body["items"]
        if i["kind"] == "declaration"
    )  # fmt: skip
    struck = call("petra").post(
        f"visits/{visit['id']}/consultation/strike-out",
        {"item_id": item["id"], "reason": "the other client"},
    )
    assert struck.status_code == 200, struck.body
    undo(call)
    with reading(BUSINESS):
        assert case_of(TWIN, uid("any"), now.date()).declarations == ()
        assert everything_of(TWIN)["clients_health_answer"][0]["struck"]["reason"] == (
            "the other client"
        )


def test_a_patch_test_of_the_merged_one_shuts_the_product_out(call, now, twin):
    given = {"actor": actor("petra"), "now": now, "location_id": LAKE}
    made = record_patch_test(
        **given, client_id=TWIN, skin_product_id=uid("tint"), product_name="Tint",
        supplier="Invented Alba", formula_version="A1", lead_hours=48, area="ear", applied_at=now,
    )  # fmt: skip
    merge(call)
    # Its reading, after the merge, is the test's.
    record_reading(
        **given, patch_test_id=made.id, outcome=Outcome.REACTION, grade=Grade.REDNESS,
        seen_by=SeenBy.CLIENT,
    )  # fmt: skip
    tests = call("petra").get(f"clients/{CORA}/patch-tests").body["items"]
    assert [t["id"] for t in tests] == [str(made.id)]
    with reading(BUSINESS):
        assert everything_of(CORA)["clients_patch_test_entry"][0]["outcome"] == "reaction"
    undo(call)
    assert call("petra").get(f"clients/{CORA}/patch-tests").body["items"] == []


def test_an_incident_of_a_visit_of_the_merged_one_is_kept_and_told_to_screening(call, now, twin):
    past = carried_through(call, now, "twin")
    merge(call)
    given = {
        "kind": "reaction", "what_happened": "red and swollen at home", "client_id": str(TWIN),
        "visit_id": past, "area": "brow",
    }  # fmt: skip
    told = call("petra").post(f"locations/{LAKE}/incidents", given)
    assert told.status_code == 201, told.body
    with reading(BUSINESS):
        assert [d.kind for d in case_of(CORA, uid("any"), now.date()).declarations] == ["reaction"]
    taken = call("lena").post(f"incidents/{told.body['id']}/strike-out", {"reason": "another's"})
    assert taken.status_code == 200, taken.body
    with reading(BUSINESS):
        assert case_of(CORA, uid("any"), now.date()).declarations == ()


SMS = ConsentPurpose.SMS_MESSAGES


def says(who, given, at):
    act = give_consent if given else withdraw_consent
    act(actor=actor("olga"), now=at, client_id=uid(who), purpose=SMS)


@pytest.mark.parametrize(
    ("one", "other", "holds"),
    [
        (None, None, None), (True, None, True), (None, True, True), (True, True, True),
        (False, None, False), (None, False, False), (True, False, False), (False, True, False),
    ],
)  # fmt: skip
def test_of_consents_the_strictest_holds_until_asked_anew(call, now, twin, one, other, holds):
    for who, said in (("twin", one), ("cora", other)):
        if said is not None:
            says(who, said, now)
    merge(call)
    for found in (client_body(call, "cora")["consents"], _consents(CORA)):
        assert found.get("sms_messages") is holds
    says("cora", True, now)  # asked anew, at the very instant of the merge by the clock
    assert _consents(CORA)["sms_messages"] is client_body(call, "cora")["consents"]["sms_messages"] is True  # fmt: skip
    undo(call)
    assert _consents(TWIN).get("sms_messages") is one
    assert _consents(CORA)["sms_messages"] is True


def _consents(client_id):
    with reading(BUSINESS):
        return consents(client_id)


def test_a_consent_that_a_fast_clock_dated_ahead_does_not_undo_a_withdrawal(call, now, twin):
    says("cora", True, now + timedelta(minutes=3))
    says("twin", False, now)
    merge(call)
    assert _consents(CORA)["sms_messages"] is False


def test_an_undo_holds_to_the_last_microsecond(db, now, twin):
    # 30 days of 24 hours, the last instant included: house policy, no source.
    merged(now)
    with pytest.raises(Problem) as late:
        undone(now + LAST + TICK)
    assert late.value.slug == "too-late-to-undo"
    assert datetime.fromisoformat(late.value.fields["until"]) == now + LAST
    with reading(BUSINESS):
        assert left_of(TWIN) == CORA
    undone(now + LAST)
    with reading(BUSINESS):
        assert (left_of(TWIN), ids_of(CORA)) == (TWIN, [CORA])


def test_erasing_the_one_that_is_left_erases_the_person_for_good(call, now, twin):
    carried_through(call, now, "twin")
    merge(call)
    asked = {"asked_by": "client", "reason": "wish"}
    assert call("lena").post(f"clients/{CORA}/erase", asked).status_code == 200
    for who in (CORA, TWIN):
        body = call("freya").get(f"clients/{who}").body
        assert (body["name"], body["erased_at"] is None) == ("", False)
        assert kind_of(call("lena").get(f"clients/{who}/export")) == (410, "erased")
    assert kind_of(undo(call)) == (410, "erased")
    assert call("freya").get("clients?q=nov").body["items"] == []
    assert {f["client_id"] for f in facts("client.erased")} == {str(CORA), str(TWIN)}


def test_nobody_erased_is_merged(call, now, twin):
    asked = {"asked_by": "client", "reason": "wish"}
    assert call("lena").post(f"clients/{TWIN}/erase", asked).status_code == 200
    assert kind_of(merge(call)) == (410, "erased")
    assert kind_of(merge(call, "cora", "twin")) == (410, "erased")


def test_what_a_person_said_last_keeps_what_they_said_first(db, now, twin):
    # Three years (house default) after the last answer of the person, whichever record has it.
    declares(now, "twin", kind="pregnancy")
    declares(now + timedelta(days=200), "cora", kind="pregnancy")
    due = datetime(2029, 5, 6, 5, 0, tzinfo=UTC)
    sweep = {"actor": system_actor(BUSINESS), "location_id": LAKE}
    with reading(BUSINESS):
        assert [r["client_id"] for r in due_for_expiry(LAKE, due)] == [TWIN]
    merged(now)
    with reading(BUSINESS):
        assert due_for_expiry(LAKE, due) == []
    assert expire_health_answers(now=due, **sweep) == 0
    assert expire_health_answers(now=due + timedelta(days=201), **sweep) == 2


def test_suggested_no_more_and_imported_as_the_one_that_is_left(call, now):
    double(now, "twin", phone="+13125550123")
    assert call("lena").get("clients/duplicates").body["items"]
    merge(call)
    assert call("lena").get("clients/duplicates").body["items"] == []
    with reading(BUSINESS):
        named = {name: client_id for client_id, name, *_ in clients_at(LAKE)}
        assert named["Coralie Novak"] == named["Cora Dvořák"] == CORA
        away = Client.objects.get(id=TWIN)
        assert left_ones([away])[TWIN].id == CORA


_RUNS = count()
_SAID = st.tuples(
    st.integers(0, 3), st.sampled_from(["declare", "give", "withdraw", "test"]),
    st.integers(0, 1000),
)  # fmt: skip


def kept(now, who, what, at):
    at = now - timedelta(minutes=at)
    if what == "declare":
        declares(at, who, kind="isotretinoin", still=True)
    elif what == "test":
        record_patch_test(
            actor=actor("olga"), now=now, location_id=LAKE, client_id=uid(who),
            skin_product_id=uid("tint"), product_name="Tint", supplier="Invented Alba",
            formula_version="A1", lead_hours=48, area="ear", applied_at=at,
        )  # fmt: skip
    else:
        says(who, what == "give", at)


def every_record(names):
    with reading(BUSINESS):
        return {who: (everything_of(uid(who)), consents(uid(who))) for who in names}


@given(said=st.lists(_SAID, max_size=8), order=st.permutations(range(4)), data=st.data())
@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_an_undo_gives_back_exactly_what_was_in_whatever_order(db, now, said, order, data):
    run = next(_RUNS)
    names = [f"{run} {n}" for n in order]
    for who in names:
        double(now, who)
    for n, what, at in said:
        kept(now, f"{run} {n}", what, at)
    before = every_record(names)
    # Each but the last into one that is left still: chains and stars alike.
    for n, who in enumerate(names[:-1]):
        merged(now, who, data.draw(st.sampled_from(names[n + 1 :])))
    tables, agreed = every_record(names)[names[-1]]
    for table, rows in tables.items():
        every = [str(row) for who in names for row in before[who][0][table]]
        assert sorted(map(str, rows)) == sorted(every), table
    asked = [own["sms_messages"] for _, own in before.values() if "sms_messages" in own]
    assert agreed.get("sms_messages") == (all(asked) if asked else None)
    for who in data.draw(st.permutations(names[:-1])):
        undone(now, who)
    assert every_record(names) == before


def at_once(*whats):
    """Run each in a thread of its own, from one moment on; gives `done` or the problem's name."""
    together, outcomes = threading.Barrier(len(whats)), [""] * len(whats)

    def attempt(n, what):
        together.wait()
        try:
            what()
            outcomes[n] = "done"
        except Problem as problem:
            outcomes[n] = problem.slug
        finally:
            connection.close()

    threads = [threading.Thread(target=attempt, args=pair) for pair in enumerate(whats)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


def test_each_into_the_other_at_once_merges_once(own_database, now):
    double(now)
    outcomes = at_once(lambda: merged(now), lambda: merged(now, "cora", "twin"))
    assert sorted(outcomes) == ["done", "merged-away"]
    with reading(BUSINESS):
        left = left_of(TWIN)
        assert left == left_of(CORA) == (CORA if outcomes[0] == "done" else TWIN)
        assert ClientMerge.objects.count() == 1


def test_a_booking_at_once_is_of_one_that_is_left_or_stands_in_the_way(own_database, now):
    double(now)

    def book_one():
        asked = LineRequest(
            service_id=uid("brow wax"), practitioner_id=uid("petra"), room_id=uid("room 1"),
            kit_id=uid("brow kit 1"), starts_at=now + timedelta(hours=1),
        )  # fmt: skip
        book_visit(actor=actor("freya"), now=now, location_id=LAKE, client_id=TWIN, lines=[asked])

    outcomes = at_once(lambda: merged(now), book_one)
    assert outcomes in (["done", "merged-away"], ["visits-to-move", "done"])
    with reading(BUSINESS):
        assert Visit.objects.filter(client_id=TWIN).exists() == (outcomes[1] == "done")


@pytest.mark.parametrize("who", ["twin", "cora"])
def test_an_erasure_at_once_erases_a_whole_person_or_one_of_two(own_database, now, who):
    double(now)

    def erase(client_id: UUID):
        erase_client(
            actor=actor("lena"), now=now, client_id=client_id, asked_by=Asker.CLIENT,
            reason=Reason.WISH,
        )  # fmt: skip

    outcomes = at_once(lambda: merged(now), lambda: erase(uid(who)))
    with reading(BUSINESS):
        gone = set(Client.objects.exclude(erased_at=None).values_list("id", flat=True))
        is_merged = left_of(TWIN) == CORA
    expected = {
        ("erased", "done"): {uid(who)},
        ("done", "merged-away"): set(),
        ("done", "busy"): set(),
        ("done", "done"): {CORA, TWIN},
    }
    assert gone == expected[tuple(outcomes)]
    assert is_merged == (outcomes[0] == "done")


def test_consent_and_answers_at_once_are_never_kept_under_the_merged_one(own_database, now):
    double(now)
    outcomes = at_once(lambda: merged(now), lambda: says("twin", True, now))
    assert outcomes in (["done", "done"], ["done", "merged-away"])
    assert _consents(CORA).get("sms_messages") is (True if outcomes[1] == "done" else None)


def test_answers_of_another_visit_do_not_count_at_this_one(call, now, twin):
    """Answers are of one visit, also of the same person."""
    past = carried_through(call, now, "twin")
    merge(call)
    with reading(BUSINESS):
        assert case_of(CORA, uid("any"), now.date()).answers == {}
        assert case_of(CORA, UUID(past), now.date()).answers.keys() == {
            q["question"] for q in all_no()
        }
