"""Moving the data to a newer PostgreSQL, between two majors that are both here."""

import stat
from collections.abc import Callable
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest

from spa_ops.launch import binaries, embedded, upgrade
from spa_ops.launch.embedded import Server
from spa_ops.launch.refusals import LaunchRefused

Ensure = Callable[..., Server]
OLD_EPOCH = uuid4()
NEWEST = binaries.newest_of_wheel()
OLDER = [
    folder
    for folder in (
        NEWEST.folder.parent.with_name("pginstall") / "bin",
        Path("/usr/lib/postgresql/15/bin"),
    )
    if folder.exists() and binaries.read_version(folder).major < NEWEST.major
]


@pytest.fixture
def old_programs(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = Path(getattr(request, "param", OLDER[0]))
    monkeypatch.setenv("SPA_OPS_PG_BIN", str(folder))
    return folder


def fill(server: Server) -> None:
    with psycopg.connect(server.owner_url) as owner:
        owner.execute("CREATE TABLE entry (n bigint PRIMARY KEY, words text)")
        owner.execute("INSERT INTO entry SELECT n, 'Ä ' || n FROM generate_series(1, 1000) AS n")
        owner.execute("ALTER TABLE entry ENABLE ROW LEVEL SECURITY")
        owner.execute("CREATE POLICY even ON entry USING (n % 2 = 0)")
        owner.execute("GRANT SELECT ON entry TO spa_ops_app")
        owner.execute("CREATE TABLE sync_feed (epoch uuid)")
        owner.execute("INSERT INTO sync_feed VALUES (%s)", [OLD_EPOCH])


@pytest.mark.parametrize("old_programs", OLDER, ids=str, indirect=True)
def test_rows_rights_and_passwords_move_along(
    ensure: Ensure, old_programs: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = ensure()
    fill(old)
    embedded.stop(old)
    monkeypatch.delenv("SPA_OPS_PG_BIN")
    with pytest.raises(LaunchRefused, match="make upgrade-data"):
        ensure()
    monkeypatch.setenv("SPA_OPS_PG_BIN", str(old_programs))
    said = upgrade.upgrade(place / "data")
    assert f"is PostgreSQL {NEWEST.major}'s now" in said
    monkeypatch.delenv("SPA_OPS_PG_BIN", raising=False)
    new = ensure()
    assert new.app_url == old.app_url
    with psycopg.connect(new.owner_url) as owner:
        assert owner.execute("SELECT count(*), max(words) FROM entry").fetchone() == (1000, "Ä 999")
        assert owner.execute("SELECT count(*) FROM sync_feed").fetchone() == (1,)
        assert owner.execute("SELECT epoch FROM sync_feed").fetchone() != (OLD_EPOCH,)
        assert owner.info.server_version // 10000 == NEWEST.major
    with psycopg.connect(new.app_url) as app:
        assert app.execute("SELECT count(*) FROM entry").fetchone() == (500,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("DELETE FROM entry")
    assert not (new.home / upgrade.DUMP).exists()


def test_a_failed_move_puts_the_old_data_back(
    ensure: Ensure, old_programs: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = ensure()
    fill(old)
    embedded.stop(old)

    def no_room(*_: object, **__: object) -> Server:
        raise LaunchRefused("The disk is full.")

    with monkeypatch.context() as broken:
        broken.setattr(upgrade.embedded, "ensure", no_room)
        with pytest.raises(LaunchRefused, match="disk is full"):
            upgrade.upgrade(place / "data")
    monkeypatch.setenv("SPA_OPS_PG_BIN", str(old_programs))
    with psycopg.connect(ensure().owner_url) as owner:
        assert owner.execute("SELECT count(*) FROM entry").fetchone() == (1000,)


def test_it_is_refused_while_the_program_runs(
    ensure: Ensure, old_programs: Path, place: Path
) -> None:
    ensure()
    with pytest.raises(LaunchRefused, match="stop it first"):
        upgrade.upgrade(place / "data")


def test_without_the_old_programs_it_says_what_is_needed(ensure: Ensure, place: Path) -> None:
    server = ensure()
    embedded.stop(server)
    (server.home / "cluster/PG_VERSION").write_text("9\n")
    with pytest.raises(LaunchRefused, match=r"install PostgreSQL 9 and run .* SPA_OPS_PG_BIN="):
        upgrade.upgrade(place / "data")


def test_where_there_is_nothing_to_do_it_says_so(ensure: Ensure, place: Path) -> None:
    assert "no data" in upgrade.upgrade(place / "data")
    embedded.stop(ensure())
    assert "already" in upgrade.upgrade(place / "data")


def test_the_dump_is_for_our_eyes_only(
    ensure: Ensure, old_programs: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    embedded.stop(ensure())
    modes: list[int] = []
    restore = upgrade._restore

    def look(data_dir: Path, home: Path, new: binaries.Binaries) -> None:
        modes.append(stat.S_IMODE((home / upgrade.DUMP).stat().st_mode))
        restore(data_dir, home, new)

    monkeypatch.setattr(upgrade, "_restore", look)
    upgrade.upgrade(place / "data")
    assert modes == [0o600]
