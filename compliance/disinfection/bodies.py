"""What the API and the feeds show of products, baths and kits."""

from spa_ops.web.entities import (
    Entity,
    array_of,
    json_instant,
    json_object,
    object_schema,
    register,
)

PRODUCT = register(
    Entity(
        name="disinfectant",
        table="disinfection_product",
        location=None,
        body=json_object(
            "id", "version", "name", "active", "registration_number", "contact_seconds", "hospital_type",
            "use_limits", "cautions", "family", "not_for", "concentrate_first", "longest_soak_seconds",
            strength_percent="trim_scale(e.strength_percent)::text",
            stated_ppm="trim_scale(e.stated_ppm)::text",
            parts_concentrate="trim_scale(e.parts_concentrate)::text",
            parts_water="trim_scale(e.parts_water)::text",
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", active="str", registration_number="str",
            contact_seconds="int?", hospital_type="bool", use_limits="array", cautions="str",
            parts_concentrate="str", parts_water="str", family="str", not_for="object",
            concentrate_first="bool", longest_soak_seconds="int?", strength_percent="str?",
            stated_ppm="str?",
        ),
    )
)  # fmt: skip

CONTAINER = register(
    Entity(
        name="soak_container",
        table="disinfection_container",
        body=json_object(
            "id", "version", "location_id", "name", "entered", "pieces", "has_lid", "is_marked",
            capacity_ml="e.capacity_ml::text",
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", entered="object", pieces="int?",
            has_lid="bool", is_marked="bool", capacity_ml="str?",
        ),
    )
)  # fmt: skip

_TOP_UPS = (
    "(SELECT coalesce(jsonb_agg(jsonb_build_object('poured_at', "
    f"{json_instant('t.poured_at')}, 'person_id', t.person_id, 'concentrate_ml', t.concentrate_ml::text, "
    "'water_ml', t.water_ml::text, 'entered', t.entered, 'pour', t.pour) ORDER BY t.poured_at, t.id), '[]') "
    "FROM disinfection_top_up t WHERE t.solution_id = e.id)"
)
_STRIPS = (
    "(SELECT coalesce(jsonb_agg(jsonb_build_object('read_at', "
    f"{json_instant('s.read_at')}, 'person_id', s.person_id, 'reading_ppm', trim_scale(s.reading_ppm)::text, "
    "'target_ppm', trim_scale(s.target_ppm)::text, 'passed', s.passed) ORDER BY s.read_at, s.id), '[]') "
    "FROM disinfection_strip s WHERE s.solution_id = e.id)"
)

SOLUTION = register(
    Entity(
        name="solution",
        table="disinfection_solution",
        body=json_object(
            "id", "version", "location_id", "product_id", "container", "mixed_by", "entered", "pour",
            "contact_seconds", "limits", "uses_allowed", "uses", "end_reason", "findings", "pieces_allowed",
            top_ups=_TOP_UPS, strips=_STRIPS, capacity_ml="e.capacity_ml::text",
            concentrate_ml="e.concentrate_ml::text", water_ml="e.water_ml::text",
            state="CASE WHEN e.ended_at IS NULL THEN 'usable' ELSE 'ended' END",
            **{c: json_instant(f"e.{c}") for c in ("mixed_at", "discard_at", "voided_at", "ended_at")},
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", product_id="uuid", container="str",
            mixed_by="uuid?", entered="object", pour="str", contact_seconds="int?", limits="array",
            uses_allowed="int?", uses="int", end_reason="str", concentrate_ml="str", water_ml="str",
            state="str", mixed_at="datetime", discard_at="datetime", voided_at="datetime?",
            ended_at="datetime?", pieces_allowed="int?", capacity_ml="str?",
            findings=array_of(object_schema(code="str", what_to_do="str", basis="str")),
            top_ups=array_of(
                object_schema(
                    poured_at="datetime", person_id="uuid?", concentrate_ml="str", water_ml="str",
                    entered="object", pour="str",
                )
            ),
            strips=array_of(
                object_schema(
                    read_at="datetime", person_id="uuid?", reading_ppm="str", target_ppm="str", passed="bool",
                )
            ),
        ),
    )
)  # fmt: skip

_IMPLEMENT = (
    "jsonb_build_object('id', i.id, 'tag', i.tag, 'name', i.name, 'class', i.kind, 'state', i.state, "
    "'flaw', nullif(i.flaw, ''), 'blood', i.blood, 'bath_id', i.bath_id, 'materials', i.materials, "
    "'missing', EXISTS (SELECT FROM disinfection_missing m WHERE m.implement_id = i.id AND m.settled_at IS NULL), "
    "'soaks_too_long', coalesce(i.soak_warned_for = i.contact_from AND i.state = 'disinfecting', false), "
    f"'since', {json_instant('i.since')}, 'due_at', {json_instant('i.due_at')})"
)

KIT = register(
    Entity(
        name="kit",
        table="disinfection_kit",
        body=json_object(
            "id", "version", "location_id", "name", "kind",
            ready="coalesce((SELECT bool_and(i.state = 'ready' AND i.flaw = '') FROM disinfection_implement i "
            "WHERE i.kit_id = e.id AND i.written_off_at IS NULL), false)",
            implements=f"(SELECT coalesce(jsonb_agg({_IMPLEMENT} ORDER BY i.tag), '[]') "
            "FROM disinfection_implement i WHERE i.kit_id = e.id AND i.written_off_at IS NULL)",
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", kind="str", ready="bool",
            implements=array_of(
                object_schema(
                    **{"class": "str"}, id="uuid", tag="str", name="str", state="str", flaw="str?",
                    blood="bool", materials="[str]", soaks_too_long="bool", missing="bool", bath_id="uuid?", since="datetime?", due_at="datetime?",
                )
            ),
        ),
    )
)  # fmt: skip

STERILISER = register(
    Entity(
        name="steriliser",
        table="disinfection_steriliser",
        body=json_object(
            "id", "version", "location_id", "name", "method", "serial_number", "programmes", "pouch_days",
            **{c: json_instant(f"e.{c}") for c in ("installed_at", "retired_at", "out_of_use_since")},
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", method="str", serial_number="str",
            pouch_days="int", installed_at="datetime", retired_at="datetime?", out_of_use_since="datetime?",
            programmes=array_of(
                object_schema(name="str", celsius="str", minutes="str", kilopascals="str?")
            ),
        ),
    )
)  # fmt: skip

_POUCHES = (
    "(SELECT coalesce(jsonb_agg(jsonb_build_object('pouch', p.pouch, 'implement_ids', p.ids) ORDER BY p.pouch), '[]') "
    "FROM (SELECT i.pouch, jsonb_agg(i.implement_id ORDER BY i.implement_id) AS ids "
    "FROM disinfection_load_item i WHERE i.load_id = e.id GROUP BY i.pouch) p)"
)
_AMOUNTS = ("set_celsius", "set_minutes", "set_kilopascals", "reached_celsius", "reached_minutes", "reached_kilopascals")  # fmt: skip

LOAD = register(
    Entity(
        name="steriliser_load",
        table="disinfection_steriliser_load",
        body=json_object(
            "id", "version", "location_id", "steriliser_id", "number", "programme", "state", "faults",
            "started_by", "finished_by", "integrator_class", "integrator_lot", "integrator_read_by",
            "action_taken",
            integrator="nullif(e.integrator, '')",
            pouches=_POUCHES,
            **{c: f"trim_scale(e.{c})::text" for c in _AMOUNTS},
            **{
                c: json_instant(f"e.{c}")
                for c in ("started_at", "finished_at", "integrator_read_at", "keeps_until")
            },
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", steriliser_id="uuid", number="int",
            programme="str", state="str", faults="[str]", started_by="uuid?", finished_by="uuid?",
            integrator="str?", integrator_class="int?", integrator_lot="str", integrator_read_by="uuid?",
            action_taken="str", set_celsius="str", set_minutes="str", set_kilopascals="str?",
            reached_celsius="str?", reached_minutes="str?", reached_kilopascals="str?",
            started_at="datetime", finished_at="datetime?", integrator_read_at="datetime?",
            keeps_until="datetime?",
            pouches=array_of(object_schema(pouch="str", implement_ids="[uuid]")),
        ),
    )
)  # fmt: skip

SPORE_TEST = register(
    Entity(
        name="spore_test",
        table="disinfection_spore_test",
        body=json_object(
            "id", "version", "location_id", "steriliser_id", "load_id", "lot", "laboratory", "taken_by",
            "result", "read_by",
            **{c: json_instant(f"e.{c}") for c in ("taken_at", "read_at")},
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", steriliser_id="uuid", load_id="uuid?", lot="str",
            laboratory="str", taken_by="uuid?", result="str", read_by="uuid?", taken_at="datetime",
            read_at="datetime?",
        ),
    )
)  # fmt: skip
