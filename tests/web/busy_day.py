"""A day on which something of every kind has happened, in both businesses: made over HTTP once a session."""

from datetime import datetime, timedelta
from typing import Any

from rooms.tasks import flag_rooms
from services.tasks import book_uses, look_ahead, offer_freed_time, sweep_due_checks
from spa_ops.kernel import clock
from tests.callers import Caller, secret_of
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, in_room, line
from tests.services.pictures import photograph
from tests.world import ELSEWHERE, HARBOR, LAKE, uid
from tests.world_rooms import make_ready

HOURS = {"starts": "09:00", "ends": "19:00", "valid_from": "2026-01-05"}


def build() -> None:
    """One visit carried through to the rebooking date, one screened, one with work going on, one
    arrived, one planned, and a turnover begun; the other business has its own of most things.
    """
    made: dict[str, Caller] = {}

    def call(name: str) -> Caller:
        return made.setdefault(name, Caller(secret_of(name)))

    now = clock.now()
    items = _items(call("lena"))
    _stock(call("lena"), LAKE, "room 1", items)
    _carried_through(call, now, items[1])
    book_uses()
    make_ready("room 3")
    for name in ("dora", "elsa", "fina"):
        _done(call("freya").post("clients", _grown_up(name)))
        kept = {"purpose": "health_answers", "given": True}
        _done(call("freya").post(f"clients/{uid(name)}/consents", kept))
    screened = in_room(call, now, _facial(now, 90, "petra", "room 3"), client="dora")
    on_isotretinoin = {"kind": "isotretinoin", "still": True}
    answers = all_no("facial", "face", isotretinoin="yes")
    consult(call, screened, answers=answers, declarations=[on_isotretinoin], findings=[])
    worked_on = in_room(call, now, _facial(now, 30, "lena", "room 2"), client="elsa", by="lena")
    consult(call, worked_on, by="lena", answers=all_no("facial", "face"), findings=[])
    _done(call("lena").post(f"lines/{worked_on['lines'][0]['id']}/start", GLOVED))
    arrived = _done(book(call, now, _facial(now, 240, "petra", "room 3"), client="fina"))
    _done(call("freya").post(f"visits/{arrived['id']}/arrive"))
    _done(book(call, now, _facial(now, 240, "lena", "room 2"), client="celia"))
    _done(book(call, now, line(now, minutes=7 * 24 * 60), client="dora"))
    look_ahead()
    for name in ("cora", "celia", "dora", "elsa", "fina"):
        agreed = {"purpose": "sms_messages", "given": True}
        _done(call("freya").post(f"clients/{uid(name)}/consents", agreed))
    late = _facial(now, 330, "petra", "room 3")
    _done(call("petra").post(f"locations/{LAKE}/holds", {"lines": [late]}))
    _recurring(call("freya"), LAKE, uid("fina"), _facial(now, 5 * 24 * 60, "petra", "room 3"))
    _patch_test(call("lena"), uid("cora"))
    longer = {"kind": "needs_longer", "extra_minutes": 5}
    _done(call("freya").post(f"clients/{uid('cora')}/booking-conditions", longer))
    _done(call("petra").get(f"clients/{uid('cora')}/health"))
    # The desk's own: of others' it reads nothing.
    _incident(call("freya"), LAKE, uid("cora"), shown_by=call("petra"))
    _done(call("petra").post(f"locations/{LAKE}/calendars", {"person_id": str(uid("petra"))}))
    _done(call("lena").post(f"locations/{LAKE}/rearrangements", {}))
    _away(call("lena"), LAKE, uid("petra"))
    _done(
        call("petra").post(
            f"locations/{LAKE}/opening-list/ticks", {"item": "hand_wash", "done": True}
        )
    )
    for lead, place in ((call("lena"), LAKE), (call("henk"), HARBOR)):
        _done(lead.post(f"locations/{place}/hand-overs", {"shortages": ["gloves, small"]}))
    _pot(call("lena"), LAKE, uid("room 2"), name="pot of room 2")
    _pot(call("henk"), HARBOR, uid("pier room"), name="pot of the pier")
    _at_harbor(call("henk"), now)
    _stock(call("henk"), HARBOR, "pier room", items)
    _elsewhere(call("stranger"), now)
    _waiting(call("freya"), LAKE, uid("celia"), uid("facial"))
    _waiting(call("henk"), HARBOR, uid("hugo"), uid("facial"))
    offer_freed_time()
    _waiting(call("freya"), LAKE, uid("dora"), uid("facial"))
    _waiting(call("henk"), HARBOR, uid("hugo"), uid("lip wax"))
    for who, whose, place in (("olga", "pavel", "us-tx"), ("olga", "hana", "us-ny"), ("stranger", "stranger", "us-tx")):  # fmt: skip
        _licence_expiring(call(who), uid(whose), place)
    _sterilised(call("lena"), LAKE, "brow kit 2 tweezers")
    _sterilised(call("henk"), HARBOR, None)
    _sterilised(call("stranger"), ELSEWHERE, None)
    sweep_due_checks()


def _sterilised(lead: Caller, place: Any, implement: str | None) -> None:
    """A load that is running, and a spore test that nobody has read."""
    heat = {"temperature": {"amount": "121", "unit": "C"}, "minutes": "30"}
    given = {"name": "steam 1", "method": "steam", "programmes": [{"name": "wrapped"} | heat]}
    steriliser = _done(lead.post(f"locations/{place}/sterilisers", given))["id"]
    pouches = [{"pouch": "A1", "implement_ids": [str(uid(implement))]}] if implement else []
    load = {"programme": "wrapped", "pouches": pouches}
    _done(lead.post(f"sterilisers/{steriliser}/loads", load))
    _done(lead.post(f"sterilisers/{steriliser}/spore-tests", {"lot": "INV-B1"}))


def _licence_expiring(owner: Caller, person_id: Any, jurisdiction: str) -> None:
    licence = {
        "kind": "waxing",
        "number": f"INV-SOON-{person_id}",
        "valid_through": "2026-05-16",
    }
    _done(owner.post(f"people/{person_id}/licences", licence | {"jurisdiction": jurisdiction}))


def _patch_test(lead: Caller, client_id: Any, **where: str) -> None:
    product = {"name": "Invented tint", "supplier": "Invented Alba"}
    product_id = _done(lead.post("skin-products", product))["id"]
    made = {"skin_product_id": product_id, "area": "ear", **where}
    _done(lead.post(f"clients/{client_id}/patch-tests", made))


def _incident(caller: Caller, place: Any, client_id: Any, shown_by: Caller | None = None) -> None:
    """One that happened two days ago: a call-back is due."""
    happened_at = (clock.now() - timedelta(days=2)).isoformat()
    told = {"kind": "fall", "what_happened": "slipped on a wet floor", "occurred_at": happened_at}
    made = caller.post(f"locations/{place}/incidents", told | {"client_id": str(client_id)})
    words = {"kind": "words", "text": "the knee hurts"}
    incident_path = f"incidents/{_done(made)['id']}"
    _done(caller.post(f"{incident_path}/entries", words))
    agreed = {"purpose": "photographs", "given": True}
    _done(caller.post(f"clients/{client_id}/consents", agreed))
    shown = {"picture": photograph(), "moment": "injury", "area": "knee"}
    _done((shown_by or caller).post(f"{incident_path}/photographs", shown))


def _waiting(caller: Caller, place: Any, client_id: Any, service_id: Any) -> None:
    """Somebody waits for a day two weeks ahead."""
    day = {"from_on": "2026-05-20", "until_on": "2026-05-20"}
    asked = {"client_id": str(client_id), "lines": [{"service_id": str(service_id)}]}
    _done(caller.post(f"locations/{place}/waiting", asked | day))


def _recurring(caller: Caller, place: Any, client_id: Any, planned: dict[str, Any]) -> None:
    """Two visits, four weeks apart."""
    path = f"locations/{place}/recurring-visits"
    asked = {
        "client_id": str(client_id),
        "lines": [planned],
        "rule": "FREQ=WEEKLY;INTERVAL=4;COUNT=2",
    }
    seen = _done(caller.post(f"{path}/preview", asked))["occurrences"]
    visits = [{"occurs_at": one["occurs_at"], "lines": one["lines"]} for one in seen]
    _done(caller.post(path, asked | {"visits": visits}))


def _at_harbor(lead: Caller, now: datetime) -> None:
    """Things of the business's other location, which those of this one must not reach."""
    planned = _facial(now, 240, "hana", "pier room")
    visit = {"client_id": str(uid("hugo")), "lines": [planned]}
    _done(lead.post(f"locations/{HARBOR}/visits", visit))
    late = _facial(now, 60, "hana", "pier room")
    _done(lead.post(f"locations/{HARBOR}/holds", {"lines": [late]}))
    _done(lead.post(f"locations/{HARBOR}/calendars", {"person_id": str(uid("hana"))}))
    _done(lead.post(f"locations/{HARBOR}/rearrangements", {}))
    _away(lead, HARBOR, uid("hana"))
    _recurring(lead, HARBOR, uid("hugo"), _facial(now, 5 * 24 * 60, "hana", "pier room"))
    _done(lead.post(f"locations/{HARBOR}/kits", {"name": "pier kit", "kind": "brow"}))
    _soaking(lead, f"locations/{HARBOR}", HARBOR, str(uid("quat")))
    _incident(lead, HARBOR, uid("hugo"))


def _bath(product_id: str) -> dict[str, Any]:
    ml = {"unit": "mL"}
    return {"product_id": product_id, "container": "jar", "concentrate": ml | {"amount": "60"},
            "water": ml | {"amount": "960"}}  # fmt: skip


def _soaking(lead: Caller, place: str, location_id: Any, product_id: str) -> None:
    """A container with a bath in it that was topped up and tested, and the product's papers."""
    litre = {"amount": "1.1", "unit": "L"}
    _done(lead.post(f"{place}/soak-containers", {"name": "jar", "capacity": litre, "pieces": 6}))
    bath = _done(lead.post(f"{place}/solutions", _bath(product_id)))
    more = {"concentrate": {"amount": "1", "unit": "mL"}, "water": {"amount": "16", "unit": "mL"}}
    _done(lead.post(f"solutions/{bath['id']}/top-ups", more))
    _done(lead.post(f"solutions/{bath['id']}/strips", {"reading_ppm": "400"}))
    looked = {"location_id": str(location_id), "data_sheet": True, "labelled_bottle": True}
    _done(lead.post(f"disinfectants/{product_id}/papers", looked))


def _grown_up(name: str) -> dict[str, str]:
    return {
        "id": str(uid(name)),
        "name": f"Invented {name.title()}",
        "birth_date": "1988-08-08",
        "location_id": str(LAKE),
    }


def _facial(now: datetime, minutes: int, who: str, room: str) -> dict[str, Any]:
    return line(now, service="facial", who=who, room=room, kit=None, minutes=minutes)


def _stock(lead: Caller, place: Any, room: str, items: list[str]) -> None:
    """A lot that came, an open container of it, a count, a use besides, and a sale of retail stock."""
    gel, cream = items
    stock = f"locations/{place}/stock"
    lot = {"lot_number": "INV-1", "expires_on": "2027-03-31"}
    _done(lead.post(f"{stock}/receipts", {"item_id": gel, "quantity": "500"} | lot))
    _done(lead.post(f"{stock}/receipts", {"item_id": cream, "quantity": "6"}))
    opened = {"item_id": gel, "room_id": str(uid(room))}
    jar = _done(lead.post(f"locations/{place}/open-containers", opened))
    used = {"item_id": gel, "quantity": "2", "container_id": jar["id"]}
    _done(lead.post(f"{stock}/uses", used))
    _done(lead.post(f"{stock}/counts", {"item_id": gel, "counted": "497"}))
    _done(lead.post(f"{stock}/sales", {"item_id": cream, "quantity": "1"}))


def _items(lead: Caller) -> list[str]:
    gel = {
        "name": "Invented gel", "part": "professional", "unit": "mL", "code": "calming_gel",
        "uses_each": "3", "pack_size": "250", "lead_days": 7, "months_after_opening": 6,
    }  # fmt: skip
    cream = {
        "name": "Invented cream", "part": "retail", "unit": "piece", "uses_each": "0",
        "pack_size": "6", "lead_days": 10,
    }  # fmt: skip
    return [_done(lead.post("stock-items", item))["id"] for item in (gel, cream)]


def _done(answer: Any) -> Any:
    assert answer.status_code in {200, 201}, answer.body
    return answer.body


def _carried_through(call: Any, now: datetime, cream: str) -> None:
    _done(call("lena").post(f"locations/{LAKE}/soak-containers", {"name": "jar 7", "pieces": 8}))
    visit = in_room(call, now)
    visit_path, line_path = f"visits/{visit['id']}", f"lines/{visit['lines'][0]['id']}"
    consult(call, visit)
    _done(call("petra").post(f"{line_path}/start", GLOVED))
    _done(call("petra").post(f"{line_path}/finish", {"record": RECORD, **WASHED}))
    agreed = {"purpose": "photographs", "given": True}
    _done(call("freya").post(f"clients/{uid('cora')}/consents", agreed))
    shown = {"picture": photograph(), "moment": "after", "line_id": visit["lines"][0]["id"]}
    _done(call("petra").post(f"{visit_path}/photographs", shown))
    sheet = _done(call("petra").get("aftercare?method=hard_wax&area=brow"))
    given = {"how": "printed", "language": "en", "digest": sheet["digest"]}
    _done(call("petra").post(f"{line_path}/aftercare", given))
    _done(call("petra").post(f"clients/{uid('cora')}/wishes", {"area": "brow", "text": "fuller"}))
    _done(call("freya").post(f"{visit_path}/leave"))
    counted = {"visit_id": visit["id"], "missing_ids": [str(uid("brow kit 1 scissors"))]}
    _done(call("petra").post(f"kits/{uid('brow kit 1')}/count-back", counted))
    _sold(call("freya"), visit_path, cream)
    owed = _done(call("freya").get(f"{visit_path}/account"))["balance_minor"]
    paid = {"means": "cash", "amount_minor": owed, "currency": "USD"}
    _done(call("freya").post(f"{visit_path}/payments", paid))
    _done(call("freya").post(f"{visit_path}/check-out"))
    with clock.stopped_at(now + timedelta(minutes=11)):
        flag_rooms()
    room = f"rooms/{uid('room 1')}/turnover"
    _done(call("petra").post(f"{room}/begin", {"product_id": str(uid("quat"))}))
    step = _done(call("petra").get(room))["steps"][0]
    _done(call("petra").post(f"{room}/steps", {"code": step["code"]}))


def _sold(by: Caller, visit_path: str, cream: str) -> None:
    """A retail item that was sold and stands, and one that was entered by mistake."""
    said = {"item_id": cream, "quantity": 1, "price_each_minor": 1500, "currency": "USD"}
    wrong, _ = (_done(by.post(f"{visit_path}/sales", said))["sale"] for _ in range(2))
    _done(by.post(f"sales/{wrong['id']}/undo", {"kind": "mistake"}))


def _away(by: Caller, location_id: Any, who: Any) -> None:
    """A day that somebody works otherwise, and an hour off, both on a Sunday."""
    place = f"locations/{location_id}"
    day = {"person_id": str(who), "on": "2026-05-17", "spans": [["12:00", "16:00"]]}
    _done(by.post(f"{place}/shift-days", day))
    hour = {"starts_at": "2026-05-17T18:00:00Z", "ends_at": "2026-05-17T19:00:00Z"}
    _done(by.post(f"{place}/absences", {"person_id": str(who), "kind": "training", **hour}))


def _pot(by: Caller, location_id: Any, room_id: Any, name: str) -> None:
    """A wax pot that was filled and not measured yet."""
    pot = {"kind": "wax_pot", "name": name, "room_id": str(room_id), "method": "hard_wax"}
    made = _done(by.post(f"locations/{location_id}/equipment", pot))
    filled = {"kind": "filled", "product": "invented hard wax", "unit": "C", "lot": "7"}
    held = filled | {"lowest": "55", "highest": "60"}
    _done(by.post(f"equipment/{made['id']}/log", held))


def _elsewhere(owner: Caller, now: datetime) -> None:
    """The other business's own price list, people, kit, bath and visit."""
    place = f"locations/{ELSEWHERE}"
    who = _done(owner.post("people", {"name": "Invented Zed"}))["id"]
    role = {"role": "practitioner", "location_id": str(ELSEWHERE)}
    _done(owner.post(f"people/{who}/memberships", role))
    licence = {
        "jurisdiction": "us-tx", "kind": "esthetician", "number": "INV-ZED", "valid_through": "2026-12-31"
    }  # fmt: skip
    _done(owner.post(f"people/{who}/licences", licence))
    service = {
        "name": "Invented brow wax", "area": "brow", "method": "hard_wax", "hands_on_minutes": 15,
        "price_minor": 2000, "currency": "USD",
    }  # fmt: skip
    service_id = _done(owner.post("services", service))["id"]
    _done(owner.post(f"people/{who}/skills", {"service_id": service_id}))
    shift = {"person_id": who, "duty": "practitioner", "weekday": 2}
    _done(owner.post(f"{place}/shifts", shift | HOURS))
    _away(owner, ELSEWHERE, who)
    client = _done(owner.post("clients", {"name": "Invented Zelda", "location_id": str(ELSEWHERE)}))
    _patch_test(owner, client["id"], location_id=str(ELSEWHERE))
    step_free = {"kind": "step_free"}
    condition = _done(owner.post(f"clients/{client['id']}/booking-conditions", step_free))
    _done(owner.post(f"booking-conditions/{condition['id']}/lift"))
    _incident(owner, ELSEWHERE, client["id"])
    _done(owner.post(f"{place}/calendars", {"person_id": who}))
    _done(owner.post(f"{place}/rearrangements", {}))
    product = {
        "name": "quaternary concentrate", "active": "quaternary ammonium compounds",
        "parts_concentrate": "1", "parts_water": "16", "contact_seconds": 600, "stated_ppm": "400",
    }  # fmt: skip
    product_id = _done(owner.post("disinfectants", product))["id"]
    _soaking(owner, place, ELSEWHERE, product_id)
    kit_id = _done(owner.post(f"{place}/kits", {"name": "far kit", "kind": "brow"}))["id"]
    tool = {"tag": "far tweezers", "name": "tweezers", "kind": "immersible"}
    _done(owner.post(f"kits/{kit_id}/implements", tool))
    _done(owner.post(f"kits/{kit_id}/reprocessing", {"kind": "washed"}))
    _done(owner.post(f"{place}/hand-overs", {}))
    _pot(owner, ELSEWHERE, uid("far room"), name="far pot")
    items = _items(owner)
    _stock(owner, ELSEWHERE, "far room", items)
    room = f"rooms/{uid('far room')}/turnover"
    _done(owner.post(f"{room}/begin", {"product_id": product_id}))
    step = _done(owner.get(room))["steps"][0]
    _done(owner.post(f"{room}/steps", {"code": step["code"]}))
    planned = {
        "service_id": service_id, "practitioner_id": who,
        "room_id": str(uid("far room")), "starts_at": (now + timedelta(hours=2)).isoformat(),
    }  # fmt: skip
    visit = _done(owner.post(f"{place}/visits", {"client_id": client["id"], "lines": [planned]}))
    later = {"starts_at": (now + timedelta(hours=4)).isoformat()}
    _done(owner.post(f"{place}/holds", {"lines": [planned | later]}))
    paid = {"means": "cash", "amount_minor": 2000, "currency": "USD"}
    _done(owner.post(f"visits/{visit['id']}/payments", paid))
    _done(owner.post(f"visits/{visit['id']}/arrive"))
    _sold(owner, f"visits/{visit['id']}", items[1])
