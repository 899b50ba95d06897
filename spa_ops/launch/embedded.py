"""The embedded PostgreSQL: one server for each data folder, shared by all processes that ask for it."""

import json
import os
import secrets
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import psycopg

from spa_ops.launch import account, binaries, cluster, keeper, locks, logins
from spa_ops.launch.refusals import LaunchRefused
from spa_ops.launch.secret_files import write_secret

DATABASE = "spa_ops"
OWNER = "spa_ops_owner"
APP = "spa_ops_web"
PASSWORDS = "passwords.json"

_used: dict[Path, locks.FileLock] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """A running server and the addresses of its three logins."""

    home: Path
    #: What the program runs as: a member of spa_ops_app, under row-level security.
    app_url: str
    #: What migrates.
    owner_url: str
    #: The superuser; only this launcher uses it.
    admin_url: str
    durable: bool = True


def ensure(data_dir: Path, *, durable: bool = True) -> Server:
    """A server for `data_dir`, created and started if need be; it runs until `stop` or our end.

    `durable=False` turns fsync off: for a throw-away database only. Raises LaunchRefused.
    """
    data_dir = Path(os.path.abspath(data_dir))
    who = account.server_account()
    home = account.home_for(data_dir, who)
    with locks.alone(home / locks.START):
        _use(home)
        try:
            return _ensure(home, who, durable=durable)
        except BaseException:
            _let_go(home)
            raise


def stop(server: Server) -> bool:
    """Let go of the server and stop it if nobody else uses it; says whether it was stopped."""
    return _let_go(server.home)


def _let_go(home: Path) -> bool:
    lock = _used.pop(home, None)
    if lock is None:
        return False
    try:
        if not lock.try_take():
            return False
        who = account.server_account()
        programs = cluster.usable(binaries.find(), who, home)
        cluster.halt(cluster.Place(home=home, account=who, binaries=programs))
        return True
    finally:
        lock.close()


def is_up(server: Server) -> bool:
    """Whether its postmaster runs, by its pid file: quick enough to ask twice a second."""
    try:
        pid = int((server.home / account.CLUSTER / "postmaster.pid").read_text().splitlines()[0])
        os.kill(pid, 0)
    except PermissionError:
        return True
    except (OSError, ValueError, IndexError):
        return False
    return True


def server_at(home: Path, place: cluster.Place, *, durable: bool) -> Server:
    """The addresses of the server in `home`; passwords are made at the first call."""
    passwords = _passwords(home)
    host = quote(str(place.socket), safe="/")

    def url(login: str, database: str) -> str:
        return f"postgresql://{login}:{passwords[login]}@/{database}?host={host}"

    return Server(
        home=home,
        app_url=url(APP, DATABASE),
        owner_url=url(OWNER, DATABASE),
        admin_url=url(cluster.ADMIN, "postgres"),
        durable=durable,
    )


def answers(admin_url: str) -> bool:
    """Whether the server lets its superuser in, waiting while it starts or recovers."""
    for _ in range(120):
        try:
            psycopg.connect(admin_url, connect_timeout=5).close()
        except psycopg.OperationalError as error:
            if "starting up" not in str(error) and "recovery" not in str(error):
                return False
            time.sleep(0.25)
        else:
            return True
    return False


def _ensure(home: Path, who: account.Account, *, durable: bool) -> Server:
    programs = cluster.usable(binaries.find(), who, home)
    place = cluster.Place(home=home, account=who, binaries=programs)
    check_version(place)
    server = server_at(home, place, durable=durable)
    if not place.data.exists():
        cluster.create(place, _passwords(home)[cluster.ADMIN])
    if not answers(server.admin_url):
        cluster.start(place, durable=durable)
    keeper.watch(home)
    with logins.connect(server.admin_url) as admin:
        owner, app = logins.Login.of(server.owner_url), logins.Login.of(server.app_url)
        logins.prepare(admin, database=DATABASE, owner=owner, app=app)
    return server


def check_version(place: cluster.Place) -> None:
    """Raise LaunchRefused where another major version of PostgreSQL made the data."""
    made_by, ours = cluster.data_major(place.data), place.binaries.major
    if made_by is None or made_by == ours:
        return
    if made_by > ours:
        raise LaunchRefused(
            f"The data in {place.data} was made by the newer PostgreSQL {made_by}; this program has "
            f"{ours}: use the newer program, or set SPA_OPS_PG_BIN to a PostgreSQL {made_by}."
        )
    raise LaunchRefused(
        f"The data in {place.data} was made by PostgreSQL {made_by}; this program has {ours}: "
        "run `make upgrade-data` once."
    )


def _use(home: Path) -> None:
    if home not in _used:
        lock = locks.FileLock(home / locks.USERS)
        # Waits while a keeper is stopping the server.
        lock.share()
        _used[home] = lock


def _passwords(home: Path) -> dict[str, str]:
    path = home / PASSWORDS
    with suppress(FileNotFoundError):
        return dict(json.loads(path.read_text()))
    if (home / account.CLUSTER).exists():
        raise LaunchRefused(
            f"{path} is gone, and with it the way into the data beside it; put it back."
        )
    made = {name: secrets.token_urlsafe(24) for name in (cluster.ADMIN, OWNER, APP)}
    write_secret(path, json.dumps(made))
    return made
