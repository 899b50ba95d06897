"""What is due: raised by the sweep, louder with age, cleared by itself, once each."""

from datetime import date, datetime, timedelta

import pytest

from compliance.disinfection import actions as disinfection
from compliance.disinfection.rules.reprocessing import EventKind
from compliance.disinfection.rules.use_window import EndReason
from services.models import DueCheck
from services.queries.due_checks import SOURCES, source
from services.rules.due_checks import DueKind, Pace, Standing
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import actions as tenancy
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.disinfection.test_disinfection_api import mix
from tests.disinfection.test_sterilising import add as add_steriliser
from tests.disinfection.test_sterilising import test as spore_test
from tests.world import BUSINESS, LAKE, uid

PATH = f"locations/{LAKE}/due-checks"


def instant(text):
    return datetime.fromisoformat(text)


def checks(call, who="petra", **query):
    words = "&".join(f"{k}={v}" for k, v in query.items())
    found = call(who).get(f"{PATH}?{words}")
    assert found.status_code == 200, found.body
    return found.body["items"]


def swept(at):
    with clock.stopped_at(at):
        return sweep_due_checks()


def test_a_person_s_licence_is_warned_of_expires_and_is_renewed(call, now):
    # petra's is valid through 31 December 2026; house policy: 60 days before. The end is local midnight.
    expiry = instant("2027-01-01T06:00:00Z")  # America/Chicago, UTC-6 (IANA tz database)
    seen = []
    for at in (timedelta(days=-61), timedelta(days=-60), timedelta(), timedelta(days=3), timedelta(days=14)):  # fmt: skip
        swept(expiry + at)
        seen.append({c["level"] for c in checks(call, kind="person_licence")})
    assert seen == [set(), {0}, {1}, {2}, {3}]
    mine = [c for c in checks(call, kind="person_licence") if c["what"].endswith("Petra")]
    assert [(c["due_at"], c["late"]) for c in mine] == [("2027-01-01T06:00:00.000000Z", True)]
    with clock.stopped_at(expiry + timedelta(days=15)):
        tenancy.record_licence(
            actor=system_actor(BUSINESS),
            now=clock.now(),
            person_id=uid("petra"),
            jurisdiction="us-tx",
            kind="esthetician",
            number="INV-PETRA",
            valid_through=date(2028, 12, 31),
        )
        assert sweep_due_checks() > 0
        assert sweep_due_checks() == 0
    (done,) = [c for c in checks(call, kind="person_licence") if c["what"].endswith("Petra")]
    assert (done["outcome"], done["late"], done["level"]) == ("done", True, 3)


def test_the_location_s_licence_and_each_thing_once_in_the_log(call, now):
    expiry = instant("2027-04-01T05:00:00Z")
    for _ in range(3):
        swept(expiry + timedelta(minutes=1))
    (one,) = checks(call, kind="location_licence")
    assert (one["level"], one["subject_id"]) == (1, str(LAKE))
    raised = [facts for _, facts in entries("due_check.raised", LAKE)]
    assert [(e["due_at"], e["level"]) for e in raised] == [(one["due_at"], 1)]
    # Raised 60 days late, for no worker ran, and it says so.
    assert raised[0]["raise_at"] == "2027-01-31T05:00:00.000000Z"


def test_a_bath_is_warned_of_and_clears_itself(call, now):
    made = mix(call).body
    discard_at = instant(made["discard_at"])
    swept(discard_at - timedelta(minutes=31))
    assert checks(call, kind="bath_ending", open="true") == []
    swept(discard_at - timedelta(minutes=30))
    assert made["id"] in {c["subject_id"] for c in checks(call, kind="bath_ending", open="true")}
    with clock.stopped_at(discard_at - timedelta(minutes=5)):
        disinfection.end_solution(
            actor=system_actor(BUSINESS), now=clock.now(), solution_id=made["id"], reason=EndReason.EMPTIED
        )  # fmt: skip
    # No worker ran for an hour: it was in time all the same.
    swept(discard_at + timedelta(hours=1))
    (done,) = [c for c in checks(call, kind="bath_ending") if c["subject_id"] == made["id"]]
    assert (done["outcome"], done["late"]) == ("done", False)


def test_a_soiled_kit_gets_louder_until_somebody_washes_it(call, now):
    visit = uid("some visit")
    with clock.stopped_at(now):
        disinfection.open_kit(
            actor=system_actor(BUSINESS), now=now, kit_id=uid("brow kit 1"), visit_id=visit
        )
        disinfection.record_reprocessing(
            actor=system_actor(BUSINESS),
            now=now,
            kit_id=uid("brow kit 1"),
            kind=EventKind.PUT_WITH_SOILED,
        )
    levels = []
    for minutes in (59, 60, 75, 120):
        swept(now + timedelta(minutes=minutes))
        levels += [c["level"] for c in checks(call, kind="kit_soiled", open="true")]
    assert levels == [1, 2, 3]
    with clock.stopped_at(now + timedelta(minutes=121)):
        call("petra").post(f"kits/{uid('brow kit 1')}/reprocessing", {"kind": "washed"})
        sweep_due_checks()
    assert checks(call, kind="kit_soiled", open="true") == []
    kit = uid("brow kit 1")
    assert [len(entries(f"due_check.{k}", kit)) for k in ("raised", "escalated", "cleared")] == [
        1,
        2,
        1,
    ]


def test_a_spore_test_is_warned_of_late_and_done(call, now):
    # us-tx has no rule that was found: every 14 days (house policy), at once after installing.
    steriliser = add_steriliser(call)
    swept(now)
    assert [c["level"] for c in checks(call, kind="spore_test", open="true")] == [1]
    spore_test(call, steriliser, "good")
    swept(now + timedelta(minutes=1))
    (first,) = checks(call, kind="spore_test")
    assert (first["outcome"], first["late"]) == ("done", False)
    due_at, seen = now + timedelta(days=14), []
    for days in (10.99, 11, 14, 17, 28):
        swept(now + timedelta(days=days))
        seen.append([c["level"] for c in checks(call, kind="spore_test", open="true")])
    assert seen == [[], [0], [1], [2], [3]]
    # The test was taken in time and entered weeks later: it was not late.
    with clock.stopped_at(now + timedelta(days=29)):
        spore_test(call, steriliser, at=(due_at - timedelta(hours=1)).isoformat())
        sweep_due_checks()
    late = [c for c in checks(call, kind="spore_test") if c["due_at"].startswith("2026-05-20")]
    assert [(c["outcome"], c["late"]) for c in late] == [("done", False)]


def test_a_steriliser_out_of_use_asks_for_its_tests_until_it_is_back(call, now):
    steriliser = add_steriliser(call)
    spore_test(call, steriliser, "good")
    with clock.stopped_at(now + timedelta(days=1)):
        spore_test(call, steriliser, "failed")
        sweep_due_checks()
    assert [c["level"] for c in checks(call, kind="spore_test", open="true")] == [1]
    for days in (2, 3, 4):
        with clock.stopped_at(now + timedelta(days=days)):
            spore_test(call, steriliser, "good")
            sweep_due_checks()
    assert checks(call, kind="spore_test", open="true") == []


@pytest.fixture
def invented(monkeypatch):
    """A source of the test's own, with what stands and what was done in its hands."""
    monkeypatch.setattr("services.queries.due_checks.SOURCES", dict(SOURCES))
    monkeypatch.setattr("services.tasks.SOURCES", {})
    things, done = [], {}
    from services.queries import due_checks

    due_checks.SOURCES.pop(DueKind.POT_TEMPERATURE, None)
    source(DueKind.POT_TEMPERATURE, pace=Pace.MINUTES, done_at=lambda _, keys: {k: done[k] for k in keys if k in done})(
        lambda place, _: list(things) if place.id == LAKE else []
    )  # fmt: skip
    monkeypatch.setattr(
        "services.tasks.SOURCES",
        {DueKind.POT_TEMPERATURE: due_checks.SOURCES[DueKind.POT_TEMPERATURE]},
    )
    return things, done


def test_not_done_and_no_longer_asked_for_is_gone_and_done_after_all_opens_it_again(
    call, now, invented
):
    things, done = invented
    one = Standing(subject_id=uid("pot"), due_at=now, what="pot 1")
    things.append(one)
    swept(now)
    things.clear()
    swept(now + timedelta(hours=1))
    assert [(c["outcome"], c["late"]) for c in checks(call, kind="pot_temperature")] == [("gone", True)]  # fmt: skip
    things.append(one)
    swept(now + timedelta(hours=2))
    assert [(c["outcome"], c["level"]) for c in checks(call, kind="pot_temperature", open="true")] == [(None, 3)]  # fmt: skip
    things.clear()
    done[one.key] = now - timedelta(minutes=1)
    swept(now + timedelta(hours=3))
    assert [(c["outcome"], c["late"]) for c in checks(call, kind="pot_temperature")] == [("done", False)]  # fmt: skip


def test_many_are_raised_in_batches_each_once(call, now, invented):
    things, _ = invented
    things += [Standing(subject_id=uid(f"pot {n}"), due_at=now) for n in range(1203)]
    assert swept(now) == 1203
    assert swept(now) == 0
    with reading(BUSINESS):
        assert DueCheck.objects.filter(kind="pot_temperature").count() == 1203


def test_one_source_that_fails_does_not_silence_the_others(call, now, monkeypatch):
    def broken(place, at):
        raise RuntimeError("invented")

    broken_source = SOURCES[DueKind.BATH_ENDING]
    monkeypatch.setitem(
        SOURCES,
        DueKind.BATH_ENDING,
        type(broken_source)(kind=DueKind.BATH_ENDING, pace=Pace.MINUTES, standing=broken),
    )
    swept(instant("2027-01-02T06:00:00Z"))
    assert checks(call, kind="person_licence")


def test_who_reads_it_and_bad_queries(call, now):
    swept(instant("2027-01-02T06:00:00Z"))
    one = checks(call)[0]
    assert call("petra").get(f"due-checks/{one['id']}").body["id"] == one["id"]
    assert call("stranger").get(f"due-checks/{one['id']}").status_code == 404
    assert call("hana").get(PATH).status_code == 404
    assert call("inga").get(PATH).status_code == 403
    assert call("petra").get(f"{PATH}?kind=nothing").status_code == 422
    assert call("petra").get(f"{PATH}?open=perhaps").status_code == 422


def test_thresholds_of_a_location_must_ascend(call):
    place = call("olga").get(f"locations/{LAKE}")
    wrong = {"escalate_after_minutes": 30, "escalate_again_after_minutes": 20}
    refused = call("olga").patch(f"locations/{LAKE}", {"policies": wrong}, If_Match=place["ETag"])
    assert refused.status_code == 422, refused.body
    assert refused.body["errors"][0]["pointer"] == "/policies/escalate_again_after_minutes"
