"""Steps of a visit over HTTP, as the tests of the day use them."""

from datetime import timedelta
from typing import Any

from clients.rule_files import shipped_rule_set
from tests.world import LAKE, uid

GLOVED = {
    "hands_cleaned": True,
    "fresh_gloves": True,
    "skin_prepared": True,
    "wax_tried_on_wrist": True,
}
WASHED = {"gloves_off": True, "hands_washed": True}
RECORD = {
    "method": "hard_wax", "areas": ["brow"], "sections": 4, "applicators": 4, "products": ["hard wax, lot 7"],
    "reaction": "slight redness", "aftercare": "no sun for 24 h", "client_content": True,
}  # fmt: skip


def line(
    now, service="brow wax", who="petra", room="room 1", kit="brow kit 1", minutes=60, **more
) -> dict[str, Any]:
    given = {
        "service_id": str(uid(service)),
        "practitioner_id": str(uid(who)),
        "room_id": str(uid(room)),
    }
    if kit:
        given["kit_id"] = str(uid(kit))
    if minutes is not None:
        given["starts_at"] = (now + timedelta(minutes=minutes)).isoformat()
    return given | more


def book(call, now, *lines, client="cora", by="freya", **headers):
    return call(by).post(
        f"locations/{LAKE}/visits",
        {"client_id": str(uid(client)), "lines": list(lines) or [line(now)]},
        **headers,
    )


def all_no(method="hard_wax", area="brow", **other) -> list[dict[str, str]]:
    """Every question that could matter, answered no but for `other`."""
    return [
        {"question": q.id, "answer": other.get(q.id, "no")}
        for q in shipped_rule_set().questions_for(method, area)
    ]


def hair(area="brow", millimetres="8"):
    return {"code": "hair_length", "areas": [area], "millimetres": millimetres}


def in_room(call, now, *lines, client="cora", by="petra"):
    """A visit whose client has been seated; returns its body."""
    visit = book(call, now, *(lines or [line(now, minutes=30)]), client=client)
    assert visit.status_code == 201, visit.body
    path = f"visits/{visit.body['id']}"
    assert call("freya").post(f"{path}/arrive").status_code == 200
    seated = call(by).post(f"{path}/seat")
    assert seated.status_code == 200, seated.body
    return seated.body


def consult(call, visit, by="petra", **said):
    said.setdefault("answers", all_no())
    said.setdefault("findings", [hair()])
    held = call(by).post(f"visits/{visit['id']}/consultation", said)
    assert held.status_code == 200, held.body
    return held.body
