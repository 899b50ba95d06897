"""What the API and the feeds show of rooms, flags, stock, equipment and lists."""

from dataclasses import replace

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

ROOM = register(
    Entity(
        name="room",
        table="rooms_room",
        body=json_object(
            "id", "version", "location_id", "name", "features", "state", "visit_id", "out_of_use_reason",
            "buffer_before_minutes", "buffer_after_minutes",
            state_since=json_instant("e.state_since"), ready_until=json_instant("e.ready_until"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", features="[str]", state="str",
            visit_id="uuid?", out_of_use_reason="str", state_since="datetime", ready_until="datetime?",
            buffer_before_minutes="int?", buffer_after_minutes="int?",
        ),
    )
)  # fmt: skip

FLAG = register(
    Entity(
        name="room_flag",
        table="rooms_flag",
        body=json_object(
            "id", "version", "location_id", "room_id", "kind", "level",
            about=json_instant("e.about"), due_at=json_instant("e.due_at"),
            raised_at=json_instant("e.raised_at"), escalated_at=json_instant("e.escalated_at"),
            cleared_at=json_instant("e.cleared_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", room_id="uuid", kind="str", level="int",
            about="datetime", due_at="datetime", raised_at="datetime", escalated_at="datetime?",
            cleared_at="datetime?",
        ),
    )
)  # fmt: skip


def _exact(column: str) -> str:
    """SQL for an amount as decimal text: a number of JSON would be read as a binary fraction."""
    return f"trim_scale({column})::text"


STOCK_ITEM = register(
    Entity(
        name="stock_item",
        table="rooms_stock_item",
        location=None,
        body=json_object(
            "id", "version", "name", "part", "code", "size", "variant", "skin_product_id", "unit",
            "lead_days", "months_after_opening", "days_after_opening", "active",
            uses_each=_exact("e.uses_each"), pack_size=_exact("e.pack_size"),
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", part="str", code="str", size="str", variant="str",
            skin_product_id="uuid?", unit="str", lead_days="int", months_after_opening="int?",
            days_after_opening="int?", active="bool", uses_each="str", pack_size="str",
        ),
    )
)  # fmt: skip

STOCK_LOT = register(
    Entity(
        name="stock_lot",
        table="rooms_stock_lot",
        body=json_object(
            "id", "version", "location_id", "item_id", "number", "expires_on", "withdrawn_reason",
            received_at=json_instant("e.received_at"), withdrawn_at=json_instant("e.withdrawn_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", item_id="uuid", number="str",
            expires_on="date?", withdrawn_reason="str", received_at="datetime", withdrawn_at="datetime?",
        ),
    )
)  # fmt: skip

OPEN_CONTAINER = register(
    Entity(
        name="open_container",
        table="rooms_open_container",
        body=json_object(
            "id", "version", "location_id", "item_id", "lot_id", "room_id", "opened_by", "discard_by",
            "decanted_from_id", "closed_by", "closed_reason", holds=_exact("e.holds"),
            opened_at=json_instant("e.opened_at"), closed_at=json_instant("e.closed_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", item_id="uuid", lot_id="uuid?",
            room_id="uuid?", opened_by="uuid?", discard_by="date?", decanted_from_id="uuid?",
            closed_by="uuid?", closed_reason="str", holds="str", opened_at="datetime",
            closed_at="datetime?",
        ),
    )
)  # fmt: skip

#: In no feed: what a device needs are balances, and it asks for them.
STOCK_MOVEMENT = Entity(
    name="stock movement",
    table="rooms_stock_movement",
    version="1",
    body=json_object(
        "id", "location_id", "item_id", "lot_id", "container_id", "kind", "reason", "recorded_by",
        quantity=_exact("e.quantity"), for_a_line="e.line_id IS NOT NULL",
        happened_at=json_instant("e.happened_at"), recorded_at=json_instant("e.recorded_at"),
    ),
    schema=object_schema(
        id="uuid", location_id="uuid", item_id="uuid", lot_id="uuid?", container_id="uuid?",
        kind="str", reason="str", recorded_by="uuid?", quantity="str", for_a_line="bool",
        happened_at="datetime", recorded_at="datetime",
    ),
)  # fmt: skip

STOCK_COUNT = Entity(
    name="stock count",
    table="rooms_stock_count",
    version="1",
    body=json_object(
        "id", "location_id", "item_id", "lot_id", "counted_by",
        expected=_exact("e.expected"), counted=_exact("e.counted"),
        counted_at=json_instant("e.counted_at"), recorded_at=json_instant("e.recorded_at"),
    ),
    schema=object_schema(
        id="uuid", location_id="uuid", item_id="uuid", lot_id="uuid?", counted_by="uuid?",
        expected="str", counted="str", counted_at="datetime", recorded_at="datetime",
    ),
)  # fmt: skip

EQUIPMENT = register(
    Entity(
        name="equipment",
        table="rooms_equipment",
        body=json_object(
            "id", "version", "location_id", "room_id", "kind", "name", "method", "in_date_through",
            added_at=json_instant("e.added_at"), retired_at=json_instant("e.retired_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", room_id="uuid?", kind="str", name="str",
            method="str", in_date_through="date?", added_at="datetime", retired_at="datetime?",
        ),
    )
)  # fmt: skip


def _held(condition: str) -> str:
    """SQL for what the movements say is held, as decimal text."""
    parts = " UNION ALL ".join(
        f"SELECT quantity FROM {table} b WHERE b.location_id = e.location_id "
        f"AND b.item_id = e.item_id AND {condition}"
        for table in ("rooms_stock_balance", "rooms_stock_delta")
    )
    return f"(SELECT trim_scale(coalesce(sum(q.quantity), 0))::text FROM ({parts}) q)"


#: As lists show them: with what is there now, which no version of the row tells.
STOCK_LOT_HELD = replace(
    STOCK_LOT,
    name="stock lot with what is held of it",
    body=f"{STOCK_LOT.body} || jsonb_build_object('quantity', {_held('b.lot_id = e.id')})",
    schema=object_schema(**STOCK_LOT.schema["properties"], quantity="str"),
)
OPEN_CONTAINER_HELD = replace(
    OPEN_CONTAINER,
    name="open container with what is left in it",
    body=f"{OPEN_CONTAINER.body} || jsonb_build_object('left', {_held('b.container_id = e.id')})",
    schema=object_schema(**OPEN_CONTAINER.schema["properties"], left="str"),
)

CHECK_LIST = register(
    Entity(
        name="check_list",
        table="rooms_check_list",
        body=json_object(
            "id", "version", "location_id", "kind", "day", "signed_off_by", "done", "not_done",
            begun_at=json_instant("e.begun_at"), signed_off_at=json_instant("e.signed_off_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", kind="str", day="date", begun_at="datetime",
            signed_off_at="datetime?", signed_off_by="uuid?", done="int?", not_done="int?",
        ),
    )
)  # fmt: skip
