"""A server that somebody else set up, secrets, newer data, and the queue inside the database."""

import base64
import json
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from pgmq import PGMQueue
from psycopg import sql

from spa_ops.launch import databases, logins, migrations, queue_schema, secret_files
from spa_ops.launch.embedded import Server
from spa_ops.launch.logins import Login
from spa_ops.launch.refusals import LaunchRefused

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def fresh(shared_server: Server) -> Iterator[databases.Database]:
    """An empty database on the shared server, by both logins."""
    name = f"spa_ops_{secrets.token_hex(6)}"
    with psycopg.connect(shared_server.owner_url, autocommit=True) as owner:
        owner.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        yield databases.Database(
            app_url=databases.with_name(shared_server.app_url, name),
            owner_url=databases.with_name(shared_server.owner_url, name),
            source="a test's own",
        )
        owner.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def test_a_given_server_is_used_and_said(
    fresh: databases.Database, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DATABASE_URL", fresh.app_url)
    monkeypatch.setenv("DATABASE_OWNER_URL", fresh.owner_url)
    with databases.database(tmp_path) as given:
        assert given.environment == {
            "DATABASE_URL": fresh.app_url,
            "DATABASE_OWNER_URL": fresh.owner_url,
        }
        assert "of DATABASE_URL" in given.source
        assert given.server is None
    assert list(tmp_path.iterdir()) == [], "an embedded server was made all the same"


def test_a_private_database_is_gone_afterwards(
    fresh: databases.Database, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DATABASE_URL", fresh.app_url)
    monkeypatch.setenv("DATABASE_OWNER_URL", fresh.owner_url)
    with databases.private_database(tmp_path) as private:
        name = logins.database_of(private.owner_url)
        assert name != logins.database_of(fresh.owner_url)
        psycopg.connect(private.app_url).close()
    with pytest.raises(psycopg.OperationalError, match="does not exist"):
        psycopg.connect(private.owner_url)


def test_a_private_embedded_server_is_gone_afterwards(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DATABASE_URL", raising=False)
    with databases.private_database(place) as private:
        assert private.server is not None
        psycopg.connect(private.app_url).close()
    assert not private.server.home.exists()


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("mysql://127.0.0.1/x", "must start with postgresql://"),
        ("postgresql://127.0.0.1:1/x", "did not let us in"),
    ],
)
def test_a_server_that_cannot_serve_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, url: str, words: str
) -> None:
    monkeypatch.setenv("DATABASE_URL", url)
    monkeypatch.delenv("DATABASE_OWNER_URL", raising=False)
    with (
        pytest.raises(LaunchRefused, match=words) as refusal,
        databases.database(tmp_path),
    ):
        pass
    assert "\n" not in str(refusal.value)


def test_adopting_a_server_puts_the_app_in_its_group(shared_server: Server) -> None:
    stranger = Login(name=f"stranger_{secrets.token_hex(4)}", password=secrets.token_hex(8))
    with psycopg.connect(shared_server.admin_url, autocommit=True) as admin:
        named = sql.Identifier(stranger.name)
        create = sql.SQL("CREATE ROLE {} LOGIN PASSWORD {}")
        admin.execute(create.format(named, sql.Literal(stranger.password)))
        url = shared_server.app_url.replace(
            f"spa_ops_web:{Login.of(shared_server.app_url).password}",
            f"{stranger.name}:{stranger.password}",
        )
        for _ in range(2):
            logins.adopt(shared_server.owner_url, url)
        with psycopg.connect(url, options="-c role=spa_ops_app") as app:
            assert app.execute("SELECT current_user").fetchone() == ("spa_ops_app",)
        admin.execute(sql.SQL("DROP ROLE {}").format(named))


def test_an_owner_without_the_right_to_make_roles_is_told(shared_server: Server) -> None:
    with (
        psycopg.connect(shared_server.app_url, autocommit=True) as weak,
        pytest.raises(LaunchRefused, match="give it CREATEROLE"),
    ):
        logins._create_role(weak, f"group_{secrets.token_hex(4)}")


def test_secrets_are_made_once_and_kept_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in (secret_files.SIGNING, secret_files.SEALING):
        monkeypatch.delenv(name, raising=False)
    made = secret_files.program_secrets(tmp_path)
    assert secret_files.program_secrets(tmp_path) == made
    assert len(made[secret_files.SIGNING]) >= 32
    identifier, _, key = made[secret_files.SEALING].partition(":")
    assert identifier
    assert len(base64.b64decode(key)) == 32
    assert stat.S_IMODE((tmp_path / "secrets.json").stat().st_mode) == 0o600
    monkeypatch.setenv(secret_files.SIGNING, "given")
    assert secret_files.program_secrets(tmp_path)[secret_files.SIGNING] == "given"


def test_a_damaged_secrets_file_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "secrets.json").write_text('{"SPA_OPS')
    with pytest.raises(LaunchRefused, match="put a copy of it back"):
        secret_files.program_secrets(tmp_path)
    assert (tmp_path / "secrets.json").read_text() == '{"SPA_OPS'


def test_data_of_a_newer_program_is_refused(fresh: databases.Database) -> None:
    migrations.refuse_newer(fresh.owner_url, ROOT)
    with psycopg.connect(fresh.owner_url, autocommit=True) as owner:
        owner.execute("CREATE TABLE django_migrations (app text, name text)")
        rows = [*migrations.known(ROOT), ("contenttypes", "0002_remove_content_type_name")]
        assert ("tenancy", "0001_initial") in rows
        for row in rows:
            owner.execute("INSERT INTO django_migrations VALUES (%s, %s)", row)
        migrations.refuse_newer(fresh.owner_url, ROOT)
        owner.execute("INSERT INTO django_migrations VALUES ('tenancy', '9999_from_the_future')")
    with pytest.raises(LaunchRefused, match=r"newer version .* tenancy 9999_from_the_future"):
        migrations.refuse_newer(fresh.owner_url, ROOT)


def test_the_queue_in_the_database_is_made_once_and_renewed(fresh: databases.Database) -> None:
    queue_schema.prepare(fresh.owner_url)
    login = psycopg.conninfo.conninfo_to_dict(fresh.app_url)
    words = psycopg.conninfo.make_conninfo(**login)
    queue = PGMQueue(conn_string=words, init_extension=False, pool_size=1)
    try:
        queue.create_queue("spa_ops")
        queue.send("spa_ops", {"hello": 1})
        queue_schema.prepare(fresh.owner_url)
        assert queue.read("spa_ops", vt=1).message == {"hello": 1}
    finally:
        queue.close()
    with psycopg.connect(fresh.owner_url, autocommit=True) as owner:
        owner.execute("COMMENT ON SCHEMA pgmq IS 'spa_ops queue, pgmq 0.0.1'")
        queue_schema.prepare(fresh.owner_url)
        assert owner.execute("SELECT count(*) FROM pgmq.meta").fetchone() == (0,)


def test_a_secret_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    secret_files.write_secret(tmp_path / "file", json.dumps([1]))
    secret_files.write_secret(tmp_path / "file", json.dumps([2]))
    assert [each.name for each in tmp_path.iterdir()] == ["file"]
    with pytest.raises(LaunchRefused, match=r"cannot be used|cannot be written"):
        secret_files.write_secret(tmp_path / "missing" / "file", "x")
