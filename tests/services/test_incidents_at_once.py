"""Incidents by two at once: closed once, nothing said is lost, nothing closed that is not done."""

from services.actions import incidents
from services.actions.incident_reports import report_incident
from services.models import Incident, IncidentEntry
from services.problems import IncidentNotDone
from services.rules.incident_record import EntryKind
from services.rules.incidents import IncidentKind
from spa_ops.kernel import clock
from spa_ops.kernel.problems import AlreadyCorrected, WrongState
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.services.test_checkout_at_once import _at_once
from tests.world import BUSINESS, LAKE, actor, uid

STEPS = ("stop_area", "cool_and_cover", "wound_advice")


def reported(*done):
    who = {"actor": actor("petra"), "now": clock.now()}
    row = report_incident(
        **who, location_id=LAKE, kind=IncidentKind.SKIN_LIFTED, client_id=uid("cora"), area="brow",
        what_happened="invented words",
    )  # fmt: skip
    for code in done:
        incidents.add_entry(**who, incident_id=row.id, kind=EntryKind.STEP, code=code)
    return row


def acting(function, row, who="petra", **given):
    return lambda: function(actor=actor(who), now=clock.now(), incident_id=row.id, **given)


def kinds(row):
    with reading(BUSINESS):
        rows = IncidentEntry.objects.filter(incident_id=row.id)
        return sorted(rows.values_list("kind", flat=True))


def test_of_two_who_close_one_does(own_database):
    for _ in range(4):
        row = reported(*STEPS)
        found = _at_once(
            acting(incidents.close_incident, row), acting(incidents.close_incident, row, "lena")
        )
        assert sorted(type(f).__name__ for f in found) == ["Incident", "WrongState"]
        assert kinds(row).count("closed") == 1
        assert build.fresh(row).state == "closed"


def test_an_entry_that_comes_with_the_closing_is_not_lost(own_database):
    for _ in range(4):
        row = reported(*STEPS)
        words = acting(incidents.add_entry, row, "lena", kind=EntryKind.WORDS, text="it stings")
        found = _at_once(acting(incidents.close_incident, row), words)
        assert all(isinstance(f, Incident) for f in found), found
        assert kinds(row) == ["closed", "step", "step", "step", "words"]
        fresh = build.fresh(row)
        # Reported, three steps, a closing, words: every write one version.
        assert (fresh.state, fresh.version) == ("closed", 6)


def test_the_last_step_and_the_closing_end_closed_or_refused_never_closed_without_it(own_database):
    for _ in range(4):
        row = reported(*STEPS[1:])
        last = acting(incidents.add_entry, row, "lena", kind=EntryKind.STEP, code=STEPS[0])
        closed, _ = _at_once(acting(incidents.close_incident, row), last)
        if isinstance(closed, IncidentNotDone):
            assert build.fresh(row).state == "open"
        else:
            assert isinstance(closed, Incident), closed
            assert build.fresh(row).state == "closed"


def test_a_step_struck_out_while_it_is_closed_leaves_it_open(own_database):
    for _ in range(4):
        row = reported(*STEPS)
        with reading(BUSINESS):
            step = IncidentEntry.objects.filter(incident_id=row.id).order_by("recorded_at").first()
        given = {"entry_id": step.id, "reason": "not done"}
        closed, struck = _at_once(
            acting(incidents.close_incident, row),
            acting(incidents.strike_incident, row, "lena", **given),
        )
        assert isinstance(struck, Incident), struck
        assert isinstance(closed, Incident | IncidentNotDone), closed
        assert build.fresh(row).state == "open"


def test_of_two_who_strike_it_out_one_does(own_database):
    row = reported()
    strike = [
        acting(incidents.strike_incident, row, who, reason="another client")
        for who in ("petra", "lena")
    ]
    found = _at_once(*strike)
    refused = [f for f in found if isinstance(f, AlreadyCorrected | WrongState)]
    assert len(refused) == 1
    assert (kinds(row), build.fresh(row).state) == (["struck"], "struck")
