"""The database's roles: who owns, who serves, who erases. On any server, safe to run twice.

spa_ops_app and spa_ops_eraser are groups without a login; row-level security is written for them.
The migrations create them where they are missing; made here first, they work alike on PostgreSQL
15 and on 16 and later, where CREATEROLE no longer reaches roles that somebody else made.
"""

from dataclasses import dataclass
from urllib.parse import unquote, urlsplit

import psycopg
from psycopg import sql

from spa_ops.launch.refusals import LaunchRefused

APP_GROUP = "spa_ops_app"
ERASER_GROUP = "spa_ops_eraser"


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """A name and a password for the database."""

    name: str
    password: str

    @classmethod
    def of(cls, url: str) -> "Login":
        parts = urlsplit(url)
        return cls(name=unquote(parts.username or ""), password=unquote(parts.password or ""))


def database_of(url: str) -> str:
    """The database that a URL names."""
    return unquote(urlsplit(url).path.lstrip("/"))


def prepare(admin: psycopg.Connection, *, database: str, owner: Login, app: Login) -> None:
    """Create what is missing as superuser: groups, both logins with these passwords, the database."""
    for group in (APP_GROUP, ERASER_GROUP):
        _create_role(admin, group)
    _create_role(admin, owner.name)
    _create_role(admin, app.name)
    # CREATEDB is for the tests' own databases, CREATEROLE for the first migration.
    _alter_login(admin, owner, "LOGIN CREATEROLE CREATEDB NOSUPERUSER NOBYPASSRLS")
    _alter_login(admin, app, "LOGIN NOCREATEROLE NOCREATEDB NOSUPERUSER NOBYPASSRLS")
    groups = sql.SQL("{}, {}").format(sql.Identifier(APP_GROUP), sql.Identifier(ERASER_GROUP))
    _run(admin, "GRANT {} TO {} WITH ADMIN OPTION", groups, sql.Identifier(owner.name))
    _run(admin, "GRANT {} TO {}", sql.Identifier(APP_GROUP), sql.Identifier(app.name))
    # Dropping a test's or a demo's database ends the sessions that the app still has there.
    _run(admin, "GRANT pg_signal_backend TO {}", sql.Identifier(owner.name))
    known = admin.execute("SELECT 1 FROM pg_database WHERE datname = %s", [database]).fetchone()
    named = sql.Identifier(database)
    if not known:
        statement = "CREATE DATABASE {} OWNER {} TEMPLATE template0 ENCODING 'UTF8'"
        _run(admin, statement, named, sql.Identifier(owner.name))
    _run(admin, "REVOKE ALL ON DATABASE {} FROM PUBLIC", named)
    _run(admin, "GRANT CONNECT, TEMPORARY ON DATABASE {} TO {}", named, sql.Identifier(APP_GROUP))


def adopt(owner_url: str, app_url: str) -> None:
    """On a server that somebody else set up: see that the groups exist and the app's login is in its own.

    The app's connections take the role spa_ops_app when they open, so it must exist before the first.
    """
    with connect(owner_url) as owner:
        for group in (APP_GROUP, ERASER_GROUP):
            _create_role(owner, group)
        name = Login.of(app_url).name or owner.info.user
        member = owner.execute("SELECT pg_has_role(%s, %s, 'MEMBER')", [name, APP_GROUP]).fetchone()
        if member and not member[0]:
            _run(owner, "GRANT {} TO {}", sql.Identifier(APP_GROUP), sql.Identifier(name))


def connect(url: str) -> psycopg.Connection:
    """An autocommit connection; raises LaunchRefused when the server does not let us in."""
    try:
        return psycopg.connect(url, autocommit=True, connect_timeout=10)
    except psycopg.OperationalError as error:
        reason = str(error).strip().splitlines()[-1]
        raise LaunchRefused(f"The database did not let us in: {reason}") from error


def _create_role(connection: psycopg.Connection, name: str) -> None:
    if connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [name]).fetchone():
        return
    try:
        _run(connection, "CREATE ROLE {} NOLOGIN", sql.Identifier(name))
    except psycopg.errors.DuplicateObject:
        return  # another process made it between the look and the act
    except psycopg.errors.InsufficientPrivilege as error:
        raise LaunchRefused(
            f"The owner's login may not create the role {name}: give it CREATEROLE, or create the role."
        ) from error


def _alter_login(connection: psycopg.Connection, login: Login, rights: str) -> None:
    statement = "ALTER ROLE {} " + rights + " PASSWORD {}"
    _run(connection, statement, sql.Identifier(login.name), sql.Literal(login.password))


def _run(connection: psycopg.Connection, statement: str, *parts: sql.Composable) -> None:
    connection.execute(sql.SQL(statement).format(*parts))
