"""The schema as it is in the database: whose rows, who may do what with them, how they refer."""

import pytest
from django.conf import settings
from django.db import connection

from spa_ops.tenancy.security import DELETABLE, READ_ONLY
from spa_ops.unit.tables import APPEND_ONLY

#: Tables that belong to no business, and why.
SHARED = {"django_migrations": "what has been migrated"}
#: What the program may remove, and why. Everything else is ended, struck out or erased by its key.
REMOVABLE = {
    "claims_claim": "a plan that is off holds nothing",
    "clients_client_word": "derived from the name, which has changed",
    "services_foresight_due": "a note that something is to be looked at; gone once it is",
    "services_waiting_due": "a note that time has come free; gone once the list was looked at",
    "services_hold": "time that was held and is over, after a day",
    "rooms_stock_delta": "a movement not yet in a balance; gone once it is",
    "services_line_use_due": "a note that a line's use is to be booked; gone once it is",
    "imports_row": "a file's rows, once they are applied",
}
#: Tables that the look-up functions read before a tenant is known.
LOOKED_UP = {
    "tenancy_business", "tenancy_token", "tenancy_membership", "tenancy_device",
    "tenancy_device_unlock", "tenancy_person", "tenancy_location",
}  # fmt: skip


def _rows(sql: str, *values: object) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return cursor.fetchall()


TENANT_TABLES = """
SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'business_id'
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') ORDER BY 1
"""


@pytest.fixture
def tenant_tables(db) -> set[str]:
    return {name for (name,) in _rows(TENANT_TABLES)}


def test_every_table_but_a_named_few_belongs_to_a_business(tenant_tables):
    tables = {n for (n,) in _rows("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")}
    assert tables - tenant_tables == SHARED.keys()
    nullable = _rows(
        "SELECT table_name FROM information_schema.columns "
        "WHERE column_name = 'business_id' AND table_schema = 'public' AND is_nullable = 'YES'"
    )
    assert nullable == []


def test_row_level_security_is_forced_on_each_with_the_one_policy(tenant_tables):
    forced = _rows(
        "SELECT relname FROM pg_class WHERE relrowsecurity AND relforcerowsecurity "
        "AND relnamespace = 'public'::regnamespace"
    )
    assert {name for (name,) in forced} == tenant_tables
    policies = _rows("SELECT tablename, policyname, cmd, qual, with_check, roles::text[], permissive FROM pg_policies")  # fmt: skip
    mine = {p[0]: p for p in policies if p[1] == "tenant"}
    assert mine.keys() == tenant_tables
    own = "(business_id = (NULLIF(current_setting('spa.business'::text, true), ''::text))::uuid)"
    assert {p[3] for p in mine.values()} == {p[4] for p in mine.values()} == {own}
    assert {(p[2], tuple(p[5])) for p in mine.values()} == {("ALL", ("public",))}


def test_the_only_other_policy_lets_the_owners_look_ups_read(tenant_tables):
    others = _rows(
        "SELECT tablename, policyname, cmd, roles::text[] FROM pg_policies WHERE policyname <> 'tenant'"
    )
    assert {(table, name, cmd) for table, name, cmd, _ in others} == {
        (table, "lookup", "SELECT") for table in LOOKED_UP
    }
    assert not any({settings.APP_ROLE, "public"} & set(roles) for *_, roles in others)


def test_the_programs_role_has_the_least_it_needs(tenant_tables):
    assert REMOVABLE.keys() == DELETABLE
    granted: dict[str, set[str]] = {}
    for table, right in _rows(
        "SELECT table_name, privilege_type FROM information_schema.role_table_grants "
        "WHERE grantee IN (%s, 'PUBLIC') AND table_schema = 'public'",
        settings.APP_ROLE,
    ):
        granted.setdefault(table, set()).add(right)
    assert granted.pop("django_migrations") == {"SELECT"}
    assert granted == {table: _needed(table) for table in tenant_tables}


def _needed(table: str) -> set[str]:
    if table in READ_ONLY:
        return {"SELECT"}
    rights = {"SELECT", "INSERT"}
    if table not in APPEND_ONLY:
        rights |= {"UPDATE"}
    return rights | ({"DELETE"} if table in REMOVABLE else set())


def test_the_programs_role_is_no_owner_and_passes_no_policy(db):
    rights = _rows(
        "SELECT rolsuper, rolbypassrls, rolcreaterole, rolcreatedb FROM pg_roles WHERE rolname = %s",
        settings.APP_ROLE,
    )
    assert rights == [(False, False, False, False)]
    owned = "SELECT relname FROM pg_class WHERE relowner = %s::regrole"
    assert _rows(owned, settings.APP_ROLE) == []


def test_functions_that_pass_the_policies_have_a_fixed_search_path_and_are_not_for_everyone(db):
    loose = _rows(
        "SELECT proname FROM pg_proc p WHERE prosecdef AND pronamespace = 'public'::regnamespace AND ("
        " NOT coalesce(array_to_string(proconfig, ',') LIKE '%%search_path=public, pg_temp%%', false)"
        " OR has_function_privilege('public', p.oid, 'EXECUTE'))"
    )
    assert loose == []


def test_append_only_tables_are_guarded_against_everyone(tenant_tables):
    guarded = _rows(
        "SELECT tgrelid::regclass::text, count(*) FROM pg_trigger "
        "WHERE tgname IN ('append_only', 'no_truncate') AND tgenabled = 'O' GROUP BY 1"
    )
    heads = {"ledger_head", "sync_feed"}  # the counters themselves move
    assert dict(guarded) == dict.fromkeys(APPEND_ONLY | (READ_ONLY - heads), 2)


def test_every_reference_names_the_business_and_is_checked_at_once(tenant_tables):
    # Row-level security does not check references: a plain one could point at somebody else's row.
    references = _rows(
        """
        SELECT conname, conrelid::regclass::text, confrelid::regclass::text, condeferrable,
               (SELECT attname FROM pg_attribute WHERE attrelid = conrelid AND attnum = conkey[1]),
               (SELECT attname FROM pg_attribute WHERE attrelid = confrelid AND attnum = confkey[1])
        FROM pg_constraint WHERE contype = 'f' AND connamespace = 'public'::regnamespace
        """
    )
    assert references
    assert [r for r in references if r[3] or (r[4], r[5]) != ("business_id", "business_id")] == []
    assert {r[1] for r in references} | {r[2] for r in references} <= tenant_tables


def test_every_reference_of_a_model_is_one_of_the_database(tenant_tables):
    from django.apps import apps

    from spa_ops.unit.tables import TenantForeignKey

    declared = {
        (model._meta.db_table, field.column)
        for model in apps.get_models()
        for field in model._meta.local_fields
        if field.is_relation
    }
    constrained = _rows(
        "SELECT conrelid::regclass::text, (SELECT attname FROM pg_attribute "
        "WHERE attrelid = conrelid AND attnum = conkey[2]) FROM pg_constraint WHERE contype = 'f'"
    )
    assert declared <= set(constrained), "add it to tenant_constraints(...)"
    plain = [
        f for m in apps.get_models() for f in m._meta.local_fields
        if f.is_relation and not isinstance(f, TenantForeignKey)
    ]  # fmt: skip
    assert plain == []


def test_no_constraint_can_wait_for_the_commit(db):
    assert _rows("SELECT conname FROM pg_constraint WHERE condeferrable OR condeferred") == []


def test_nothing_needs_an_extension(db):
    assert _rows("SELECT extname FROM pg_extension WHERE extname <> 'plpgsql'") == []
