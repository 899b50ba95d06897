"""The queue inside the database, for when there is no Redis: its schema, made by the owner.

The SQL comes with the wheel `pgmq`. A queue is a hint and the rows are the truth, so a schema of
another version is thrown away, with whatever messages it held.
"""

from pgmq.install import get_embedded_install_sql, get_embedded_sql_version
from psycopg import sql

from spa_ops.launch import logins
from spa_ops.launch.logins import APP_GROUP

SCHEMA = "pgmq"


def prepare(owner_url: str) -> str:
    """Make or renew the queue's schema for the app's role; returns its version. Safe to run twice."""
    version = str(get_embedded_sql_version())
    with logins.connect(owner_url) as owner, owner.transaction():
        # Two launches on one database wait for each other here.
        owner.execute("SELECT pg_advisory_xact_lock(hashtextextended('spa_ops queue', 0))")
        query = "SELECT obj_description(oid, 'pg_namespace') FROM pg_namespace WHERE nspname = %s"
        there = owner.execute(query, [SCHEMA]).fetchone()
        if there and there[0] == _label(version):
            return version
        if there:
            owner.execute(f"DROP SCHEMA {SCHEMA} CASCADE")
        owner.execute(get_embedded_install_sql())
        # The worker makes its queue's tables itself and so owns them.
        for statement in (
            "GRANT USAGE, CREATE ON SCHEMA {schema} TO {app}",
            "GRANT ALL ON ALL TABLES IN SCHEMA {schema} TO {app}",
            "COMMENT ON SCHEMA {schema} IS {label}",
        ):
            names = {"schema": sql.Identifier(SCHEMA), "app": sql.Identifier(APP_GROUP)}
            owner.execute(sql.SQL(statement).format(**names, label=sql.Literal(_label(version))))
    return version


def _label(version: str) -> str:
    return f"spa_ops queue, pgmq {version}"
