"""Moving the embedded server's data to a newer major version of PostgreSQL, by dump and restore."""

import os
import shutil
import subprocess
import time
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from spa_ops.launch import account, binaries, cluster, embedded, locks, logins
from spa_ops.launch.databases import with_name
from spa_ops.launch.refusals import LaunchRefused, disk_refusal

DUMP = "upgrade.dump"
KEEPER_SECONDS = 5.0


def upgrade(data_dir: Path) -> str:
    """Dump with the old major's server, restore into the new; the old data stays beside, until removed.

    Needs the old major's programs, which a newer wheel no longer has: SPA_OPS_PG_BIN names them.
    """
    data_dir = Path(os.path.abspath(data_dir))
    who = account.server_account()
    home = account.home_for(data_dir, who)
    new, old_major = _new_programs(), cluster.data_major(home / account.CLUSTER)
    if old_major is None:
        return "There is no data to upgrade."
    if old_major == new.major:
        return f"The data is PostgreSQL {new.major}'s already."
    if old_major > new.major:
        raise LaunchRefused(
            f"The data is of the newer PostgreSQL {old_major}; this program has {new.major}."
        )
    with locks.alone(home / locks.START):
        _refuse_running(home)
        _dump(home, who, old_major)
        kept = _set_aside(home, old_major)
    try:
        _restore(data_dir, home, new)
    except BaseException:
        _put_back(home, kept)
        raise
    return f"The data is PostgreSQL {new.major}'s now. The old data is in {kept}; remove it when all is well."


def _new_programs() -> binaries.Binaries:
    # SPA_OPS_PG_BIN names the old programs here, so the new ones are the wheel's.
    return binaries.newest_of_wheel()


def _old_programs(major: int) -> binaries.Binaries:
    found = binaries.find_major(major)
    if found is None:
        raise LaunchRefused(
            f"The data was made by PostgreSQL {major}, whose programs are needed once more to read it: "
            f"install PostgreSQL {major} and run `make upgrade-data SPA_OPS_PG_BIN=ITS_BIN_FOLDER`."
        )
    return found


def _refuse_running(home: Path) -> None:
    users = locks.FileLock(home / locks.USERS)
    # A keeper holds it for a moment when the last user has just gone.
    deadline = time.monotonic() + KEEPER_SECONDS
    while not users.try_take():
        if time.monotonic() > deadline:
            users.close()
            raise LaunchRefused("The program is running on this data; stop it first.")
        time.sleep(0.1)
    users.close()


def _dump(home: Path, who: account.Account, major: int) -> None:
    programs = cluster.usable(_old_programs(major), who, home)
    place = cluster.Place(home=home, account=who, binaries=programs)
    server = embedded.server_at(home, place, durable=True)
    cluster.start(place, durable=True)
    try:
        # The server's own pg_dump: a distribution may mark columns in a way that only its own leaves out.
        dump = [programs.program("pg_dump"), "--format=custom", f"--file={home / DUMP}"]
        _run(dump, home, server)
    finally:
        cluster.halt(place)


def _set_aside(home: Path, major: int) -> Path:
    kept = home / f"{account.CLUSTER}.postgresql-{major}"
    if kept.exists():
        raise LaunchRefused(f"{kept} is there from an earlier upgrade; move it away first.")
    (home / account.CLUSTER).rename(kept)
    return kept


def _put_back(home: Path, kept: Path) -> None:
    shutil.rmtree(home / account.CLUSTER, ignore_errors=True)
    kept.rename(home / account.CLUSTER)


def _restore(data_dir: Path, home: Path, new: binaries.Binaries) -> None:
    os.environ.pop("SPA_OPS_PG_BIN", None)
    server = embedded.ensure(data_dir)
    try:
        restore = [new.program("pg_restore"), "--exit-on-error", f"--dbname={embedded.DATABASE}"]
        _run([*restore, str(home / DUMP)], home, server)
        _begin_new_epochs(server)
    finally:
        embedded.stop(server)
    (home / DUMP).unlink()


def _begin_new_epochs(server: embedded.Server) -> None:
    """Devices read each feed anew: a restored server cannot promise that it is where it was."""
    with logins.connect(with_name(server.admin_url, embedded.DATABASE)) as admin:
        if admin.execute("SELECT to_regclass('public.sync_feed')").fetchone() != (None,):
            admin.execute("UPDATE public.sync_feed SET epoch = gen_random_uuid()")


def _run(command: list[str], home: Path, server: embedded.Server) -> None:
    # The password goes by the environment: a command line is public.
    admin = urlsplit(server.admin_url)
    environment = {
        **os.environ,
        "PGHOST": parse_qs(admin.query)["host"][0],
        "PGUSER": admin.username or "",
        "PGPASSWORD": admin.password or "",
        "PGDATABASE": embedded.DATABASE,
    }
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, text=True, check=False, umask=0o077
        )
    except OSError as error:
        raise disk_refusal(error, home) from error
    if done.returncode != 0:
        if "No space left" in done.stderr:
            raise LaunchRefused(
                f"The disk that holds {home} is full; free some space and start again."
            )
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        raise LaunchRefused(f"{Path(command[0]).name} failed: {last}")
