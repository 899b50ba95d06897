"""The embedded server, with real PostgreSQL processes: what it promises and how it fails."""

import os
import re
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import psycopg
import pytest

from spa_ops.launch import account, binaries, cluster, embedded, locks
from spa_ops.launch.embedded import Server
from spa_ops.launch.refusals import LaunchRefused

ROOT = Path(__file__).resolve().parents[2]
Ensure = Callable[..., Server]
SYSTEM_BINARIES = [Path(f"/usr/lib/postgresql/{major}/bin") for major in range(15, 30)]


def ask(url: str, query: str) -> object:
    with psycopg.connect(url) as connection:
        row = connection.execute(query).fetchone()
    assert row is not None
    return row[0]


def socket_of(server: Server) -> Path:
    return Path(parse_qs(urlsplit(server.admin_url).query)["host"][0])


def postmaster_pid(server: Server) -> int:
    return int((server.home / "cluster/postmaster.pid").read_text().splitlines()[0])


def wait_until(happened: Callable[[], bool], seconds: float = 15) -> bool:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if happened():
            return True
        time.sleep(0.05)
    return happened()


def user_process(data_dir: Path) -> subprocess.Popen[str]:
    """Another process that uses the server until it is told to end or is killed."""
    code = (
        "import sys; from pathlib import Path; from spa_ops.launch import embedded\n"
        "server = embedded.ensure(Path(sys.argv[1])); print('up', flush=True)\n"
        "sys.stdin.readline(); embedded.stop(server)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(data_dir)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "up\n"
    return process


def end(process: subprocess.Popen[str]) -> None:
    process.communicate("\n", timeout=20)


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("listen_addresses", ""),
        ("fsync", "on"),
        ("synchronous_commit", "on"),
        ("password_encryption", "scram-sha-256"),
        ("server_encoding", "UTF8"),
        ("TimeZone", "UTC"),
    ],
)
def test_the_server_is_set_up_safely(shared_server: Server, setting: str, value: str) -> None:
    assert ask(shared_server.admin_url, f"SELECT current_setting('{setting}')") == value


def test_the_locale_is_c_utf_8(shared_server: Server) -> None:
    query = "SELECT datcollate || ' ' || datctype FROM pg_database WHERE datname = 'spa_ops'"
    assert ask(shared_server.admin_url, query) == "C.UTF-8 C.UTF-8"


def test_only_the_servers_user_enters_the_socket_folder(shared_server: Server) -> None:
    folder = socket_of(shared_server)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert len(os.fsencode(folder / ".s.PGSQL.5432")) < 108
    assert stat.S_IMODE((shared_server.home / "passwords.json").stat().st_mode) == 0o600


def test_nobody_gets_in_without_the_password(shared_server: Server) -> None:
    for url in (shared_server.app_url, shared_server.owner_url, shared_server.admin_url):
        wrong = re.sub(r":[^:@/]+@", ":wrong@", url)
        with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
            psycopg.connect(wrong)


def test_the_programs_login_has_no_rights_of_its_own(shared_server: Server) -> None:
    with psycopg.connect(shared_server.app_url, autocommit=True) as app:
        app.execute("SET ROLE spa_ops_app")
        for statement in (
            "CREATE TABLE mine (n int)",
            "CREATE ROLE friend",
            "CREATE DATABASE other",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                app.execute(statement)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("SET ROLE spa_ops_eraser")
    query = "SELECT bool_or(rolsuper OR rolbypassrls) FROM pg_roles WHERE rolname LIKE 'spa_ops%' AND rolname <> 'spa_ops_admin'"
    assert ask(shared_server.admin_url, query) is False


def test_the_owner_can_migrate_and_make_test_databases(shared_server: Server) -> None:
    with psycopg.connect(shared_server.owner_url, autocommit=True) as owner:
        owner.execute("CREATE TABLE some_table (n int)")
        owner.execute("GRANT SELECT ON some_table TO spa_ops_app")
        owner.execute("CREATE ROLE some_group NOLOGIN")
        owner.execute("DROP ROLE some_group")
        owner.execute("CREATE DATABASE some_database")
        owner.execute("DROP DATABASE some_database")
        assert ask(shared_server.app_url, "SELECT count(*) FROM some_table") == 0
        owner.execute("DROP TABLE some_table")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root needs another user")
def test_root_leaves_the_server_to_an_unprivileged_user(shared_server: Server) -> None:
    owner = Path(f"/proc/{postmaster_pid(shared_server)}").stat().st_uid
    assert owner != 0
    assert owner == account.server_account().uid


def test_a_second_start_keeps_data_and_passwords(ensure: Ensure) -> None:
    first = ensure()
    with psycopg.connect(first.owner_url) as owner:
        owner.execute("CREATE TABLE kept AS SELECT 7 AS n")
    assert embedded.stop(first)
    assert not (first.home / "cluster/postmaster.pid").exists()
    second = ensure()
    assert second == first
    assert ask(second.owner_url, "SELECT n FROM kept") == 7


def test_processes_share_one_server_and_the_last_one_stops_it(ensure: Ensure, place: Path) -> None:
    ours = ensure()
    pid = postmaster_pid(ours)
    other = user_process(place / "data")
    assert postmaster_pid(ours) == pid
    assert not embedded.stop(ours), "the other process still uses it"
    assert ask(ours.app_url, "SELECT 1") == 1
    end(other)
    assert not (ours.home / "cluster/postmaster.pid").exists()


def test_two_processes_may_start_at_the_same_moment(ensure: Ensure, place: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from spa_ops.launch import embedded\n"
        "server = embedded.ensure(Path(sys.argv[1])); print(server.app_url); embedded.stop(server)"
    )
    command = [sys.executable, "-c", code, str(place / "data")]
    started = [
        subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) for _ in range(4)
    ]
    said = {process.communicate(timeout=60)[0] for process in started}
    assert [process.returncode for process in started] == [0] * 4
    assert said == {ensure().app_url + "\n"}


def test_the_server_ends_when_its_last_user_is_killed(ensure: Ensure, place: Path) -> None:
    other = user_process(place / "data")
    pid_file = place / "data/postgresql/cluster/postmaster.pid"
    assert pid_file.exists()
    other.kill()
    other.communicate()
    assert wait_until(lambda: not pid_file.exists()), "the keeper did not stop it"
    assert ask(ensure().app_url, "SELECT 1") == 1


def test_it_starts_again_after_the_server_was_killed(ensure: Ensure) -> None:
    server = ensure()
    with psycopg.connect(server.owner_url) as owner:
        owner.execute("CREATE TABLE acknowledged AS SELECT generate_series(1, 100) AS n")
    os.kill(postmaster_pid(server), signal.SIGKILL)
    again = ensure()
    assert ask(again.owner_url, "SELECT count(*) FROM acknowledged") == 100


@pytest.mark.skipif(not Path("/proc/self/cwd").exists(), reason="needs /proc")
def test_a_pid_file_whose_number_another_program_has_is_forgotten(ensure: Ensure) -> None:
    server = ensure()
    embedded.stop(server)
    # A live process of the server's own user, so that PostgreSQL alone would believe the file.
    who = account.server_account()
    switch = {} if who.uid is None else {"user": who.uid, "group": who.gid, "extra_groups": []}
    sleeper = subprocess.Popen(["sleep", "60"], cwd="/", **switch)
    try:
        stale = server.home / "cluster/postmaster.pid"
        stale.write_text(
            f"{sleeper.pid}\n{server.home}/cluster\n1700000000\n5432\n/nowhere\n\n  5432001     99999\n"
        )
        who.own(stale)
        again = ensure()
        assert ask(again.app_url, "SELECT 1") == 1
        embedded.stop(again)
        assert sleeper.poll() is None, "a stranger was signalled"
    finally:
        sleeper.kill()
        sleeper.wait()


def test_a_start_that_was_broken_off_while_creating_is_begun_anew(
    ensure: Ensure, place: Path
) -> None:
    half_made = place / "data/postgresql/cluster.creating"
    half_made.mkdir(parents=True)
    (half_made / "PG_VERSION").write_text("18\n")
    assert ask(ensure().app_url, "SELECT 1") == 1
    assert not half_made.exists()


@pytest.mark.parametrize(
    ("made_by", "words"), [(99, "newer PostgreSQL 99"), (9, "make upgrade-data")]
)
def test_data_of_another_major_version_is_refused_in_one_sentence(
    ensure: Ensure, place: Path, made_by: int, words: str
) -> None:
    cluster_folder = place / "data/postgresql/cluster"
    cluster_folder.mkdir(parents=True)
    (cluster_folder / "PG_VERSION").write_text(f"{made_by}\n")
    (cluster_folder.parent / "passwords.json").write_text("{}")
    with pytest.raises(LaunchRefused, match=words) as refusal:
        ensure()
    assert "\n" not in str(refusal.value)
    assert [path.name for path in cluster_folder.iterdir()] == ["PG_VERSION"], "it was touched"


def test_lost_passwords_are_named(ensure: Ensure) -> None:
    server = ensure()
    embedded.stop(server)
    (server.home / "passwords.json").unlink()
    with pytest.raises(LaunchRefused, match=r"passwords\.json is gone"):
        ensure()


def test_a_long_path_gets_its_socket_elsewhere(ensure: Ensure) -> None:
    server = ensure("/".join(["a-rather-long-folder-name"] * 4))
    folder = socket_of(server)
    assert not folder.is_relative_to(server.home)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert ask(server.app_url, "SELECT 1") == 1
    embedded.stop(server)
    folder.rmdir()


def test_a_path_with_odd_characters_works(ensure: Ensure) -> None:
    server = ensure("Été & 'quoted', 50 %")
    assert ask(server.app_url, "SELECT 1") == 1
    embedded.stop(server)
    if not socket_of(server).is_relative_to(server.home):
        socket_of(server).rmdir()


def test_a_socket_folder_that_is_open_to_others_is_refused(place: Path) -> None:
    (place / "socket").mkdir(mode=0o755)
    with pytest.raises(LaunchRefused, match="not ours or is open to others"):
        account.socket_folder(place, account.Account(uid=None, gid=None))


@pytest.mark.skipif(os.geteuid() != 0, reason="only root runs the server as somebody else")
def test_a_checkout_the_servers_user_cannot_enter_keeps_its_mode(
    ensure: Ensure, place: Path
) -> None:
    closed = place / "closed"
    closed.mkdir(mode=0o700)
    server = ensure("closed/data")
    try:
        assert server.home.parent in account.SIDE_FOLDERS
        assert ask(server.app_url, "SELECT 1") == 1
        assert stat.S_IMODE(closed.stat().st_mode) == 0o700
        embedded.stop(server)
        closed.chmod(0o755)
        assert ensure("closed/data").home == server.home, "an existing cluster must be found again"
    finally:
        embedded.stop(server)
        subprocess.run(["rm", "-rf", str(server.home)], check=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root runs the server as somebody else")
def test_programs_the_servers_user_cannot_run_are_copied(place: Path) -> None:
    who = account.server_account()
    hidden = place / "hidden"
    hidden.mkdir(mode=0o700)
    moved = binaries.copy_to(binaries.find(), hidden)
    assert not who.may_execute(moved.program("postgres"))
    open_place = Path("/var/tmp") / f"spa-ops-test-{os.getpid()}"
    open_place.mkdir(mode=0o755)
    try:
        usable = cluster.usable(moved, who, open_place)
        assert usable.folder != moved.folder
        assert all(
            who.may_execute(usable.program(name)) for name in ("postgres", "initdb", "pg_ctl")
        )
    finally:
        subprocess.run(["rm", "-rf", str(open_place)], check=True)


@pytest.mark.skipif(
    os.geteuid() != 0 or sys.platform != "linux", reason="mounts a small file system"
)
def test_a_full_disk_is_one_sentence(ensure: Ensure, place: Path) -> None:
    small = place / "small"
    small.mkdir(mode=0o755)
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m,mode=755", "tmpfs", str(small)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip("this machine lets nobody mount")
    try:
        with pytest.raises(LaunchRefused, match=r"disk that holds .* is full") as refusal:
            ensure("small")
        assert "\n" not in str(refusal.value)
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)


@pytest.mark.parametrize("folder", [each for each in SYSTEM_BINARIES if each.exists()], ids=str)
def test_the_systems_own_programs_serve_as_well(
    ensure: Ensure, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPA_OPS_PG_BIN", str(folder))
    server = ensure()
    major = int(folder.parent.name)
    assert (
        ask(server.owner_url, "SELECT current_setting('server_version_num')::int / 10000") == major
    )


def test_a_wrong_folder_of_programs_is_named(
    ensure: Ensure, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPA_OPS_PG_BIN", "/nonexistent")
    with pytest.raises(LaunchRefused, match="no PostgreSQL that runs here in /nonexistent"):
        ensure()


def test_a_lock_is_given_to_one_at_a_time(place: Path) -> None:
    first, second = locks.FileLock(place / "lock"), locks.FileLock(place / "lock")
    assert first.try_take()
    assert not second.try_take()
    first.close()
    assert second.try_take()
    second.close()
