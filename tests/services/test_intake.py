"""The intake before a visit over HTTP: the link, the page's form, and its confirmation in the room."""

import re
from datetime import date, timedelta
from html.parser import HTMLParser

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clients import actions as clients
from clients import actions_consents as consents
from clients.models import Client as ClientRow
from clients.models import Consent, ConsentPurpose, HealthAnswer, HealthRead
from clients.registry import HOLDINGS
from clients.rule_files import shipped_rule_set
from services.link_tokens import INTAKE
from services.models import Intake, IntakeLink
from services.rules.intake import ends_at
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.problems import NotFound
from spa_ops.unit.work import reading
from tests.services.day import all_no, book, consult, hair, in_room, line
from tests.world import BUSINESS, LAKE, OTHER, uid

HEALTH = ConsentPurpose.HEALTH_ANSWERS
BROW = shipped_rule_set().questions_for("hard_wax", "brow")


@pytest.fixture(autouse=True)
def _many_pages_a_minute(settings):
    """The clock of the tests stands still: all of them ask within one minute."""
    settings.PAGES_PER_MINUTE = 1_000_000


def made(call, visit, by="freya"):
    found = call(by).post(f"visits/{visit['id']}/intake-link")
    assert found.status_code == 201, found.body
    return found.body["url"].removeprefix("http://testserver")


def booked(call, now, minutes=60, **more):
    found = book(call, now, line(now, minutes=minutes), **more)
    assert found.status_code == 201, found.body
    return found.body


def answered(**changed):
    """A form in which every question is answered no but for `changed`, with consent."""
    plain = {f"q-{q.id}": "no" for q in BROW} | {"consent": "yes"}
    return plain | {name.replace("__", "-"): value for name, value in changed.items()}


def send(url, form, **headers):
    return Client().post(url, form, headers={k.replace("_", "-"): v for k, v in headers.items()})


def items_of(call, visit, at=-1):
    return call("petra").get(f"visits/{visit['id']}/consultation").body["intake"][at]["items"]


class _Page(HTMLParser):
    """The fields, ids, labels and error links of a page, as a browser would find them."""

    def __init__(self, html):
        super().__init__()
        self.fields, self.ids, self.labelled, self.links = set(), [], set(), set()
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        has = dict(attrs)
        if "name" in has and tag in {"input", "select", "textarea"}:
            self.fields.add(has["name"])
        if "id" in has:
            self.ids.append(has["id"])
        if tag == "label" and has.get("for"):
            self.labelled.add(has["for"])
        if tag == "a" and has.get("href", "").startswith("#"):
            self.links.add(has["href"][1:])


def test_from_the_link_to_the_room(call, now):
    visit = booked(call, now, minutes=30)
    url = made(call, visit)
    page = Client().get(url)
    html = page.content.decode()
    assert page.status_code == 200
    for question in BROW:
        assert f'name="q-{question.id}"' in html
    sent = send(url, answered(q__new_medicine="yes", **{
        "k-new_medicine-medicine-details": ["antibiotic"],
        "k-new_medicine-medicine-when": "weeks_ago",
        "k-new_medicine-medicine-ago": "3",
        "k-new_medicine-medicine-still": "no",
    }))  # fmt: skip
    assert (sent.status_code, sent["Location"]) == (303, f"{url}/sent")
    assert "have arrived" in Client().get(sent["Location"]).content.decode()
    assert call("freya").get(f"visits/{visit['id']}/intake-link").body["state"] == "sent"

    path = f"visits/{visit['id']}"
    assert call("freya").post(f"{path}/arrive").status_code == 200
    assert call("petra").post(f"{path}/seat").status_code == 200
    # What was told is shown, but it screens nothing.
    silent = consult(call, visit, answers=[], findings=[hair()])
    assert silent["lines"][0]["verdict"] == "ask_first"
    read = call("petra").get(f"{path}/consultation").body
    assert [i["kind"] for i in read["items"]] == ["finding"]
    told = read["intake"][-1]["items"]
    assert len(told) == len(BROW) + 1
    (medicine,) = [i for i in told if i["kind"] == "declaration"]
    assert medicine["content"]["details"] == ["antibiotic"]
    assert medicine["content"]["still"] is False
    # Three weeks ago, a week more or less, from the day it was told.
    assert (medicine["content"]["earliest_on"], medicine["content"]["latest_on"]) == (
        "2026-04-08",
        "2026-04-22",
    )
    confirmed = call("petra").post(f"{path}/intake/confirm", {})
    assert confirmed.status_code == 200, confirmed.body
    expected = consult_elsewhere_verdict(call, path)
    assert confirmed.body["lines"][0]["verdict"] == expected != "ask_first"
    assert all(i["confirmed"] for i in items_of(call, visit))
    again = call("petra").post(f"{path}/intake/confirm", {})
    assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")


def consult_elsewhere_verdict(call, path):
    """The verdict of the same visit when the consultation is simply held again."""
    return call("petra").post(f"{path}/consultation", {}).body["lines"][0]["verdict"]


def held():
    """Whether Cora's consent to keep health answers holds."""
    rows = Consent.objects.filter(client_id=uid("cora"), purpose="health_answers")
    return rows.latest("recorded_at").given


def test_a_consent_is_recorded_and_nothing_is_kept_without_it(call, now):
    consents.withdraw_consent(
        actor=system_actor(BUSINESS), now=now, client_id=uid("cora"), purpose=HEALTH
    )
    visit = booked(call, now)
    url = made(call, visit)
    form = answered()
    del form["consent"]
    refused = send(url, form)
    assert refused.status_code == 422
    assert 'href="#consent"' in refused.content.decode()
    with reading(BUSINESS):
        assert not Intake.objects.exists()
        assert held() is False
    assert send(url, answered()).status_code == 303
    with reading(BUSINESS):
        assert held() is True
    kinds = [
        e["kind"]
        for e in call("inga").get(f"evidence/{LAKE}/entries?subject={visit['id']}").body["items"]
    ]
    assert kinds == ["visit.booked", "visit.intake_link_made", "visit.intake_sent"]
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True


def test_nothing_told_is_kept_or_published_in_the_clear(call, now):
    visit = booked(call, now)
    send(made(call, visit), answered(note="The word is marzipan"))
    with reading(BUSINESS):
        assert b"marzipan" not in bytes(Intake.objects.get().sealed)
    for address in (f"visits/{visit['id']}", f"clients/{uid('cora')}"):
        assert "marzipan" not in call("freya").get(address).content.decode()
    entries = call("inga").get(f"evidence/{LAKE}/entries?subject={visit['id']}")
    assert "marzipan" not in entries.content.decode()
    assert "marzipan" in call("petra").get(f"visits/{visit['id']}/consultation").content.decode()


def test_sent_twice(call, now):
    url = made(call, booked(call, now))
    assert send(url, answered()).status_code == 303
    for second in (send(url, answered()), Client().get(url)):
        assert second.status_code == 409
        assert "in the room" in second.content.decode()
    with reading(BUSINESS):
        assert Intake.objects.count() == 1


def test_a_try_whose_reply_was_lost_counts_once(call, now):
    url = made(call, booked(call, now))
    assert send(url, answered(), Idempotency_Key="one").status_code == 303
    assert send(url, answered(), Idempotency_Key="one").status_code == 303
    other = send(url, answered(q__sun="ask"), Idempotency_Key="one")
    assert other.status_code == 422
    assert "key" in other.content.decode()
    with reading(BUSINESS):
        assert Intake.objects.count() == 1
    too_long = send(url, answered(), Idempotency_Key="k" * 101)
    assert too_long.status_code == 400


def test_the_same_key_through_two_links_is_two_keys(call, now):
    first, second = booked(call, now), booked(call, now, minutes=180)
    for visit in (first, second):
        assert send(made(call, visit), answered(), Idempotency_Key="one").status_code == 303
    with reading(BUSINESS):
        assert Intake.objects.count() == 2


def test_when_a_link_ends(call, now):
    visit = booked(call, now)
    url = made(call, visit)
    start = now + timedelta(minutes=60)
    with clock.stopped_at(start + timedelta(hours=23, minutes=59)):
        assert Client().get(url).status_code == 200
    with clock.stopped_at(start + timedelta(days=1)):
        for over in (Client().get(url), send(url, answered())):
            assert over.status_code == 410
            assert "desk can make a new one" in over.content.decode()
    with reading(BUSINESS):
        assert not Intake.objects.exists()
    far = now + timedelta(days=60)
    assert ends_at(now, far) == now + timedelta(days=14)


def test_a_new_link_replaces_the_older_and_one_can_be_taken_back(call, now):
    visit = booked(call, now)
    assert call("freya").get(f"visits/{visit['id']}/intake-link").body["state"] == "none"
    older, newer = made(call, visit), made(call, visit)
    assert (Client().get(older).status_code, Client().get(newer).status_code) == (410, 200)
    path = f"visits/{visit['id']}/intake-link"
    assert call("freya").post(f"{path}/revoke").status_code == 200
    assert Client().get(newer).status_code == 410
    assert call("freya").get(path).body["state"] == "revoked"
    assert call("freya").post(f"{path}/revoke").status_code == 409


def test_a_visit_that_is_off_takes_its_link_along(call, now):
    visit = booked(call, now)
    url = made(call, visit)
    assert call("freya").post(f"visits/{visit['id']}/cancel", {}).status_code == 200
    assert Client().get(url).status_code == 410
    refused = call("freya").post(f"visits/{visit['id']}/intake-link")
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")


def test_the_address_is_shown_once_and_only_its_hash_is_kept(call, now):
    visit = booked(call, now)
    path, key = f"visits/{visit['id']}/intake-link", {"Idempotency_Key": "link"}
    first, replayed = call("freya").post(path, **key), call("freya").post(path, **key)
    assert first.body["link_id"] == replayed.body["link_id"]
    assert (replayed.status_code, replayed.body["url"]) == (201, None)
    assert first.body["expires_at"].startswith("2026-05-07T18:00:00")
    token = first.body["url"].rpartition("/")[2]
    business, secret_hash = INTAKE.read(token)
    with reading(BUSINESS):
        link = IntakeLink.objects.get()
    assert (business, bytes(link.secret_hash)) == (BUSINESS, secret_hash)
    assert token.encode() not in bytes(link.secret_hash)
    assert "url" not in call("freya").get(path).body


@given(at=st.integers(0, 63), letter=st.sampled_from("ABCxyz019-_"))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_token_with_another_letter_is_read(at, letter):
    token, _ = INTAKE.made(BUSINESS)
    other = token[:at] + letter + token[at + 1 :]
    if other == token:
        assert INTAKE.read(other)[0] == BUSINESS
    else:
        with pytest.raises(NotFound):
            INTAKE.read(other)


@pytest.mark.parametrize("token", ["x", "A" * 64, "é" * 64, "%00", "A" * 5000, "A" * 63 + "="])
def test_an_address_that_was_made_up_is_not_there(db, token):
    for found in (Client().get(f"/intake/{token}"), send(f"/intake/{token}/sent", {})):
        assert found.status_code == 404
        assert "Traceback" not in found.content.decode()


def test_another_business_reaches_neither_the_visit_nor_the_link(call, now):
    visit = booked(call, now)
    url = made(call, visit)
    for method, path in (("POST", "intake-link"), ("GET", "intake-link"), ("POST", "intake-link/revoke"),
                         ("POST", "intake/confirm")):  # fmt: skip
        found = call("stranger").send(
            method, f"visits/{visit['id']}/{path}", {} if method == "POST" else None
        )
        assert found.status_code == 404, path
    assert call("hana").post(f"visits/{visit['id']}/intake/confirm", {}).status_code == 404
    # A token that names the other business is signed by us only if we made it: then it finds nothing.
    foreign, _ = INTAKE.made(OTHER)
    assert Client().get(f"/intake/{foreign}").status_code == 404
    assert Client().get(url).status_code == 200


def test_the_desk_neither_reads_nor_confirms(call, now):
    visit = booked(call, now)
    send(made(call, visit), answered())
    assert call("freya").get(f"visits/{visit['id']}/consultation").status_code == 403
    assert call("freya").post(f"visits/{visit['id']}/intake/confirm", {}).status_code == 403


def test_reading_what_was_told_is_a_recorded_health_read(call, now):
    visit = booked(call, now)
    send(made(call, visit), answered())
    call("petra").get(f"visits/{visit['id']}/consultation")
    with reading(BUSINESS):
        read = HealthRead.objects.get()
    assert (read.person_id, read.client_id) == (uid("petra"), uid("cora"))


def test_ten_thousand_declarations_are_refused(call, now):
    visit = booked(call, now, minutes=30)
    url = made(call, visit)
    many = answered(
        **{"q-new_medicine": "yes", "k-new_medicine-medicine-details": ["other"] * 10_000}
    )
    assert send(url, many).status_code == 400
    named = answered(**{f"k-new_medicine-m{n}": "yes" for n in range(900)})
    assert send(url, named).status_code == 422
    assert send(url, answered(note="x" * 3_000_000)).status_code == 400
    with reading(BUSINESS):
        assert not Intake.objects.exists()
    assert send(url, answered()).status_code == 303
    path = f"visits/{visit['id']}"
    call("freya").post(f"{path}/arrive")
    call("petra").post(f"{path}/seat")
    flood = {"declarations": [{"kind": "medicine"}] * 10_000}
    assert call("petra").post(f"{path}/intake/confirm", flood).status_code == 422
    assert not any(i["confirmed"] for i in items_of(call, visit))


@pytest.mark.parametrize(
    ("when", "pointed"),
    [
        ({"when": "day", "day": "2026-05-07"}, "day"),
        ({"when": "day", "day": "2026-13-40"}, "day"),
        ({"when": "day", "day": ""}, "day"),
        ({"when": "month", "month": "2026-99"}, "month"),
        ({"when": "year", "year": "1850"}, "year"),
        ({"when": "months_ago", "ago": "-3"}, "ago"),
        ({"when": "months_ago", "ago": "99999"}, "ago"),
        ({"when": "whenever"}, "when"),
        ({"details": "meteor"}, "details"),
    ],
)
def test_impossible_times_are_pointed_at(call, now, when, pointed):
    # A reaction is of the past: it cannot be planned.
    url = made(call, booked(call, now))
    kind = "k-last_reaction-reaction"
    form = answered(**{"q-last_reaction": "yes"}, **{f"{kind}-{k}": v for k, v in when.items()})
    refused = send(url, form)
    assert refused.status_code == 422
    page = _Page(refused.content.decode())
    assert f"{kind}-{pointed}" in page.links
    assert page.links <= set(page.ids)
    with reading(BUSINESS):
        assert not Intake.objects.exists()


def test_a_yes_says_what_and_every_question_is_answered(call, now):
    url = made(call, booked(call, now))
    page = _Page(send(url, answered(q__skin_today="yes")).content.decode())
    assert any(to.startswith("k-skin_today-") for to in page.links)
    page = _Page(send(url, {"consent": "yes"}).content.decode())
    assert page.links == {f"q-{q.id}-yes" for q in BROW}
    assert send(url, answered(**{"q-sun": "perhaps"})).status_code == 422
    assert send(url, answered(**{"no-such-field": "1"})).status_code == 422


def test_what_was_typed_comes_back_escaped_with_an_error(call, now):
    url = made(call, booked(call, now))
    markup = '"><script>alert(1)</script>'
    form = answered(note=markup)
    del form["consent"]
    html = send(url, form).content.decode()
    assert markup not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert html.count('value="no" id="q-') == html.count('id="q-sun-no"') * len(BROW)
    assert re.search(r'value="no" id="q-sun-no" checked', html)
    named = answered(**{'q-"><img src=x>': "no"})
    assert "<img src=x>" not in send(url, named).content.decode()
    assert send(url, answered(note="\x00")).status_code == 422


def unborn(name="cora", born=None):
    clients.change_client(
        actor=system_actor(BUSINESS), now=clock.now(), client_id=uid(name), birth_date=born
    )


def test_an_unknown_birth_date_is_asked_and_kept_apart_until_it_is_confirmed(call, now):
    unborn()
    visit = booked(call, now, minutes=30)
    url = made(call, visit)
    for wrong in ("1850-01-01", "2026-05-07", "", "yesterday"):
        refused = send(url, answered(birth_date=wrong))
        assert refused.status_code == 422, wrong
        assert "birth_date" in _Page(refused.content.decode()).links
    assert send(url, answered(birth_date="1990-04-12")).status_code == 303
    path = f"visits/{visit['id']}"
    call("freya").post(f"{path}/arrive")
    call("petra").post(f"{path}/seat")
    with reading(BUSINESS):
        assert ClientRow.objects.get(id=uid("cora")).birth_date is None
    call("petra").post(f"{path}/intake/confirm", {"findings": [hair()]})
    with reading(BUSINESS):
        assert ClientRow.objects.get(id=uid("cora")).birth_date is None
    kept = call("petra").post(f"{path}/intake/confirm", {"birth_date": True, "item_ids": []})
    assert kept.status_code == 200, kept.body
    with reading(BUSINESS):
        assert ClientRow.objects.get(id=uid("cora")).birth_date == date(1990, 4, 12)


@pytest.mark.parametrize(
    ("born", "is_minor"), [(date(2008, 5, 7), True), (date(2008, 5, 6), False)]
)
def test_a_guardian_is_named_for_a_minor(call, now, born, is_minor):
    unborn(born=born)
    url = made(call, booked(call, now))
    assert ("guardian_name" in _Page(Client().get(url).content.decode()).fields) is is_minor
    if is_minor:
        assert {"guardian_name", "guardian_relation"} <= _Page(
            send(url, answered()).content.decode()
        ).links
        form = answered(guardian_name="Invented Parent", guardian_relation="mother")
        assert send(url, form).status_code == 303
    else:
        assert send(url, answered()).status_code == 303


def test_who_answered_before_is_asked_for_changes_and_shown_nothing(call, now):
    first = in_room(call, now)
    consult(call, first, answers=all_no(new_medicine="yes"),
            declarations=[{"kind": "medicine", "details": ["blood_thinner"], "still": True}])  # fmt: skip
    visit = booked(call, now, minutes=180)
    url = made(call, visit)
    html = Client().get(url).content.decode()
    assert "Has anything changed since your last visit?" in html
    assert " checked" not in html
    assert " selected" not in html
    assert send(url, {"consent": "yes"}).status_code == 422
    # What a script-less page hid from sight was not told.
    assert send(url, {"consent": "yes", "changed": "no", "q-sun": "yes"}).status_code == 303
    told = call("petra").get(f"visits/{visit['id']}/consultation").body["intake"][-1]
    assert (told["changed"], told["items"]) == ("no", [])
    url = made(call, visit)
    assert send(url, {"consent": "yes", "changed": "yes", "q-sun": "no"}).status_code == 303
    told = call("petra").get(f"visits/{visit['id']}/consultation").body["intake"]
    assert [t["changed"] for t in told] == ["no", "yes"]
    assert [i["content"] for i in told[-1]["items"]] == [{"question": "sun", "answer": "no"}]


def told_in_room(call, now, form, **said):
    visit = booked(call, now, minutes=30)
    assert send(made(call, visit), form).status_code == 303
    path = f"visits/{visit['id']}"
    assert call("freya").post(f"{path}/arrive").status_code == 200
    assert call("petra").post(f"{path}/seat").status_code == 200
    return visit, path


def test_an_answer_of_the_room_replaces_all_that_was_told_for_its_question(call, now):
    form = answered(**{"q-isotretinoin": "yes", "k-isotretinoin-isotretinoin-still": "yes"})
    _visit, path = told_in_room(call, now, form)
    said = {"answers": [{"question": "isotretinoin", "answer": "no"}], "findings": [hair()]}
    confirmed = call("petra").post(f"{path}/intake/confirm", said)
    assert confirmed.body["lines"][0]["verdict"] == "proceed"
    kept = call("petra").get(f"{path}/consultation").body["items"]
    assert [i["content"]["kind"] for i in kept if i["kind"] == "declaration"] == []


def test_as_told_it_stands_and_the_clock_is_that_of_the_telling(call, now):
    form = answered(**{"q-isotretinoin": "yes", "k-isotretinoin-isotretinoin-still": "yes"})
    _visit, path = told_in_room(call, now, form)
    confirmed = call("petra").post(f"{path}/intake/confirm", {"findings": [hair()]})
    # AAD, "Isotretinoin: FAQs": no waxing during it and for 6 months after (trade-facts 7.02).
    assert confirmed.body["lines"][0]["verdict"] == "do_not_treat"


def test_items_are_confirmed_one_by_one_and_once(call, now):
    visit, path = told_in_room(call, now, answered())
    first, *others = items_of(call, visit)
    chosen = call("petra").post(f"{path}/intake/confirm", {"item_ids": [first["id"]]})
    assert chosen.body["lines"][0]["verdict"] == "ask_first"
    assert [i["confirmed"] for i in items_of(call, visit)] == [True] + [False] * len(others)
    twice = call("petra").post(f"{path}/intake/confirm", {"item_ids": [first["id"]]})
    assert twice.body["type"] == "/problems/wrong-state"
    made_up = call("petra").post(f"{path}/intake/confirm", {"item_ids": [str(uid("nothing"))]})
    assert (made_up.status_code, made_up.body["errors"][0]["pointer"]) == (422, "/item_ids/0")
    rest = call("petra").post(f"{path}/intake/confirm", {"findings": [hair()]})
    assert rest.body["lines"][0]["verdict"] == "proceed"
    with reading(BUSINESS):
        assert HealthAnswer.objects.filter(kind="answer").count() == len(BROW)


def test_there_must_be_something_told_and_the_client_here(call, now):
    visit = booked(call, now, minutes=30)
    nothing = call("petra").post(f"visits/{visit['id']}/intake/confirm", {})
    assert (nothing.status_code, nothing.body["state"]) == (409, "not sent")
    send(made(call, visit), answered())
    away = call("petra").post(f"visits/{visit['id']}/intake/confirm", {})
    assert (away.status_code, away.body["state"]) == (409, "booked")


_FORMS = st.fixed_dictionaries(
    {f"q-{q.id}": st.sampled_from(["no", "ask", "yes"]) for q in BROW},
    optional={f"k-{q.id}-{k}": st.just("yes") for q in BROW for k in q.kinds},
)


@given(form=_FORMS)
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_nothing_sent_through_a_link_changes_a_verdict_until_it_is_confirmed(call, now, form):
    visit = booked(call, now, minutes=30)
    url, path = made(call, visit), f"visits/{visit['id']}"
    call("freya").post(f"{path}/arrive")

    def judged():
        consult(call, visit, answers=[], findings=[hair()])
        return call("petra").get(f"{path}/consultation").body

    before = judged()
    sent = send(url, form | {"consent": "yes", "changed": "yes"})
    after = judged()
    assert sent.status_code in {303, 422}
    assert len(after["intake"]) == (sent.status_code == 303)
    assert after["lines"] == before["lines"]
    assert after["lines"][0]["verdict"] == "ask_first"
    struck = call("freya").post(f"{path}/strike-out", {"reason": "the example is over"})
    assert struck.status_code == 200, struck.body
    assert call("freya").post(f"{path}/cancel", {}).status_code == 200


def test_the_page_is_closed_and_never_cached(call, now):
    url = made(call, booked(call, now))
    page = Client(enforce_csrf_checks=True).get(url)
    policy = page["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    (nonce,) = set(re.findall(r"'nonce-([^']+)'", policy))
    html = page.content.decode()
    assert len(re.findall(r"<(?:script|style) nonce=", html)) == len(re.findall(r"<(?:script|style)\b", html)) == 2  # fmt: skip
    assert html.count(f'nonce="{nonce}"') == 2
    assert (page["Cache-Control"], page["Referrer-Policy"]) == ("no-store", "no-referrer")
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', html)
    assert not page.cookies
    assert url.rpartition("/")[2] not in re.sub(r'action="[^"]*"', "", html)
    # The token is the credential; no cookie, and no cross-site token, is asked for.
    assert Client(enforce_csrf_checks=True).post(url, answered()).status_code == 303


def test_every_control_has_a_label_and_every_id_is_one(call, now):
    unborn()
    page = _Page(Client().get(made(call, booked(call, now))).content.decode())
    assert len(page.ids) == len(set(page.ids))
    assert page.labelled <= set(page.ids)
    assert len(page.fields) < 1000


def test_no_refusal_writes_the_address_to_a_log(call, now, caplog):
    visit = booked(call, now)
    url = made(call, visit)
    made(call, visit)
    assert Client().get(url).status_code == 410
    assert send(url, {}).status_code == 410
    assert Client().put(url).status_code == 405
    assert url.rpartition("/")[2] not in caplog.text


def test_too_fast_from_one_address(call, now, settings):
    settings.REDIS_URL, settings.PAGES_PER_MINUTE, settings.PROXIES = "", 3, 1
    url = made(call, booked(call, now))
    ours = Client(headers={"X-Forwarded-For": "198.51.100.9, 203.0.113.7"})
    assert [ours.get(url).status_code for _ in range(4)] == [200, 200, 200, 429]
    # Whom a stranger claims to be is not believed; whom our proxy heard from is.
    assert Client(headers={"X-Forwarded-For": "192.0.2.1, 203.0.113.7"}).get(url).status_code == 429
    assert Client(headers={"X-Forwarded-For": "203.0.113.8"}).get(url).status_code == 200
    assert ours.get("/intake/x")["Retry-After"].isdigit()


def test_what_a_client_told_is_exported(call, now):
    visit = booked(call, now)
    send(made(call, visit), answered(note="marzipan"))
    with reading(BUSINESS):
        (link,) = HOLDINGS["services_intake_link"].export(uid("cora"))
        (told,) = HOLDINGS["services_intake"].export(uid("cora"))
        assert HOLDINGS["services_intake"].export(uid("celia")) == []
    assert link["visit_id"] == told["visit_id"] == visit["id"]
    assert told["told"]["note"] == "marzipan"
    assert not {"secret_hash", "sealed"} & (link.keys() | told.keys())
