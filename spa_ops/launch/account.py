"""Who runs the embedded server, and where its files may live.

PostgreSQL refuses to run as root. Then an existing unprivileged user runs it; none is added to the
system, and no folder of the checkout is opened up for it: the files go elsewhere instead.
"""

import hashlib
import os
import pwd
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spa_ops.launch.refusals import LaunchRefused, disk_refusal

UNPRIVILEGED = "nobody"
SIDE_FOLDERS = (Path("/var/lib"), Path("/var/tmp"))
#: A socket's path, with its name, must stay below this many bytes (sockaddr_un, unix(7)).
SOCKET_LIMIT = 108
SOCKET_NAME = ".s.PGSQL.5432"
CLUSTER = "cluster"


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """The user id that the server runs under; None means: as whoever starts it."""

    uid: int | None
    gid: int | None

    def run(self, command: list[str], **options: Any) -> subprocess.CompletedProcess[str]:
        """Run `command` as this account, in a folder it can enter, with an environment of its own."""
        environment = {"PATH": os.defpath, "LC_ALL": "C.UTF-8", "TZ": "UTC"}
        switch: dict[str, Any] = {}
        if self.uid is not None:
            switch = {"user": self.uid, "group": self.gid, "extra_groups": []}
        return subprocess.run(
            command, cwd="/", env=environment, text=True, check=False, **switch, **options
        )

    def own(self, path: Path) -> None:
        if self.uid is not None and self.gid is not None:
            os.chown(path, self.uid, self.gid, follow_symlinks=False)

    def may_enter(self, folder: Path) -> bool:
        probe = ["/bin/sh", "-c", 'cd -- "$1"', "sh", str(folder)]
        return self.run(probe, capture_output=True).returncode == 0

    def may_execute(self, program: str) -> bool:
        try:
            return self.run([program, "--version"], capture_output=True).returncode == 0
        except OSError:
            return False


def server_account() -> Account:
    """Nobody in particular when we are not root; else the system's unprivileged user."""
    if os.geteuid() != 0:
        return Account(uid=None, gid=None)
    try:
        entry = pwd.getpwnam(UNPRIVILEGED)
    except KeyError as error:
        raise LaunchRefused(
            f"PostgreSQL does not run as root and this system has no user `{UNPRIVILEGED}`; "
            "start as another user, or set DATABASE_URL."
        ) from error
    return Account(uid=entry.pw_uid, gid=entry.pw_gid)


def home_for(data_dir: Path, account: Account) -> Path:
    """The folder of the server's files: inside `data_dir`, else beside the system's own data.

    One that already holds a cluster is kept, whatever the folders' modes have become since.
    """
    inside = data_dir / "postgresql"
    sides = [side / _name_for(data_dir) for side in SIDE_FOLDERS]
    for home in (inside, *sides):
        if (home / CLUSTER).exists():
            return _checked(home, account)
    make_folder(inside)
    if account.may_enter(inside):
        return inside
    for home in sides:
        if os.access(home.parent, os.W_OK) and account.may_enter(home.parent):
            make_folder(home)
            return _checked(home, account)
    raise LaunchRefused(
        f"The user `{UNPRIVILEGED}` can enter neither {data_dir} nor {SIDE_FOLDERS[0]}; set DATABASE_URL."
    )


def socket_folder(home: Path, account: Account) -> Path:
    """A folder of mode 0700, owned by the server's user, whose path is short enough for a socket."""
    folder = home / "socket"
    if len(os.fsencode(folder / SOCKET_NAME)) >= SOCKET_LIMIT or not _is_plain(folder):
        digest = hashlib.sha256(str(home.resolve()).encode()).hexdigest()[:12]
        folder = Path(f"/tmp/spa-ops-{os.geteuid()}-{digest}")
    try:
        folder.mkdir(mode=0o700)
        account.own(folder)
    except FileExistsError:
        pass
    # In a shared folder another user may have made that name first, to read our queries.
    owner = os.geteuid() if account.uid is None else account.uid
    there = folder.lstat()
    if folder.is_symlink() or there.st_uid != owner or there.st_mode & 0o077:
        raise LaunchRefused(
            f"{folder} is not ours or is open to others; remove it and start again."
        )
    return folder


def _is_plain(folder: Path) -> bool:
    """No character that PostgreSQL's list of folders or a client's connection string reads as more."""
    text = str(folder)
    return not set(text) & set("\"',\\") and not any(each.isspace() for each in text)


def make_folder(folder: Path) -> None:
    """Make `folder`, open to be entered whatever the umask; its secrets have their own modes."""
    try:
        if not folder.exists():
            folder.mkdir(parents=True)
            folder.chmod(0o755)
    except OSError as error:
        raise disk_refusal(error, folder) from error


def _name_for(data_dir: Path) -> str:
    # Named after the checkout, so that each keeps its own server and finds it again.
    return f"spa-ops-{hashlib.sha256(str(data_dir.resolve()).encode()).hexdigest()[:12]}"


def _checked(home: Path, account: Account) -> Path:
    there = home.lstat()
    if home.is_symlink() or there.st_uid != os.geteuid() or there.st_mode & 0o022:
        raise LaunchRefused(f"{home} is another user's or is open to others; start as its owner.")
    if not account.may_enter(home):
        raise LaunchRefused(
            f"The data is in {home}, which the user `{UNPRIVILEGED}` can no longer enter; "
            "let it pass through the folders above, or move that folder."
        )
    return home
