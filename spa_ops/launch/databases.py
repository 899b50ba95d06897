"""Where a launch keeps its rows: on DATABASE_URL's server, else on the embedded one."""

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from psycopg import sql

from spa_ops.launch import binaries, embedded, logins
from spa_ops.launch.refusals import LaunchRefused


@dataclass(frozen=True, slots=True, kw_only=True)
class Database:
    """One database by its two logins, and where it is, in words."""

    app_url: str
    owner_url: str
    source: str
    server: embedded.Server | None = None

    @property
    def environment(self) -> dict[str, str]:
        return {"DATABASE_URL": self.app_url, "DATABASE_OWNER_URL": self.owner_url}


@contextmanager
def database(data_dir: Path, *, durable: bool = True) -> Iterator[Database]:
    """The database inside the block; an embedded server is let go of at its end."""
    if os.environ.get("DATABASE_URL"):
        yield _given()
        return
    server = embedded.ensure(data_dir, durable=durable)
    try:
        yield Database(
            app_url=server.app_url,
            owner_url=server.owner_url,
            source=f"embedded PostgreSQL {binaries.find().major} in {server.home}",
            server=server,
        )
    finally:
        embedded.stop(server)


@contextmanager
def private_database(data_dir: Path) -> Iterator[Database]:
    """A database that nobody else uses and that is gone after the block; `data_dir` must be a new folder."""
    home: Path | None = None
    try:
        with database(data_dir, durable=False) as given:
            if given.server:
                home = given.server.home
                yield given
            else:
                with _new_database(given) as one:
                    yield one
    finally:
        # It may lie outside `data_dir`, where nobody would look for it.
        if home:
            shutil.rmtree(home, ignore_errors=True)


@contextmanager
def _new_database(given: Database) -> Iterator[Database]:
    name = f"spa_ops_{secrets.token_hex(6)}"
    with logins.connect(given.owner_url) as owner:
        owner.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            yield Database(
                app_url=with_name(given.app_url, name),
                owner_url=with_name(given.owner_url, name),
                source=f"the new database {name} on the server of DATABASE_URL",
            )
        finally:
            owner.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def with_name(url: str, name: str) -> str:
    """The same server and login, another database."""
    return urlsplit(url)._replace(path=f"/{name}").geturl()


def _given() -> Database:
    app_url = os.environ["DATABASE_URL"]
    owner_url = os.environ.get("DATABASE_OWNER_URL") or app_url
    for url in (app_url, owner_url):
        if urlsplit(url).scheme not in {"postgresql", "postgres"}:
            raise LaunchRefused("DATABASE_URL and DATABASE_OWNER_URL must start with postgresql://")
    with logins.connect(owner_url) as owner:
        version = owner.info.server_version // 10000
    if version < binaries.OLDEST_MAJOR:
        raise LaunchRefused(
            f"DATABASE_URL is a PostgreSQL {version}; {binaries.OLDEST_MAJOR} is needed."
        )
    logins.adopt(owner_url, app_url)
    return Database(
        app_url=app_url,
        owner_url=owner_url,
        source=f"PostgreSQL {version} of DATABASE_URL",
    )
