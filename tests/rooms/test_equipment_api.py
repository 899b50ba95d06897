"""Equipment over HTTP: pots, readings in both scales, the start of a waxing line, linen, care, corrections."""

from datetime import timedelta
from decimal import Decimal
from uuid import UUID

import pytest

from compliance.ledger.kind_files import KINDS
from rooms.actions import equipment as actions
from rooms.models import EquipmentEntry, OpenContainer, StockItem, StockLot
from rooms.queries.equipment import pots_due, pots_of
from rooms.rules.equipment import EquipmentKind, LogKind
from spa_ops.kernel import clock
from spa_ops.kernel.problems import InvalidInput, WrongState
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import insert
from spa_ops.unit.work import reading
from tests.services.day import GLOVED, consult, in_room
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid

FILLED = {
    "kind": "filled", "product": "invented hard wax", "lot": "7", "lowest": "131", "highest": "140", "unit": "F",
    "opened_on": "2026-05-01", "use_by": "2026-05-31",
}  # fmt: skip


def add(call, kind="wax_pot", by="lena", place=LAKE, **more):
    if kind == "wax_pot":
        more = {"room_id": str(uid("room 1")), "method": "hard_wax"} | more
    made = call(by).post(f"locations/{place}/equipment", {"kind": kind, "name": f"{kind} 1"} | more)
    assert made.status_code == 201, made.body
    return f"equipment/{made.body['id']}"


def log(call, path, kind, by="petra", **more):
    return call(by).post(f"{path}/log", {"kind": kind, **more})


def states(call, place=LAKE):
    return call("petra").get(f"locations/{place}/equipment-states").body


def test_a_pot_is_filled_measured_and_shown_in_both_scales(call, now):
    pot = add(call)
    assert log(call, pot, **FILLED).status_code == 201
    (seen,) = states(call)["wax_pots"]
    assert (seen["may_be_used"], seen["reason"]) == (False, "not_measured_today")
    assert seen["filling"]["lowest"] == {"c": "55.0", "f": "131.0"}
    assert log(call, pot, "measured", degrees="58", unit="C").status_code == 201
    (seen,) = states(call)["wax_pots"]
    assert seen["may_be_used"]
    assert seen["reading"]["degrees"] == {"c": "58.0", "f": "136.4"}
    assert "microwave" in states(call)["caution"]
    newest, _ = call("petra").get(f"{pot}/log").body["items"]
    assert (newest["kind"], newest["flaws"]) == ("measured", [])


def test_the_desk_clears_no_wax_and_may_say_that_a_pot_is_bad(call):
    pot = add(call)
    for given in (FILLED, {"kind": "measured", "degrees": "58", "unit": "C"}):
        refused = log(call, pot, by="freya", **given)
        assert (refused.status_code, refused.body["title"]) == (403, "Not allowed")
    assert not EquipmentEntry.objects.exists()
    assert log(call, pot, "contaminated", by="freya").status_code == 201


def test_a_reading_out_of_range_is_kept_and_says_what_to_do(call):
    pot = add(call)
    log(call, pot, **FILLED)
    # 70 was read off a Celsius dial; in Fahrenheit it would be a cold pot.
    assert log(call, pot, "measured", degrees="70", unit="C").status_code == 201
    newest = call("petra").get(f"{pot}/log").body["items"][0]
    assert newest["flaws"][0]["flaw"] == "too_hot"
    assert newest["flaws"][0]["what_to_do"]
    (seen,) = states(call)["wax_pots"]
    assert (seen["reason"], seen["may_be_used"]) == ("too_hot", False)


def test_who_reads_a_pot_too_hot_is_told_at_once_and_again_on_a_repeat(call, now):
    pot = add(call)
    filled = log(call, pot, **FILLED).body
    assert filled["stands"]["reason"] == "not_measured_today"
    hot = {"kind": "measured", "degrees": "90", "unit": "C"}
    told = call("petra").post(f"{pot}/log", hot, Idempotency_Key="hot-1")
    assert (told.status_code, told.body["id"]) == (201, pot.partition("/")[2])
    assert told.body["version"] == call("petra").get(pot).body["version"]
    assert told.body["stands"] == states(call)["wax_pots"][0]
    stands = told.body["stands"]
    assert (stands["may_be_used"], stands["reason"]) == (False, "too_hot")
    assert "cool" in stands["what_to_do"]
    assert (stands["filling"]["lowest"]["c"], stands["filling"]["highest"]["c"]) == ("55.0", "60.0")
    assert stands["reading"]["degrees"] == {"c": "90.0", "f": "194.0"}
    assert [one["flaw"] for one in told.body["entry"]["flaws"]] == ["too_hot"]
    assert "wrist" in told.body["caution"]
    good = log(call, pot, "measured", degrees="58", unit="C").body
    assert (good["stands"]["may_be_used"], good["entry"]["flaws"]) == (True, [])
    # A repeat says which entry it was, and where the pot stands now.
    again = call("petra").post(f"{pot}/log", hot, Idempotency_Key="hot-1")
    assert again["Idempotency-Replayed"] == "true"
    assert again.body["entry"] == told.body["entry"]
    assert again.body["stands"] == good["stands"]


def test_a_late_entry_is_answered_with_where_the_pot_stands_now(call, now):
    pot = add(call)
    with clock.stopped_at(now + timedelta(minutes=10)):
        log(call, pot, **FILLED, at=clock.now().isoformat())
        log(call, pot, "measured", degrees="58", unit="C")
        # 90 was read before the new wax went in.
        before = (now + timedelta(minutes=5)).isoformat()
        late = log(call, pot, "measured", degrees="90", unit="C", at=before).body
    assert [one["flaw"] for one in late["entry"]["flaws"]] == ["measured_empty"]
    assert late["stands"]["may_be_used"]


def test_a_struck_reading_takes_the_pot_back_with_it(call):
    pot = add(call)
    log(call, pot, **FILLED)
    entry = log(call, pot, "measured", degrees="58", unit="C").body["entry"]
    struck = call("petra").post(
        f"equipment-entries/{entry['id']}/strike-out", {"reason": "other pot"}
    )
    assert struck.body["entry"]["id"] == entry["id"]
    assert struck.body["stands"]["reason"] == "not_measured_today"
    call("lena").post(f"{pot}/retire")
    first = call("petra").get(f"{pot}/log").body["items"][-1]["id"]
    gone = call("petra").post(f"equipment-entries/{first}/strike-out", {"reason": "other pot"})
    assert (gone.status_code, gone.body["stands"]) == (200, None)


def test_what_is_logged_of_other_pieces_says_whether_they_may_be_used(call):
    box = add(call, "sharps_box")
    full = log(call, box, "full").body
    assert full["stands"] == states(call)["others"][0]
    assert (full["stands"]["may_be_used"], full["stands"]["reason"]) == (False, "box_full")
    assert full["stands"]["what_to_do"]
    assert (full["caution"], full["entry"]["flaws"]) == ("", [])
    assert log(call, box, "replaced").body["stands"]["may_be_used"]
    # Another's wash programme does not put the machine out of use, but its load is washed again.
    machine = add(call, "washing_machine")
    washed = log(call, machine, "washed", degrees="104", unit="F", minutes=25).body
    assert washed["stands"]["may_be_used"]
    assert washed["entry"]["flaws"][0]["flaw"] == "no_published_wash"
    assert "again" in washed["entry"]["flaws"][0]["what_to_do"]


def test_a_basin_in_maine_is_out_of_use_until_it_is_cleaned_and_logged(call, now):
    # 9.06, Maine 02-041 ch. 26.280-281: without its log it is out of service.
    with reading(BUSINESS):
        Location.objects.filter(id=LAKE).update(jurisdiction="us-me")
    basin = add(call, "foot_basin")
    log(call, basin, "weekly")
    with clock.stopped_at(now + timedelta(days=1)):
        idle = log(call, basin, "idle_day").body["stands"]
        # That it rests today is no cleaning of yesterday's use.
        assert (idle["may_be_used"], idle["reason"]) == (False, "no_log")
        assert idle["due"][0]["days"] == ["2026-05-06"]
        clean = log(call, basin, "end_of_day").body["stands"]
        assert (clean["may_be_used"], clean["reason"]) == (True, None)
        # The day it was missed stays on record.
        assert clean["due"][0]["days"] == ["2026-05-06"]
        assert [one["flaw"] for one in clean["flaws"]] == ["care_missed"]


def opened_wax(closed=False):
    """An open container of an invented wax in stock, made at the table: its own actions are others' work."""
    with reading(BUSINESS):
        item = StockItem(
            business_id=BUSINESS, name="invented azulene wax", part="professional", unit="g",
            uses_each=0, pack_size=1000, lead_days=3, version=1,
        )  # fmt: skip
        lot = StockLot(
            business_id=BUSINESS, location_id=LAKE, item=item, number="A-9", received_at=clock.now(), version=1
        )  # fmt: skip
        opened = OpenContainer(
            business_id=BUSINESS, location_id=LAKE, item=item, lot=lot, holds=1000, version=1,
            opened_at=clock.now(), discard_by="2026-06-06", closed_at=clock.now() if closed else None,
        )  # fmt: skip
        insert([item])
        insert([lot])
        insert([opened])
    return str(opened.id)


def test_a_pot_filled_from_stock_has_its_lot_and_date_from_there(db, now):
    petra = actor("petra")
    pot = actions.add_equipment(
        actor=actor("lena"), now=now, location_id=LAKE, kind=EquipmentKind.WAX_POT, name="pot",
        room_id=uid("room 1"), method="hard_wax",
    )  # fmt: skip
    label = {"lowest": Decimal(55), "highest": Decimal(60), "unit": "C"}
    filled = {"actor": petra, "now": now, "equipment_id": pot.id, "kind": LogKind.FILLED, **label}
    actions.log_equipment(**filled, container_id=UUID(opened_wax()))
    with reading(BUSINESS):
        (state,) = pots_of(Location.objects.get(id=LAKE), now)
    assert (state.pot.filling.product, state.pot.filling.lot) == ("invented azulene wax", "A-9")
    assert str(state.pot.filling.use_by) == "2026-06-06"
    with pytest.raises(InvalidInput, match="lot"):
        actions.log_equipment(**filled, container_id=UUID(opened_wax()), lot="B-1")
    with pytest.raises(WrongState, match="closed"):
        actions.log_equipment(**filled, container_id=UUID(opened_wax(closed=True)))


def test_a_waxing_line_starts_from_a_pot_that_was_measured_today(call, now):
    pot = add(call)
    log(call, pot, **FILLED)
    visit = in_room(call, now)
    consult(call, visit)
    start = f"lines/{visit['lines'][0]['id']}/start"
    refused = call("petra").post(start, GLOVED)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/pot-not-ready")
    assert refused.body["reason"] == "not_measured_today"
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["state"] == "planned"
    log(call, pot, "measured", degrees="160", unit="F")
    assert call("petra").post(start, GLOVED).body["reason"] == "too_hot"
    log(call, pot, "measured", degrees="135", unit="F")
    unknown = call("petra").post(start, GLOVED | {"wax_pot_id": str(uid("nothing"))})
    assert (unknown.status_code, unknown.body["errors"][0]["pointer"]) == (422, "/wax_pot_id")
    started = call("petra").post(start, GLOVED)
    assert started.status_code == 200, started.body
    entries = call("lena").get(f"evidence/{LAKE}/entries?limit=200").body["items"]
    (one,) = [e for e in entries if e["kind"] == "line.started"]
    assert one["facts"]["wax_pot_id"] == pot.partition("/")[2]
    filled = call("petra").get(f"{pot}/log").body["items"][-1]
    assert one["facts"]["wax_filling_id"] == filled["id"]


def test_a_room_without_a_pot_for_that_wax_asks_for_none(call, now):
    add(call, method="soft_wax")
    add(call, name="pot of room 2", room_id=str(uid("room 2")))
    visit = in_room(call, now)
    consult(call, visit)
    started = call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED)
    assert started.status_code == 200, started.body


def test_yesterdays_reading_does_not_count(call, now):
    pot = add(call)
    log(call, pot, **FILLED)
    log(call, pot, "measured", degrees="58", unit="C")
    with clock.stopped_at(now + timedelta(days=1)):
        (seen,) = states(call)["wax_pots"]
        assert seen["reason"] == "not_measured_today"
        with reading(BUSINESS):
            assert [one.equipment.name for one in pots_due(LAKE, clock.now())] == ["wax_pot 1"]
    with clock.stopped_at(now + timedelta(hours=8)), reading(BUSINESS):
        assert pots_due(LAKE, clock.now()) == []  # closed: nobody uses it


def test_an_old_reading_is_not_read_and_an_old_contamination_is(call, now):
    pot = add(call)
    log(call, pot, **(FILLED | {"use_by": "2026-06-30"}))
    log(call, pot, "measured", degrees="58", unit="C")
    with clock.stopped_at(now + timedelta(days=7)):
        (seen,) = states(call)["wax_pots"]
        assert (seen["reason"], seen["reading"]) == ("not_measured_today", None)
        log(call, pot, "measured", degrees="58", unit="C")
        assert states(call)["wax_pots"][0]["may_be_used"]
        log(call, pot, "contaminated")
    with clock.stopped_at(now + timedelta(days=30)):
        log(call, pot, "measured", degrees="58", unit="C")
        assert states(call)["wax_pots"][0]["reason"] == "contaminated"


def test_a_mis_tap_is_struck_out_once_and_counts_for_nothing(call):
    pot = add(call)
    log(call, pot, **FILLED)
    log(call, pot, "measured", degrees="58", unit="C")
    wrong = call("petra").get(f"{pot}/log").body["items"][0]["id"]
    struck = call("petra").post(f"equipment-entries/{wrong}/strike-out", {"reason": "other pot"})
    assert struck.status_code == 200
    again = call("petra").post(f"equipment-entries/{wrong}/strike-out", {"reason": "other pot"})
    assert again.body["type"] == "/problems/already-corrected"
    assert states(call)["wax_pots"][0]["reason"] == "not_measured_today"
    newest = call("petra").get(f"{pot}/log").body["items"][0]
    assert (newest["id"], newest["struck_because"]) == (wrong, "other pot")


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"kind": "washed", "used": ["bleach"]}, "/kind"),
        ({"kind": "measured"}, "/degrees"),
        ({"kind": "measured", "degrees": "58"}, "/unit"),
        ({"kind": "measured", "degrees": "580", "unit": "C"}, "/degrees"),
        ({"kind": "measured", "degrees": "58", "unit": "K"}, "/unit"),
        ({"kind": "measured", "degrees": "58", "unit": "C", "lot": "7"}, "/lot"),
        ({**FILLED, "lowest": "141"}, "/lowest"),
        ({"kind": "emptied", "at": "2036-01-01T00:00:00Z"}, "/at"),
        ({"kind": "emptied", "at": "2026-05-01T00:00:00Z"}, "/at"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_nothing_is_kept(call, given, pointer):
    pot = add(call)
    refused = call("petra").post(f"{pot}/log", given)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    with reading(BUSINESS):
        assert not EquipmentEntry.objects.exists()


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"room_id": None}, "/room_id"),
        ({"room_id": str(uid("pier room"))}, None),
        ({"method": None}, "/method"),
        ({"kind": "eye_wash"}, "/method"),
        ({"kind": "kettle"}, "/kind"),
    ],
)
def test_a_pot_is_for_one_wax_and_stands_in_a_room_of_the_location(call, given, pointer):
    made = {"kind": "wax_pot", "name": "pot", "room_id": str(uid("room 1")), "method": "hard_wax"}
    asked = {name: value for name, value in (made | given).items() if value is not None}
    refused = call("lena").post(f"locations/{LAKE}/equipment", asked)
    assert refused.status_code == (422 if pointer else 404)
    if pointer:
        assert refused.body["errors"][0]["pointer"] == pointer


def test_a_name_is_taken_once_until_the_piece_is_retired(call):
    pot = add(call)
    again = {"kind": "eye_wash", "name": "wax_pot 1"}
    assert call("lena").post(f"locations/{LAKE}/equipment", again).status_code == 409
    assert call("lena").post(f"{pot}/retire").body["retired_at"]
    assert call("lena").post(f"locations/{LAKE}/equipment", again).status_code == 201
    assert log(call, pot, **FILLED).body["type"] == "/problems/wrong-state"
    assert states(call)["wax_pots"] == []


def test_linen_is_washed_as_the_place_has_it_or_has_a_flaw(call):
    # Lake is in Texas: 16 TAC 117.83, bleach and hot water (11.14).
    machine = add(call, "washing_machine")
    log(call, machine, "washed", used=["bleach", "hot_water"], load="towels")
    log(call, machine, "washed", degrees="160", unit="F", minutes=25)
    newest, first = call("petra").get(f"{machine}/log").body["items"]
    assert (first["flaws"], first["said"]["met"]) == ([], ["16 TAC 117.83 (chemistry)"])
    assert newest["flaws"][0]["flaw"] == "no_published_wash"
    assert log(call, machine, "washed", load="towels").status_code == 422
    # Harbor is in New York, where none is published: the strictest pair that was read.
    henks = add(call, "washing_machine", by="henk", place=HARBOR)
    log(call, henks, "washed", by="henk", degrees="160", unit="F", minutes=25)
    assert call("henk").get(f"{henks}/log").body["items"][0]["flaws"] == []
    facts = [
        e["facts"] for e in call("lena").get(f"evidence/{LAKE}/entries?limit=200").body["items"]
        if e["kind"] == "equipment.logged"
    ]  # fmt: skip
    assert [f.get("flaws") for f in facts] == [None, ["no_published_wash"]]
    assert KINDS.latest("equipment.logged").says


def test_care_that_was_missed_names_its_days_and_its_rule(call, now):
    warmer, basin = add(call, "towel_warmer"), add(call, "foot_basin")
    log(call, warmer, "disinfected")
    log(call, warmer, "left_open")
    log(call, basin, "idle_day")
    with clock.stopped_at(now + timedelta(hours=8)):
        assert [one["due"] for one in states(call)["others"]] == [[], []]
    with clock.stopped_at(now + timedelta(days=1, hours=8)):
        others = {one["kind"]: one for one in states(call)["others"]}
    assert [(d["event"], d["days"]) for d in others["towel_warmer"]["due"]] == [
        ("disinfected", ["2026-05-07"]),
        ("left_open", ["2026-05-07"]),
    ]
    assert others["foot_basin"]["due"][0]["citation"] == "California board log form (2008)"
    assert others["foot_basin"]["flaws"][0]["flaw"] == "care_missed"


def test_a_full_box_and_a_kit_past_its_date_are_flaws_until_replaced(call, now):
    box = add(call, "sharps_box")
    kit = add(call, "blood_spill_kit", in_date_through="2026-05-05")
    log(call, box, "opened")
    log(call, box, "full")
    found = {one["kind"]: [f["flaw"] for f in one["flaws"]] for one in states(call)["others"]}
    assert found == {"blood_spill_kit": ["out_of_date"], "sharps_box": ["box_full"]}
    log(call, box, "replaced")
    log(call, kit, "replaced", in_date_through="2028-05-05")
    assert all(one["flaws"] == [] for one in states(call)["others"])
    assert call("petra").get(kit).body["in_date_through"] == "2028-05-05"


def test_a_piece_is_changed_under_its_version(call):
    pot = add(call)
    etag = call("lena").get(pot)["ETag"]
    moved = call("lena").patch(pot, {"room_id": str(uid("room 2"))}, If_Match=etag)
    assert moved.body["room_id"] == str(uid("room 2"))
    assert call("lena").patch(pot, {"name": "x"}, If_Match=etag).status_code == 412
    etag = moved["ETag"]
    assert call("lena").patch(pot, {"room_id": None}, If_Match=etag).status_code == 422
