"""The invented demo business through the real commands: golden counts, and a day that can be lived."""

import json
import stat
from collections import Counter
from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from clients import queries as clients
from compliance.disinfection.models import (
    Implement,
    Kit,
    KitCount,
    KitUse,
    Solution,
    Steriliser,
    SteriliserLoad,
)
from compliance.disinfection.queries import sterilising
from rooms.models import Room
from rooms.queries import check_lists, effective_state, equipment
from rooms.rules.check_lists import ListKind, state_of
from services.actions import booking, plans
from services.imports import demo_loading, demo_upkeep
from services.imports.demo_business import HARBORSIDE, LAKESIDE
from services.imports.make_demo_files import demo_files
from services.models import HandOver, ImportRun, Line, Service, Skill, Visit
from services.queries.stock_forecast import outlooks
from spa_ops.claims.models import Claim
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.callers import Caller
from tests.conftest import NOON
from tests.imports.commands import counts, one
from tests.world import BUSINESS, OTHER

DEMO = demo_loading.BUSINESS_ID
LAKE = demo_loading.demo_id(LAKESIDE.name)


@pytest.fixture
def folder(monkeypatch, tmp_path):
    monkeypatch.setenv("SPA_OPS_DATA_DIR", str(tmp_path))
    return tmp_path


@pytest.fixture
def loaded(db, folder):
    """What the command printed. The tests have businesses already: a begun load goes on all the same."""
    demo_loading.set_up(json.loads(demo_files()["business.json"]), NOON)
    out = StringIO()
    call_command("load_demo", if_empty=True, stdout=out)
    return out.getvalue()


def drifted(entity: str, table: str, feed: str) -> int:
    return one(
        f"SELECT count(*) FROM {table} e WHERE NOT EXISTS (SELECT FROM sync_change c WHERE c.feed_id = {feed} "
        "AND c.entity = %s AND c.entity_id = e.id AND c.version = e.version)",
        entity,
        business=DEMO,
    )


def is_golden(said: str) -> None:
    """The counts that the files promise: 400 clients, 35 services, 619 visits, and their slips."""
    for line in (
        "services.csv: 37 rows: 35 added, 0 here already, 0 linked to Tamsinwold Lakeside Airport, 0 cancelled, 2 with errors.",
        "clients-lakeside.csv: 275 rows: 260 added",
        "clients-harborside.csv: 145 rows: 140 added",
        "visits-lakeside.ics: 655 rows: 619 added",
    ):
        assert line in said
    with reading(DEMO):
        found = (Service.objects.count(), Visit.objects.count())
        assert found == (35, 619)
        assert [run.state for run in ImportRun.objects.all()] == ["completed"] * 4
    assert one("SELECT count(*) FROM clients_client", business=DEMO) == 400
    assert one("SELECT count(*) FROM imports_row", business=DEMO) == 0
    entries = "SELECT count(*) FROM ledger_entry WHERE kind = 'import.completed'"
    assert one(entries, business=DEMO) == 4


def visits_are_what_their_time_makes_them() -> None:
    with reading(DEMO):
        states = Counter(Visit.objects.values_list("state", flat=True))
        assert set(states) == {"left", "booked"}
        assert min(states.values()) > 200
        past = set(Visit.objects.filter(state="left").values_list("id", flat=True))
        coming = set(Visit.objects.filter(state="booked").values_list("id", flat=True))
        claimed = set(Claim.objects.values_list("visit_id", flat=True))
        assert claimed == coming
        assert not past & claimed
        assert not Line.objects.exclude(verdict="", screened_on=None, started_at=None).exists()
        coming_lines = Line.objects.filter(visit_id__in=coming)
        assert coming_lines.count() > 400
        assert not coming_lines.filter(kit=None).exists()


def nothing_is_ready_yet() -> None:
    """But for the kit that lies in its pouch: what was ready the day before lapsed at closing."""
    with reading(DEMO):
        assert {effective_state(room, clock.now()) for room in Room.objects.all()} == {
            "needs_turnover"
        }
        pouched = Implement.objects.filter(kit__name=demo_upkeep.KIT)
        assert list(pouched.values_list("state", flat=True)) == ["ready", "ready"]
        others = Implement.objects.exclude(kit__name=demo_upkeep.KIT)
        assert set(others.values_list("state", flat=True)) == {"soiled"}
        assert Kit.objects.filter(location_id=LAKE).count() == sum(k.count for k in LAKESIDE.kits)
        assert not Solution.objects.filter(ended_at=None).exists()


def each_part_is_alive(inspector: Caller) -> None:
    """Pots in and out of range, a spore test due, lists, a hand-over, a kit counted, something to order."""
    today = clock.local_date(clock.now(), LAKESIDE.zone)
    with reading(DEMO):
        place = Location.objects.get(id=LAKE)
        pots = [state.why_not for state in equipment.pots_of(place, clock.now())]
        assert pots == [None, "too_hot", "not_measured_today"]
        lists = {
            kind: check_lists.day_list(place, kind, today - timedelta(days=1), clock.now())
            for kind in ListKind
        }
        states = {
            kind: Counter(str(state_of(found.ticks.get(row.key))) for row in found.rows)
            for kind, found in lists.items()
        }
        assert set(states[ListKind.OPENING]) == {"done"}
        assert states[ListKind.CLOSING]["blank"] == 1
        assert set(states[ListKind.CLOSING]) == {"done", "blank"}
        assert {one.row.signed_off_by for one in lists.values()} == {
            demo_loading.demo_id("Rosalba Kestimund")
        }
        (handed,) = HandOver.objects.all()
        assert handed.accepted_by_id != handed.given_by_id
        steriliser = Steriliser.objects.get()
        due_at = sterilising.next_test_due(steriliser, clock.now(), 0)
        assert timedelta() < clock.now() - due_at < timedelta(hours=2)
        assert list(SteriliserLoad.objects.values_list("state", flat=True)) == ["released"] * 2
        (use,), (count,) = KitUse.objects.all(), KitCount.objects.all()
        assert (use.cleared, count.pieces_out, count.pieces_missing) == (True, 2, 0)
        assert use.visit_id == count.visit_id
        wanted = [o.item.name for o in outlooks(place, today) if o.outlook.packs]
    assert "Invented gloves without powder" in wanted
    found = inspector.get(f"evidence/{LAKE}/verification").body
    assert (found["intact"], found["first_flaw"]) == (True, None)


def test_the_demo_is_loaded_whole_and_every_feed_has_it(loaded, folder):
    is_golden(loaded)
    visits_are_what_their_time_makes_them()
    nothing_is_ready_yet()
    assert drifted("client", "clients_client", "ANY(e.location_ids)") == 0
    assert drifted("service", "services_service", "e.business_id") == 0
    assert drifted("visit", "services_visit", "e.location_id") == 0
    assert drifted("skill", "services_skill", "e.business_id") == 0
    allergies_are_kept_sealed()
    every_service_can_be_performed()
    people_can_sign_in(folder)
    each_part_is_alive(signed_in(folder, "inspector"))
    for hour in (3, 12, 23):
        a_visit_can_be_had(hour)
    # A second time there is nothing to do, and nothing is done.
    before = counts(DEMO)
    out = StringIO()
    call_command("load_demo", if_empty=True, stdout=out)
    assert (counts(DEMO), out.getvalue()) == (before, "")
    with pytest.raises(CommandError, match="business already"):
        call_command("load_demo", stdout=out)


def signed_in(folder, role) -> Caller:
    people = json.loads((folder / "demo-sign-ins.json").read_text(encoding="utf-8"))
    one = next(person for person in people if person["role"] == role)
    made = tenancy.sign_in(login=one["login"], password=one["password"], now=clock.now())
    return Caller(made.secret)


def people_can_sign_in(folder) -> None:
    path = folder / "demo-sign-ins.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    people = {person["role"]: person for person in json.loads(path.read_text(encoding="utf-8"))}
    assert set(people) == {"front_desk", "practitioner", "lead", "owner", "inspector", "device"}
    for role, person in people.items():
        assert {"role", "name", "login", "password", "pin", "location"} <= set(person)
        if role == "device":
            assert Caller(person["token"]).get("me").status_code in {200, 403}
            continue
        assert len(person["password"]) >= 12
        token = tenancy.sign_in(login=person["login"], password=person["password"], now=NOON)
        assert token.secret


def allergies_are_kept_sealed() -> None:
    rows = "SELECT id FROM clients_client WHERE unverified_health IS NOT NULL LIMIT 1"
    told = one(rows, business=DEMO)
    kept = "SELECT count(*) FROM clients_client WHERE unverified_health IS NOT NULL"
    assert 40 < one(kept, business=DEMO) < 100
    with reading(DEMO):
        assert clients.unverified_health(told)


def a_visit_can_be_had(hour: int) -> None:
    """The tour of the README works at any hour: somebody is there, and a room."""
    at = datetime(2026, 5, 7, hour, 20, tzinfo=UTC) + timedelta(hours=5)
    with reading(DEMO):
        service = Service.objects.get(name="Lip wax")
        guest = one("SELECT id FROM clients_client ORDER BY id LIMIT 1", business=DEMO)
    with clock.stopped_at(at):
        visit = booking.book_visit(
            actor=system_actor(DEMO),
            now=at,
            location_id=LAKE,
            client_id=guest,
            walk_in=True,
            lines=[
                plans.LineRequest(
                    service_id=service.id,
                    practitioner_id=demo_loading.demo_id("Bramwell Ostrevane"),
                    room_id=demo_loading.demo_id(f"{LAKESIDE.name}/Gate Room"),
                    kit_id=demo_loading.demo_id(f"{LAKESIDE.name}/Face wax kit 6"),
                    starts_at=at,
                )
            ],
        )
    assert visit.state == "booked"


def every_service_can_be_performed() -> None:
    with reading(DEMO):
        able = set(Skill.objects.values_list("service_id", flat=True))
        assert able == set(Service.objects.values_list("id", flat=True))
    assert HARBORSIDE.zone != LAKESIDE.zone


def test_other_businesses_keep_the_demo_away_and_untouched(db, folder):
    before = (counts(BUSINESS), counts(OTHER))
    out = StringIO()
    call_command("load_demo", if_empty=True, stdout=out)
    assert out.getvalue() == ""
    with pytest.raises(CommandError, match="business already"):
        call_command("load_demo", stdout=out)
    assert (counts(BUSINESS), counts(OTHER)) == before
    assert not list(folder.iterdir())


def test_production_never_loads_it(settings):
    settings.ENV = "production"
    with pytest.raises(CommandError, match="never loaded in production"):
        call_command("load_demo", if_empty=True)
