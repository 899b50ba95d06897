"""What the container files call: making logins on a fresh server, and asking a part whether it lives."""

import os
import socket
import time
import urllib.request
from pathlib import Path

from spa_ops.launch import logins, queue_schema
from spa_ops.launch.logins import Login
from spa_ops.launch.refusals import LaunchRefused

#: Beat shows life at least every 5 s; a few missed ones may be a slow disk.
BEAT_SILENCE_SECONDS = 60.0


def prepare_database() -> int:
    """As the superuser of DATABASE_ADMIN_URL, make the logins of the two other URLs and the database."""
    admin_url, owner_url, app_url = (
        _needed(name) for name in ("DATABASE_ADMIN_URL", "DATABASE_OWNER_URL", "DATABASE_URL")
    )
    owner, app = Login.of(owner_url), Login.of(app_url)
    if not (owner.password and app.password) or owner.name == app.name:
        raise LaunchRefused(
            "DATABASE_OWNER_URL and DATABASE_URL need two logins, each with a password."
        )
    with logins.connect(admin_url) as admin:
        name = logins.database_of(owner_url)
        logins.prepare(admin, database=name, owner=owner, app=app)
    return 0


def prepare_queue() -> int:
    """Make the queue inside the database, for a program without Redis."""
    print(f"The queue's schema is pgmq {queue_schema.prepare(_needed('DATABASE_OWNER_URL'))}.")
    return 0


def healthy(part: str) -> int:
    """0 when that part of the program lives in this container."""
    port = int(os.environ.get("PORT") or 8080)
    if part == "web":
        return 0 if _says_it_is_well(f"http://127.0.0.1:{port}/api/v1/health") else 1
    if part == "stream":
        with socket.socket() as probe:
            return 1 if probe.connect_ex(("127.0.0.1", port)) else 0
    if part == "beat":
        try:
            seen = Path(_needed("SPA_OPS_BEAT_FILE")).stat().st_mtime
        except OSError:
            return 1
        return 0 if time.time() - seen < BEAT_SILENCE_SECONDS else 1
    raise LaunchRefused(f"There is no part {part!r}; ask for web, stream or beat.")


def _says_it_is_well(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=5) as response:
            return bool(response.status == 200)
    except OSError:
        return False


def _needed(name: str) -> str:
    value = os.environ.get(name)
    if not value:
        raise LaunchRefused(f"Set {name}.")
    return value
