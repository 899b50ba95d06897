"""Steps with stock over HTTP, as the tests of it use them. All items are invented."""

from typing import Any

from tests.world import LAKE, uid

STRIPS = {
    "name": "Invented strips, small", "part": "professional", "unit": "piece", "code": "wax_strip",
    "size": "small", "uses_each": "1", "pack_size": "100", "lead_days": 5,
}  # fmt: skip
GEL = {
    "name": "Invented gel", "part": "professional", "unit": "mL", "code": "calming_gel",
    "uses_each": "3", "pack_size": "250", "lead_days": 7, "months_after_opening": 6,
}  # fmt: skip
CREAM = {
    "name": "Invented cream", "part": "retail", "unit": "piece", "uses_each": "0", "pack_size": "6",
    "lead_days": 10,
}  # fmt: skip


def done(answer: Any) -> Any:
    assert answer.status_code in {200, 201}, answer.body
    return answer.body


def add(call: Any, item: dict[str, Any], **more: Any) -> str:
    return done(call("lena").post("stock-items", item | more))["id"]


def receive(
    call: Any, item_id: str, quantity: str, by: str = "lena", **more: Any
) -> dict[str, Any]:
    said = {"item_id": item_id, "quantity": quantity} | more
    return done(call(by).post(f"locations/{LAKE}/stock/receipts", said))


def open_it(call: Any, item_id: str, room: str | None = "room 1", **more: Any) -> dict[str, Any]:
    said = {"item_id": item_id, **({"room_id": str(uid(room))} if room else {})} | more
    return done(call("petra").post(f"locations/{LAKE}/open-containers", said))


def count(call: Any, item_id: str, counted: str, **more: Any) -> dict[str, Any]:
    said = {"item_id": item_id, "counted": counted} | more
    return done(call("petra").post(f"locations/{LAKE}/stock/counts", said))


def balance(call: Any, item_id: str) -> dict[str, Any]:
    items = done(call("petra").get(f"locations/{LAKE}/stock"))["items"]
    return next(one for one in items if one["item_id"] == item_id)


def lots(call: Any, item_id: str) -> dict[str, str]:
    """What is held of each lot of an item, by number."""
    found = done(call("petra").get(f"locations/{LAKE}/stock-lots?item_id={item_id}"))["items"]
    return {lot["number"]: lot["quantity"] for lot in found}
