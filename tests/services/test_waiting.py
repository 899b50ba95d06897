"""The waiting list over HTTP: who is offered what came free, in which order, until when."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clients.models import ConsentPurpose
from services.actions.waiting_matching import offer_next
from services.models import WaitingDue, WaitingOffer
from services.tasks import look_ahead, offer_freed_time, sweep_holds
from spa_ops.claims.models import Claim
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.builders import house_policy
from tests.services.carriers import Kept
from tests.services.day import book, consult, in_room, line
from tests.world import BUSINESS, HARBOR, LAKE, uid
from tests.world_clients import agree

PATH = f"locations/{LAKE}/waiting"
OFFERS = f"locations/{LAKE}/waiting-offers"
MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def kept(settings):
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Kept"
    Kept.messages.clear()
    return Kept.messages


def lip(who="petra", room="room 1"):
    asked = {"service_id": str(uid("lip wax"))}
    if who:
        asked["practitioner_id"] = str(uid(who))
    return asked | ({"room_id": str(uid(room))} if room else {})


def facial():
    """As long as what `fill` has taken."""
    return lip() | {"service_id": str(uid("facial"))}


def wait(call, client="cora", *lines, by="freya", **more):
    body = {
        "client_id": str(uid(client)),
        "lines": list(lines) or [facial()],
        "from_on": "2026-05-06",
        "until_on": "2026-05-06",
    }
    answer = call(by).post(PATH, body | more)
    assert answer.status_code == 201, answer.body
    return answer.body


def person(call, name, born="1988-08-08", **more):
    body = {"id": str(uid(name)), "name": f"Invented {name.title()}", "location_id": str(LAKE)}
    made = call("freya").post("clients", body | {"birth_date": born} | more)
    assert made.status_code == 201, made.body


def fill(call, now, *, leave=()):
    """Petra and room 1 are taken for the whole rest of the day, by one facial after the other.

    Gives the visits by their start in minutes from now; those of `leave` are not made.
    """
    path, made = f"services/{uid('facial')}", {}
    # With the twelve minutes that its turnover takes at least, one is as long as the next is later.
    shorter = call("lena").patch(path, {"hands_on_minutes": 48}, If_Match=call("lena").get(path)["ETag"])  # fmt: skip
    assert shorter.status_code == 200, shorter.body
    for n, minutes in enumerate((30, 105, 180, 255, 330)):
        if minutes in leave:
            continue
        name = f"guest {n}"
        person(call, name)
        long = [line(now, "facial", kit=None, minutes=minutes)]
        answer = book(call, now, *long, client=name)
        assert answer.status_code == 201, answer.body
        made[minutes] = answer.body
    return made


def cancel(call, visit):
    assert call("freya").post(f"visits/{visit['id']}/cancel", {}).status_code == 200


def offers(call, who="freya", **query):
    text = "&".join(f"{k}={v}" for k, v in query.items())
    return call(who).get(f"{OFFERS}?{text}").body["items"]


def waiting(call, **query):
    text = "&".join(f"{k}={v}" for k, v in query.items())
    return [((e["client_name"].split() or [""])[-1], e["state"]) for e in call("freya").get(f"{PATH}?{text}").body["items"]]  # fmt: skip


def slug(answer):
    return answer.body["type"].removeprefix("/problems/")


def due() -> int:
    with reading(BUSINESS):
        return WaitingDue.objects.count()


def test_what_comes_free_is_kept_for_the_first_whom_it_fits_and_booked_only_by_hand(call, now):
    visits = fill(call, now)
    wait(call, "cora", times=[["09:00", "11:00"]])  # in the morning: it is noon
    second = wait(call, "celia", note="after work")
    assert offer_freed_time() == {}
    assert offers(call) == []
    cancel(call, visits[105])
    assert due() > 0
    assert offer_freed_time() == {"offered": 1, "no_consent": 1}
    assert due() == 0
    (offer,) = offers(call)
    assert offer["entry_id"] == second["id"]
    assert (offer["expires_at"], offer["state"]) == ("2026-05-06T17:30:00.000000Z", "offered")
    assert offer["call"] == {
        "client_id": str(uid("celia")), "name": "Celia O’Brien-Weiß", "language": "en", "guardian": "",
        "phone": "+13125550124",
    }  # fmt: skip
    named = [(x["service"], x["practitioner"], x["room"]) for x in offer["lines"]]
    assert named == [("Facial", "Petra", "room 1")]
    assert offer["local_start"].startswith("2026-05-06 13:45")
    assert offer["note"] == "after work"
    assert waiting(call) == [("Dvořák", "waiting"), ("O’Brien-Weiß", "offered")]
    # Nothing was booked, and it is nobody else's.
    booked = call("freya").get(f"locations/{LAKE}/visits?client={uid('celia')}").body["items"]
    assert booked == []
    clash = book(call, now, line(now, "facial", kit=None, minutes=105), client="cora")
    assert (slug(clash), clash.body["clashes"][0]["held_by"]) == ("claim-clash", "the waiting list")
    assert offer_freed_time() == {}
    accepted = call("petra").post(
        f"waiting-offers/{offer['id']}/accept", {"note": "by telephone"}, Idempotency_Key="yes"
    )
    assert accepted.status_code == 201, accepted.body
    assert accepted.body["client_id"] == str(uid("celia"))
    assert accepted.body["starts_at"] == offer["starts_at"]
    again = call("petra").post(
        f"waiting-offers/{offer['id']}/accept", {"note": "by telephone"}, Idempotency_Key="yes"
    )
    assert (again.status_code, again.body) == (201, accepted.body)
    over = call("freya").post(f"waiting-offers/{offer['id']}/accept", {})
    assert (slug(over), over.body["state"]) == ("offer-over", "accepted")
    assert slug(call("freya").post(f"waiting-offers/{offer['id']}/decline", {})) == "offer-over"
    assert slug(call("freya").post(f"waiting/{second['id']}/withdraw")) == "wrong-state"
    assert waiting(call, state="booked") == [("O’Brien-Weiß", "booked")]
    assert offers(call) == []
    with reading(BUSINESS):
        assert not Claim.objects.filter(hold_expires_at__isnull=False).exists()


def test_a_no_goes_to_the_next_and_keeps_the_place_but_for_that_day(call, now):
    visits = fill(call, now)
    first = wait(call, "cora", until_on="2026-05-08", weekdays=["wed"])
    wait(call, "celia")
    cancel(call, visits[105])
    offer_freed_time()
    (offer,) = offers(call)
    assert offer["entry_id"] == first["id"]
    declined = call("freya").post(f"waiting-offers/{offer['id']}/decline", {})
    assert (declined.status_code, declined.body["state"]) == (200, "waiting")
    assert offer_freed_time()["offered"] == 1
    (following,) = offers(call)
    assert following["call"]["name"].startswith("Celia")
    assert following["starts_at"] == offer["starts_at"]
    gone = call("freya").post(f"waiting-offers/{following['id']}/decline", {"withdraw": True})
    assert gone.body["state"] == "withdrawn"
    offer_freed_time()
    assert offers(call) == []
    assert waiting(call) == [("Dvořák", "waiting")]


def test_who_was_hurt_since_the_offer_is_told_nothing_until_that_is_seen_to(
    call, now, kept, settings
):
    agree("celia", ConsentPurpose.SMS_MESSAGES)
    visits = fill(call, now)
    wait(call, "celia")
    cancel(call, visits[105])
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Away"
    assert offer_freed_time()["offered"] == 1
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Kept"
    told = {"kind": "burn", "what_happened": "invented", "client_id": str(uid("celia"))}
    incident = call("petra").post(f"locations/{LAKE}/incidents", told).body
    with clock.stopped_at(now + 5 * MINUTE):
        offer_freed_time()
        assert kept == [] and offers(call)[0]["message_state"] == "waiting"
        path = f"incidents/{incident['id']}/strike-out"
        assert call("lena").post(path, {"reason": "invented"}).status_code == 200
        offer_freed_time()
        assert len(kept) == 1 and offers(call)[0]["message_state"] == "sent"


def test_whose_offer_ended_while_they_were_hurt_gets_no_late_message(call, now, kept, settings):
    agree("celia", ConsentPurpose.SMS_MESSAGES)
    visits = fill(call, now)
    wait(call, "celia")
    cancel(call, visits[105])
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Away"
    offer_freed_time()
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Kept"
    told = {"kind": "burn", "what_happened": "invented", "client_id": str(uid("celia"))}
    call("petra").post(f"locations/{LAKE}/incidents", told)
    with clock.stopped_at(now + 40 * MINUTE):
        sweep_holds()
        offer_freed_time()
    assert kept == []
    with reading(BUSINESS):
        (offer,) = WaitingOffer.objects.all()
    assert (offer.message_state, offer.message_outcome) == ("not_sent", "too_late")


def test_a_wish_of_the_last_evening_stands_past_midnight_and_then_lapses(call, now):
    entry = wait(call, "celia", lip(), times=[["22:00", "01:00"]])
    assert entry["times"] == [["22:00", "01:00"]]
    midnight = now + 12 * 60 * MINUTE  # in Chicago
    for minutes, state in ((30, "waiting"), (61, "lapsed")):
        with clock.stopped_at(midnight + minutes * MINUTE):
            offer_freed_time()
            assert waiting(call, state=state) == [("O’Brien-Weiß", state)]


def test_who_was_hurt_is_offered_nothing_until_that_is_seen_to(call, now):
    visits = fill(call, now)
    wait(call, "celia")
    told = {"kind": "burn", "what_happened": "invented", "client_id": str(uid("celia"))}
    incident = call("petra").post(f"locations/{LAKE}/incidents", told)
    assert incident.status_code == 201, incident.body
    cancel(call, visits[105])
    assert offer_freed_time() == {} and offers(call) == []
    wrong = call("lena").post(f"incidents/{incident.body['id']}/strike-out", {"reason": "invented"})
    assert wrong.status_code == 200, wrong.body
    cancel(call, visits[255])
    assert offer_freed_time()["offered"] == 1
    assert [o["call"]["client_id"] for o in offers(call)] == [str(uid("celia"))]


def test_what_comes_free_while_a_list_is_gone_through_goes_to_who_waits_longest(call, now):
    visits = fill(call, now)
    early = wait(call, "guest 0", times=[["12:30", "12:31"]])
    later = wait(call, "guest 1", times=[["13:45", "13:46"]])
    wait(call, "guest 2")
    offer_freed_time()
    cancel(call, visits[105])
    going = {"actor": system_actor(BUSINESS), "now": now, "location_id": LAKE}
    at = offer_next(**going)
    assert at is not None
    assert [o["entry_id"] for o in offers(call)] == [later["id"]]
    # The list stands behind the first already.
    cancel(call, visits[30])
    while at is not None:
        at = offer_next(**going, at=at)
    assert [o["entry_id"] for o in offers(call, state="offered")].count(early["id"]) == 1
    assert {o["entry_id"] for o in offers(call)} == {early["id"], later["id"]}


def test_an_offer_lapses_after_its_minutes_and_never_runs_into_the_visit(call, now):
    house_policy(offer_minutes=90)
    visits = fill(call, now)
    first = wait(call, "cora")
    second = wait(call, "celia")
    cancel(call, visits[30])
    offer_freed_time()
    (offer,) = offers(call)
    assert offer["expires_at"] == offer["starts_at"]  # in fewer than 90 minutes
    soon = now + LEAST
    assert offer["starts_at"] >= soon.isoformat().replace("+00:00", ".000000Z")
    with clock.stopped_at(now + 50 * MINUTE):
        assert offers(call) == []
        late = call("freya").post(f"waiting-offers/{offer['id']}/accept", {})
        assert (slug(late), late.body["state"]) == ("offer-over", "lapsed")
        cancel(call, visits[105])
        assert offer_freed_time()["lapsed"] == 1
        # Cora did not answer today's: it is Celia's turn.
        (following,) = offers(call)
        assert following["entry_id"] == second["id"]
        assert [o["entry_id"] for o in offers(call, state="lapsed")] == [first["id"]]
    with clock.stopped_at(now + timedelta(days=1)):
        offer_freed_time()
        assert waiting(call) == []
        assert {s for _, s in waiting(call, state="lapsed")} == {"lapsed"}
    for wrong in (4, 241):
        patched = call("olga").get(f"locations/{LAKE}")
        refused = call("olga").patch(
            f"locations/{LAKE}", {"policies": {"offer_minutes": wrong}}, If_Match=patched["ETag"]
        )
        assert refused.status_code == 422, refused.body


LEAST = timedelta(minutes=10)


def _moved(call, now, visits):
    other = [line(now, "facial", kit=None, who="lena", room="room 2", minutes=140)]
    assert call("freya").post(f"visits/{visits[105]['id']}/move", {"lines": other}).status_code == 200  # fmt: skip


def _no_show(call, now, visits):
    with clock.stopped_at(now + 31 * MINUTE):
        assert call("freya").post(f"visits/{visits[30]['id']}/no-show").status_code == 200


def _hold_over(call, now, visits):
    sweep_holds()


def _line_dropped(call, now, visits):
    path = f"lines/{visits['two']['lines'][0]['id']}/drop"
    assert call("freya").post(path, {"reason": "not today"}).status_code == 200


@pytest.mark.parametrize("what", [_moved, _no_show, _hold_over, _line_dropped])
def test_whatever_frees_time_has_the_list_looked_at(call, now, what):
    at = now
    visits = fill(call, now, leave=(255, 330))
    if what is _hold_over:
        held = [
            line(now, "facial", kit=None, minutes=255),
            line(now, "facial", kit=None, minutes=330),
        ]
        for x in held:
            assert call("freya").post(f"locations/{LAKE}/holds", {"lines": [x]}).status_code == 201
        at = now + 6 * MINUTE
    else:
        two = [line(now, "facial", kit=None, minutes=m) for m in (255, 330)]
        person(call, "double")
        visits["two"] = book(call, now, *two, client="double").body
    wait(call, "cora")
    offer_freed_time()
    assert (offers(call), due()) == ([], 0)
    with clock.stopped_at(at):
        what(call, now, visits)
        assert due() > 0
        if what is _no_show:
            # What is left of it is too short to be called for.
            return
        assert offer_freed_time()["offered"] == 1
        assert len(offers(call)) == 1


def test_what_no_claim_tells_is_found_within_a_quarter_of_an_hour(call, now):
    fill(call, now)
    wait(call, "cora", lip(who="lena", room=None), times=[["19:00", "20:00"]])
    offer_freed_time()
    assert offers(call) == []
    shift = {"person_id": str(uid("lena")), "duty": "practitioner", "weekday": 2, "starts": "19:00",
             "ends": "20:00", "valid_from": "2026-05-06"}  # fmt: skip
    assert call("lena").post(f"locations/{LAKE}/shifts", shift).status_code == 201
    place = call("olga").get(f"locations/{LAKE}")
    hours = place.body["opening_hours"] | {"wed": [["09:00", "20:00"]]}
    longer = call("olga").patch(f"locations/{LAKE}", {"opening_hours": hours}, If_Match=place["ETag"])  # fmt: skip
    assert longer.status_code == 200, longer.body
    with clock.stopped_at(now + 14 * MINUTE):
        offer_freed_time()
        assert offers(call) == []
    with clock.stopped_at(now + 15 * MINUTE):
        offer_freed_time()
        assert [o["local_start"] for o in offers(call)] == ["2026-05-06 19:00"]


def test_nobody_is_offered_a_time_while_the_house_is_closed(call, now):
    with clock.stopped_at(now + timedelta(hours=9)):  # 21:00
        wait(call, "celia", from_on="2026-05-07", until_on="2026-05-07")
        assert offer_freed_time() == {}
        assert offer_freed_time() == {}
        assert due() == 1
    with clock.stopped_at(now + timedelta(hours=21)):  # 09:00
        assert offer_freed_time()["offered"] == 1
        assert [o["local_start"] for o in offers(call)] == ["2026-05-07 09:10"]


def test_never_against_screening_nor_to_who_is_not_booked_erased_or_merged(call, now):
    # Isotretinoin stopped now: no waxing for months (clients/rules, with its sources).
    seen = in_room(
        call, now, line(now, minutes=0, who="lena", room="room 2"), client="celia", by="lena"
    )
    told = [{"kind": "isotretinoin", "still": False, "when": {"on": "2026-05-06"}}]
    consult(call, seen, by="lena", declarations=told)
    look_ahead()
    visits = fill(call, now)
    for name in ("gone", "twin", "barred"):
        person(call, name, born="1990-04-12")
    wait(call, "celia", lip(), until_on="2026-05-09")
    for name in ("gone", "twin", "barred"):
        wait(call, name)
    last = wait(call, "cora")
    offer_freed_time()
    for offer in offers(call):  # days on which there was time anyway
        call("freya").post(f"waiting-offers/{offer['id']}/decline", {})
    erased = call("olga").post(
        f"clients/{uid('gone')}/erase", {"asked_by": "client", "reason": "consent_withdrawn"}
    )
    assert erased.status_code == 200, erased.body
    merged = call("lena").post(f"clients/{uid('twin')}/merge", {"into": str(uid("cora"))})
    assert merged.status_code == 200, merged.body
    barred = call("lena").post(f"clients/{uid('barred')}/do-not-book", {"reason": "invented"})
    assert barred.status_code in {200, 201}, barred.body
    cancel(call, visits[255])
    offer_freed_time()
    (offer,) = offers(call)
    assert offer["entry_id"] == last["id"]
    states = dict(waiting(call))
    assert states["O’Brien-Weiß"] == states["Twin"] == states["Barred"] == "waiting"
    assert waiting(call, state="withdrawn") == [("", "withdrawn")]


def test_who_agreed_gets_one_message_in_sending_hours_and_a_minors_guardian_is_called(
    call, now, kept
):
    agree("cora", ConsentPurpose.SMS_MESSAGES)
    guardian = {
        "name": "Invented Parent",
        "relation": "parent",
        "phone": "+13125550199",
        "email": "",
    }
    person(call, "young", born="2012-01-01", guardian=guardian)
    visits = fill(call, now)
    wait(call, "cora")
    wait(call, "young")
    cancel(call, visits[105])
    cancel(call, visits[255])
    found = offer_freed_time()
    assert found == {"offered": 2, "message sent": 1, "no_consent": 1}
    assert offer_freed_time() == {}
    (message,) = kept
    assert (message.channel, message.recipient) == ("sms", "+13125550123")
    # The words are ours; "stop" as in 47 CFR 64.1200(a)(10).
    assert message.text.startswith("Lake: a time has come free on 6 May at 13:45. It is")
    assert "kept for you until 12:30" in message.text
    assert "nothing is booked before" in message.text
    assert "facial" not in message.text.lower()
    shown = {o["call"]["name"].split()[0] + o["call"]["guardian"]: o for o in offers(call)}
    assert shown["Cora"]["message_state"] == "sent"
    young = shown["InventedInvented Parent"]
    assert (young["call"]["phone"], young["message_state"]) == ("+13125550199", "not_sent")


@pytest.mark.parametrize(
    ("carrier", "outcome"),
    [("Refusing", "not_sent"), ("Away", "waiting"), ("Broken", "sending")],
)
def test_a_carrier_that_fails_loses_no_offer(call, now, settings, carrier, outcome):
    agree("cora", ConsentPurpose.SMS_MESSAGES)
    visits = fill(call, now)
    wait(call, "cora")
    cancel(call, visits[105])
    settings.REMINDER_TRANSPORT = f"tests.services.carriers.{carrier}"
    offer_freed_time()
    (offer,) = offers(call)
    assert offer["message_state"] == outcome
    settings.REMINDER_TRANSPORT = "tests.services.carriers.Kept"
    with clock.stopped_at(now + 11 * MINUTE):
        offer_freed_time()
        after = {"not_sent": "not_sent", "waiting": "sent", "sending": "unconfirmed"}[outcome]
        assert offers(call)[0]["message_state"] == after
        assert len(Kept.messages) == (after == "sent")


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"lines": []}, "/lines"),
        ({"until_on": "2026-05-05"}, "/until_on"),
        ({"from_on": "2027-06-01", "until_on": "2027-06-02"}, "/until_on"),
        ({"times": [["12:00", "12:00"]]}, "/times/0"),
        ({"times": [["12:00"]]}, "/times/0"),
        ({"weekdays": ["noday"]}, "/weekdays/0"),
        ({"weekdays": ["wed", "wed"]}, "/weekdays"),
        ({"weekdays": ["thu"]}, "/weekdays"),
        ({"when": "soon"}, "/when"),
    ],
)
def test_a_wish_that_means_nothing_is_refused_by_name(call, now, wrong, pointer):
    body = {"client_id": str(uid("cora")), "lines": [lip()], "from_on": "2026-05-06", "until_on": "2026-05-06"}  # fmt: skip
    refused = call("freya").post(PATH, body | wrong)
    assert slug(refused) == "invalid-input"
    assert refused.body["errors"][0]["pointer"].startswith(pointer)


def test_others_see_and_answer_nothing_of_it(call, now):
    visits = fill(call, now)
    entry = wait(call, "cora")
    cancel(call, visits[105])
    offer_freed_time()
    (offer,) = offers(call)
    for who in ("henk", "stranger"):
        assert call(who).get(PATH).status_code == 404
        assert call(who).get(OFFERS).status_code == 404
        for path in (f"waiting/{entry['id']}/withdraw", f"waiting-offers/{offer['id']}/accept",
                     f"waiting-offers/{offer['id']}/decline"):  # fmt: skip
            assert call(who).post(path, {}).status_code == 404
    assert call("henk").get(f"locations/{HARBOR}/waiting").body["items"] == []
    withdrawn = call("freya").post(f"waiting/{entry['id']}/withdraw")
    assert (withdrawn.status_code, withdrawn.body["state"]) == (200, "withdrawn")
    assert [o["state"] for o in offers(call, state="withdrawn")] == ["withdrawn"]
    exported = call("olga").get(f"clients/{uid('cora')}/export").body["tables"]
    (row,) = exported["services_waiting_entry"]
    assert [o["state"] for o in row["offers"]] == ["withdrawn"]
    with reading(BUSINESS):
        assert WaitingOffer.objects.count() == 1
        assert not Claim.objects.filter(visit_id=offer["id"]).exists()


def at_once(*bodies):
    gate = threading.Barrier(len(bodies))

    def one(body):
        gate.wait(30)
        try:
            return body()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(bodies)) as pool:
        return list(pool.map(one, bodies))


def test_workers_and_desks_at_once_make_one_offer_and_one_booking_of_each_time(own_database, now):
    callers = {name: Caller(secret_of(name)) for name in ("freya", "lena", "petra")}

    def call(name):
        return callers[name]

    visits = fill(call, now)
    names = [f"waiter {n}" for n in range(8)]
    for name in names:
        person(call, name)
        wait(call, name)
    offer_freed_time()
    freed = (30, 180, 330)
    runs = [lambda v=visits[m]: cancel(call, v) for m in freed]
    at_once(*runs, *[offer_freed_time] * 4)
    at_once(*[offer_freed_time] * 3)
    found = sorted(offers(call), key=lambda o: o["call"]["name"])
    assert [o["call"]["name"].split()[-1] for o in found] == [str(n) for n in range(len(freed))]
    answers = at_once(
        *[lambda o=o, c=c: callers[c].post(f"waiting-offers/{o['id']}/accept", {}) for o in found for c in ("freya", "lena")],
        offer_freed_time,
    )  # fmt: skip
    statuses = sorted(a.status_code for a in answers[:-1])
    assert statuses == [201] * len(found) + [409] * len(found), [a.body for a in answers[:-1]]
    for offer in offers(call):
        call("freya").post(f"waiting-offers/{offer['id']}/decline", {"withdraw": True})
    assert count(BUSINESS, "services_waiting_entry", "state = 'booked'") == len(found)
    assert count(BUSINESS, "services_visit", "state = 'booked'") == len(visits) - 3 + len(found)
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


SLOTS = (30, 105, 180, 255, 330)
ASKED = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4)).map(sorted), min_size=1, max_size=5
)


def matched(windows, free, refused):
    """Who has which slot, one after the other in their order: the plain way."""
    found, left = {}, sorted(free)
    for who, (first, last) in windows.items():
        fits = [slot for slot in left if first <= slot <= last]
        if fits and who not in refused:
            found[who] = fits[0]
            left.remove(fits[0])
    return found


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(asked=ASKED, freed=st.sets(st.integers(0, 4), max_size=4), says=st.lists(st.booleans(), min_size=5, max_size=5))  # fmt: skip
def test_whoever_waits_longest_has_what_the_plain_way_gives_them(guests, asked, freed, says):
    """Against a reference that goes through names and slots with no database and no claims."""
    call, now, visits = guests
    before = transaction.savepoint()
    windows = {}
    for n, (first, last) in enumerate(asked):
        starts = [now + SLOTS[first] * MINUTE, now + (SLOTS[last] + 1) * MINUTE]
        local = [f"{t.astimezone(ZoneInfo('America/Chicago')):%H:%M}" for t in starts]
        entry = wait(call, f"guest {n}", times=[local])
        windows[entry["id"]] = (first, last)
    offer_freed_time()
    for slot in freed:
        cancel(call, visits[SLOTS[slot]])
    refused, booked = set(), {}
    for _ in range(3):
        offer_freed_time()
        waits = {who: window for who, window in windows.items() if who not in booked}
        free = freed - set(booked.values())
        expected = matched(waits, free, refused)
        by_start = {f"{(now + m * MINUTE):%Y-%m-%dT%H:%M}": n for n, m in enumerate(SLOTS)}
        found = {o["entry_id"]: by_start[o["starts_at"][:16]] for o in offers(call)}
        assert found == expected
        # All answer at once, so that what is offered next depends on nobody's haste.
        for offer, yes in zip(offers(call), says, strict=False):
            verb = "accept" if yes else "decline"
            answer = call("freya").post(f"waiting-offers/{offer['id']}/{verb}", {})
            assert answer.status_code in {200, 201}, answer.body
            if yes:
                booked[offer["entry_id"]] = found[offer["entry_id"]]
            else:
                refused.add(offer["entry_id"])
    transaction.savepoint_rollback(before)


@pytest.fixture
def guests(call, now):
    return call, now, fill(call, now)
