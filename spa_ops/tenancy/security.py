"""Row-level security and grants, applied to every table after each migration: nobody can forget one."""

from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import connections

from spa_ops.unit.tables import (
    APPEND_ONLY,
    ERASABLE_WORDS,
    ONLY_EARLIER,
    STATE_MACHINES,
    WRITTEN_ONCE,
    tenant_tables,
)

#: Written only by SECURITY DEFINER functions; the program itself may read.
READ_ONLY = {"ledger_head", "ledger_entry", "ledger_personal", "sync_feed", "sync_change"}
#: What the program may also remove; elsewhere a row is ended, never deleted.
#: Words that find a client are derived from the name and number, and go with them.
DELETABLE = {
    "claims_claim",
    "clients_client_word",
    "imports_row",
    "rooms_stock_delta",
    "services_foresight_due",
    "services_hold",
    "services_line_use_due",
    "services_waiting_due",
}
_TENANT = "business_id = nullif(current_setting('spa.business', true), '')::uuid"


def statements_for(table: str) -> list[str]:
    """The statements that put `table` under row-level security with the least grants it needs."""
    app = settings.APP_ROLE
    if table in READ_ONLY:
        granted = "SELECT"
    elif table in APPEND_ONLY:
        granted = "SELECT, INSERT"
    elif table in DELETABLE:
        granted = "SELECT, INSERT, UPDATE, DELETE"
    else:
        granted = "SELECT, INSERT, UPDATE"
    statements = [
        f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
        f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY",
        f"DROP POLICY IF EXISTS tenant ON {table}",
        f"CREATE POLICY tenant ON {table} USING ({_TENANT}) WITH CHECK ({_TENANT})",
        f"REVOKE ALL ON {table} FROM {app}",
        f"GRANT {granted} ON {table} TO {app}",
    ]
    if table in APPEND_ONLY | (READ_ONLY - {"ledger_head", "sync_feed"}):
        statements += [
            f"DROP TRIGGER IF EXISTS append_only ON {table}",
            f"CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION {_guard(table)}",
            f"DROP TRIGGER IF EXISTS no_truncate ON {table}",
            f"CREATE TRIGGER no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
        ]
    statements += _kept_by_triggers(table)
    if table in ERASABLE_WORDS:
        statements.append(f"GRANT UPDATE ({ERASABLE_WORDS[table][0]}) ON {table} TO {app}")
    return statements


def _kept_by_triggers(table: str) -> list[str]:
    """Legal moves, columns written once and instants that only become earlier, made anew from what the rules say now."""
    found = []
    if table in STATE_MACHINES:
        arguments = ", ".join(f"'{each}'" for each in STATE_MACHINES[table])
        found += [
            f"DROP TRIGGER IF EXISTS state_machine ON {table}",
            f"CREATE TRIGGER state_machine BEFORE INSERT OR UPDATE OF {STATE_MACHINES[table][0]} "
            f"ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_illegal_move({arguments})",
        ]
    if table in WRITTEN_ONCE:
        columns = WRITTEN_ONCE[table]
        arguments = ", ".join(f"'{each}'" for each in columns)
        found += [
            f"DROP TRIGGER IF EXISTS written_once ON {table}",
            f"CREATE TRIGGER written_once BEFORE UPDATE OF {', '.join(columns)} ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION refuse_rewriting({arguments})",
        ]
    if table in ONLY_EARLIER:
        column, until = ONLY_EARLIER[table]
        found += [
            f"DROP TRIGGER IF EXISTS only_earlier ON {table}",
            f"CREATE TRIGGER only_earlier BEFORE UPDATE OF {column} ON {table} FOR EACH ROW "
            f"WHEN (NEW.{column} > OLD.{column} OR OLD.{until} IS NOT NULL) "
            f"EXECUTE FUNCTION refuse_rewriting('{column}')",
        ]
    return found


def _guard(table: str) -> str:
    if table not in ERASABLE_WORDS:
        return "refuse_change()"
    column, by, of = ERASABLE_WORDS[table]
    return f"refuse_change_but_blank('{column}', '{by}', '{of}')"


def protect_tables(using: str = "owner", **_: Any) -> None:
    """post_migrate: protect every tenant table that exists; also the look-ups that precede a tenant."""
    connection = connections[using]
    existing = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table in tenant_tables(apps):
            if table in existing:
                for statement in statements_for(table):
                    cursor.execute(statement)
        cursor.execute(
            f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {settings.APP_ROLE}"
        )
        cursor.execute(f"GRANT SELECT ON django_migrations TO {settings.APP_ROLE}")
        # The owner's look-up functions run before a tenant is known; they see these few tables whole.
        for table in ("tenancy_business", "tenancy_token", "tenancy_membership", "tenancy_device",
                      "tenancy_device_unlock", "tenancy_person", "tenancy_location"):  # fmt: skip
            cursor.execute(f"DROP POLICY IF EXISTS lookup ON {table}")
            cursor.execute(
                f"CREATE POLICY lookup ON {table} FOR SELECT TO CURRENT_USER USING (true)"
            )
