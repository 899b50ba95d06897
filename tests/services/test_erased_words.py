"""Free words about a client do not outlive their erasure: each text column says what becomes of it."""

import pytest
from django.apps import apps
from django.db import InternalError, ProgrammingError, connection, models, transaction

from clients.models import Client
from clients.registry import HOLDINGS
from services.models import Payment, VisitChange
from spa_ops.unit.tables import APPEND_ONLY, ERASABLE_WORDS
from spa_ops.unit.work import reading
from tests.services.day import book, line
from tests.services.test_erasure import CORA, PATH, carried_through, erase
from tests.world import BUSINESS

REFUSED = r"append-only|permission denied"
#: Blanked when the client is erased; the test below types words into the free ones and looks for them.
BLANKED = {
    "clients_client": {
        "name", "sort_name", "phone", "email", "language", "zone", "note", "guardian",
    },
    "clients_client_word": {"word"},
    "services_booking_condition": {"language"},
    "services_visit": {"note"},
    "services_waiting_entry": {"note"},
    "services_visit_change": {"reason"},
    "services_payment": {"reason"},
}  # fmt: skip
_CODE = (
    "a code, an area, a method, a state or a version: chosen by us or by a file of rules, not typed"
)
_OF_THE_HOUSE = "the house's words, about no client"
#: What stays, and why.
KEPT = {
    "clients_client": {"source_id": "a digest, so that a later import does not bring the client back"},
    "clients_consent": {"text_digest": "a digest of the house's text", "signed_by": _CODE},
    "clients_health_answer": {"kind": _CODE},
    "clients_merge": {"reason": _CODE},
    "clients_patch_test": {
        "product_name": "what a label says", "supplier": "what a label says",
        "formula_version": "what a label says", "area": _CODE,
    },
    "clients_patch_test_entry": {"kind": _CODE},
    "disinfection_event": {"kind": _CODE},
    "disinfection_event_strike": {"reason": "why an implement's event was wrong, for the inspector; about the tool"},
    "disinfection_implement": dict.fromkeys(
        ("tag", "name", "kind", "state", "flaw", "materials"), _OF_THE_HOUSE
    ),
    "disinfection_kit_use": {"implement_ids": "which tools went out with a kit"},
    "disinfection_load_item": {"pouch": _OF_THE_HOUSE},
    "disinfection_missing": {"outcome": _CODE},
    "rooms_equipment": dict.fromkeys(("kind", "name", "method"), _OF_THE_HOUSE),
    "rooms_equipment_entry": {
        "kind": _CODE,
        "flaws": _CODE,
        "said": "what a thermometer or a label says, and what was washed; about no client",
    },
    "rooms_equipment_strike": {"reason": "why an entry about a piece of equipment was wrong, for the inspector"},
    "rooms_flag": {"kind": _CODE},
    "rooms_room": dict.fromkeys(("name", "features", "out_of_use_reason"), _OF_THE_HOUSE),
    "rooms_step_report": {"code": _CODE},
    "rooms_step_strike": {"reason": "why a turnover's step was wrong, for the inspector; about the room"},
    "rooms_stock_movement": {"reason": "why stock was put right or thrown away, about no client"},
    "rooms_turnover": {"plan_version": _CODE},
    "services_aftercare_given": dict.fromkeys(("text_id", "version", "digest", "language", "how"), _CODE),
    "services_charge": {"currency": _CODE},
    "services_incident": dict.fromkeys(("state", "guide_version", "guide_digest"), _CODE),
    "services_incident_entry": {"kind": _CODE},
    "services_line": dict.fromkeys(("area", "method", "currency", "verdict", "rules_version"), _CODE),
    "services_payment": {
        "currency": _CODE,
        "paid_by": "books keep who paid as long as they are kept themselves",
    },
    "services_rebooking": dict.fromkeys(("state", "outcome"), _CODE),
    "services_sale": {"currency": _CODE},
    "services_series": {"rule": "a rule of RFC 5545, when and not what", "zone": "the location's own"},
    "services_set_up_tick": {"item": _CODE},
    "services_stated_use": {"code": _CODE},
    "services_visit": {"policy_shown": _OF_THE_HOUSE, "source_id": "the id in the file it was imported from"},
    "services_visit_change": {"kind": _CODE, "policy_shown": _OF_THE_HOUSE},
    "services_waiting_entry": {
        "lines": "ids of services, people and rooms",
        "weekdays": "names of days",
        "times": "times of day",
    },
    "services_waiting_offer": {
        "lines": "ids of services, people, rooms and kits, and when",
        "message_state": _CODE,
        "message_outcome": _CODE,
    },
    "services_wish": {"area": _CODE},
}  # fmt: skip
#: References that are plain columns, for rows that may be late.
_PLAIN = {"client_id", "visit_id", "line_id", "incident_id"}


def tables_of_a_client():
    """Every table with a client's id, and every one that refers to a row of such a table, however far."""
    found = set(HOLDINGS)
    while True:
        more = {
            model._meta.db_table
            for model in apps.get_models()
            for field in model._meta.local_fields
            if field.attname in _PLAIN
            or (field.is_relation and field.related_model._meta.db_table in found)
        }
        if more <= found:
            return found
        found |= more


def text_columns():
    return {
        (model._meta.db_table, field.column)
        for model in apps.get_models()
        if model._meta.db_table in tables_of_a_client()
        for field in model._meta.local_fields
        if not field.choices and not field.is_relation and _holds_text(field)
    }


def _holds_text(field):
    inner = getattr(field, "base_field", field)
    return isinstance(inner, models.CharField | models.TextField | models.JSONField)


def test_every_text_column_about_a_client_is_blanked_or_stays_for_a_reason():
    blanked = {(table, column) for table, columns in BLANKED.items() for column in columns}
    kept = {(table, column) for table, columns in KEPT.items() for column in columns}
    assert blanked & kept == set()
    assert text_columns() - blanked - kept == set(), (
        "say what becomes of it when a client is erased"
    )
    assert (blanked | kept) - text_columns() == set(), "is not there any more"
    assert all(reason for columns in KEPT.values() for reason in columns.values())


def test_what_is_blanked_of_append_only_rows_is_what_the_database_lets_through():
    declared = {table: {column} for table, (column, _, _) in ERASABLE_WORDS.items()}
    assert declared == {t: c for t, c in BLANKED.items() if t in APPEND_ONLY}


def everything():
    """All rows of all tenant tables as text, by table."""
    with reading(BUSINESS), connection.cursor() as cursor:
        found = {}
        for model in apps.get_models():
            if any(f.column == "business_id" for f in model._meta.local_fields):
                cursor.execute(f"SELECT string_agg(t::text, '|') FROM {model._meta.db_table} t")
                found[model._meta.db_table] = cursor.fetchone()[0] or ""
        return found


def talked_about(call, now):
    """Words typed wherever a team member may type some about Cora, each with the same odd one."""
    version = call("freya").get(PATH).body["version"]
    noted = call("freya").patch(PATH, {"note": "likes marzipan"}, If_Match=f'"{version}"')
    assert noted.status_code == 200, noted.body
    visit = carried_through(call, now)
    taken = call("freya").post(
        f"visits/{visit['id']}/payments",
        {"means": "cash", "amount_minor": 1000, "currency": "USD", "paid_by": "Invented Aunt"},
    )
    assert taken.status_code == 201, taken.body
    paid = taken.body["payment"]["id"]
    back = call("lena").post(
        f"payments/{paid}/refund",
        {"amount_minor": 300, "currency": "USD", "reason": "the marzipan rash"},
    )
    assert back.status_code == 201, back.body
    coming = book(call, now, line(now, minutes=7 * 24 * 60)).body["id"]
    etag = call("freya").get(f"visits/{coming}")["ETag"]
    moved = call("freya").post(
        f"visits/{coming}/move",
        {"lines": [line(now, minutes=8 * 24 * 60)], "reason": "marzipan on her skin"},
        If_Match=etag,
    )
    assert moved.status_code == 200, moved.body
    etag = call("freya").get(f"visits/{coming}")["ETag"]
    off = call("freya").post(f"visits/{coming}/cancel", {"reason": "more marzipan"}, If_Match=etag)
    assert off.status_code == 200, off.body
    return visit["id"], coming


def test_no_typed_word_outlives_the_client_and_the_books_keep_who_paid(call, now):
    visit, coming = talked_about(call, now)
    before = {table for table, text in everything().items() if "marzipan" in text}
    assert before == {"clients_client", "services_visit_change", "services_payment"}
    with reading(BUSINESS):
        changes, payments = VisitChange.objects.count(), Payment.objects.count()
    assert erase(call).status_code == 200
    assert {table for table, text in everything().items() if "marzipan" in text} == set()
    with reading(BUSINESS):
        assert (VisitChange.objects.count(), Payment.objects.count()) == (changes, payments)
        assert [p.paid_by for p in Payment.objects.filter(visit_id=visit, kind="payment")] == [
            "Invented Aunt"
        ]
        assert [p.amount_minor for p in Payment.objects.filter(visit_id=visit, kind="refund")] == [
            -300
        ]
    kinds = [c["kind"] for c in call("freya").get(f"visits/{coming}/changes").body["items"]]
    assert kinds == ["booked", "moved", "cancelled"]


@pytest.mark.parametrize("table", [VisitChange, Payment])
@pytest.mark.parametrize(
    "change", [{"reason": ""}, {"reason": "other words"}, {"business_id": CORA}]
)
def test_while_the_client_is_there_no_word_is_touched(call, now, table, change):
    talked_about(call, now)
    with reading(BUSINESS):
        rows = table.objects.exclude(reason="")
        assert rows.exists()
        with pytest.raises((ProgrammingError, InternalError), match=REFUSED):
            with transaction.atomic():
                rows.update(**change)


def test_of_an_erased_client_the_words_are_blanked_and_nothing_else_is_changed(call, now):
    visit, _ = talked_about(call, now)
    assert erase(call).status_code == 200
    with reading(BUSINESS):
        rows = VisitChange.objects.filter(visit_id=visit)
        for change in ({"reason": "new words"}, {"kind": "other", "reason": ""}, {"at": now}):
            with pytest.raises((ProgrammingError, InternalError), match=REFUSED):
                with transaction.atomic():
                    rows.update(**change)
        with pytest.raises((ProgrammingError, InternalError)), transaction.atomic():
            rows.delete()
        assert Client.objects.get(id=CORA).erased_at is not None
