"""Creating, starting and stopping one PostgreSQL cluster with initdb and pg_ctl."""

import os
import shlex
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from spa_ops.launch import binaries as programs
from spa_ops.launch.account import CLUSTER, Account, socket_folder
from spa_ops.launch.binaries import Binaries
from spa_ops.launch.refusals import LaunchRefused, disk_refusal

ADMIN = "spa_ops_admin"
LOG = "postgres.log"
#: After a kill -9 the old processes hold their shared memory for a moment.
RETRY_SECONDS = 5.0
LOG_LIMIT_BYTES = 10 * 1024 * 1024
UNKNOWN = Path("?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One cluster: its home folder, who runs it, and with which programs."""

    home: Path
    account: Account
    binaries: Binaries

    @property
    def data(self) -> Path:
        return self.home / CLUSTER

    @property
    def log(self) -> Path:
        return self.home / LOG

    @property
    def socket(self) -> Path:
        return socket_folder(self.home, self.account)


def usable(binaries: Binaries, account: Account, home: Path) -> Binaries:
    """The programs themselves where the account may run them, else a copy in `home`."""
    if account.may_execute(binaries.program("postgres")):
        return binaries
    try:
        return programs.copy_to(binaries, home / "programs")
    except (OSError, shutil.Error) as error:
        raise disk_refusal(error if isinstance(error, OSError) else OSError(), home) from error


def data_major(data: Path) -> int | None:
    """The major version that made the cluster, or None where there is none."""
    try:
        return int((data / "PG_VERSION").read_text())
    except FileNotFoundError:
        return None


def create(place: Place, admin_password: str) -> None:
    """Make the cluster; a half-made one from a start that was broken off is thrown away first."""
    half_made = place.home / f"{CLUSTER}.creating"
    password_file = place.home / "initdb.password"
    try:
        shutil.rmtree(half_made, ignore_errors=True)
        half_made.mkdir(mode=0o700)
        place.account.own(half_made)
        password_file.unlink(missing_ok=True)
        password_file.touch(mode=0o600)
        password_file.write_text(admin_password)
        place.account.own(password_file)
        _initdb(place, half_made, password_file)
        half_made.rename(place.data)
    except OSError as error:
        raise disk_refusal(error, place.home) from error
    finally:
        password_file.unlink(missing_ok=True)


def _initdb(place: Place, folder: Path, password_file: Path) -> None:
    command = [
        place.binaries.program("initdb"),
        f"--pgdata={folder}",
        f"--username={ADMIN}",
        f"--pwfile={password_file}",
        "--auth=scram-sha-256",
        "--encoding=UTF8",
        "--locale=C.UTF-8",
        "--no-instructions",
    ]
    done = place.account.run(command, capture_output=True)
    if done.returncode != 0:
        shutil.rmtree(folder, ignore_errors=True)
        raise _refusal(place, done.stderr or done.stdout)


def start(place: Place, *, durable: bool) -> None:
    """Start the server and wait until it answers; raises LaunchRefused with what it said."""
    _open_log(place)
    deadline = time.monotonic() + RETRY_SECONDS
    while True:
        _forget_dead_postmaster(place.data)
        said_before = place.log.stat().st_size
        command = [place.binaries.program("pg_ctl"), "start", "--wait", "--timeout=60"]
        command += [
            f"--pgdata={place.data}",
            f"--log={place.log}",
            f"--options={_options(place, durable)}",
        ]
        if place.account.run(command, capture_output=True).returncode == 0:
            return
        with place.log.open("rb") as log:
            log.seek(said_before)
            said = log.read().decode(errors="replace")
        if time.monotonic() > deadline or "No space left" in said:
            raise _refusal(place, said)
        time.sleep(0.25)


def halt(place: Place) -> None:
    """Stop the server, breaking off what its clients are doing; quiet when it is not running."""
    _forget_dead_postmaster(place.data)
    command = [place.binaries.program("pg_ctl"), "stop", "--mode=fast", "--wait", "--timeout=60"]
    if (place.data / "postmaster.pid").exists():
        place.account.run([*command, f"--pgdata={place.data}"], capture_output=True)


def _options(place: Place, durable: bool) -> str:
    settings = {
        "listen_addresses": "",
        "unix_socket_directories": f'"{place.socket}"',
        "unix_socket_permissions": "0700",
        "timezone": "UTC",
        "log_timezone": "UTC",
        "lc_messages": "C",
    }
    if not durable:
        settings |= {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
    return " ".join(f"-c {shlex.quote(f'{name}={value}')}" for name, value in settings.items())


def _open_log(place: Place) -> None:
    try:
        if place.log.exists() and place.log.stat().st_size > LOG_LIMIT_BYTES:
            place.log.unlink()
        place.log.touch(mode=0o600)
        place.account.own(place.log)
    except OSError as error:
        raise disk_refusal(error, place.log) from error


def _forget_dead_postmaster(data: Path) -> None:
    """Remove a pid file whose process is gone or is by now another program.

    PostgreSQL would refuse to start, and pg_ctl would signal a stranger. Only where /proc shows what
    a process works in; should a postmaster be left all the same, its shared memory still stops ours.
    """
    pid_file = data / "postmaster.pid"
    try:
        pid = int(pid_file.read_text().splitlines()[0])
    except (OSError, ValueError, IndexError):
        return
    if Path("/proc/self/cwd").exists() and _folder_of(pid) not in {data.resolve(), UNKNOWN}:
        pid_file.unlink(missing_ok=True)


def _folder_of(pid: int) -> Path | None:
    try:
        return Path(os.readlink(f"/proc/{pid}/cwd"))
    except PermissionError:
        return UNKNOWN
    except OSError:
        return None  # it has ended, or is only waiting to be collected


def _refusal(place: Place, said: str) -> LaunchRefused:
    if "No space left" in said:
        return LaunchRefused(
            f"The disk that holds {place.home} is full; free some space and start again."
        )
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    telling = (
        [line for line in lines if "FATAL" in line or "error" in line]
        or lines
        or ["it said nothing"]
    )
    return LaunchRefused(f"The embedded PostgreSQL did not start: {telling[-1]} (log: {place.log})")
