"""Secrets that a launch makes for itself and keeps in files that only their owner may read."""

import base64
import json
import os
import secrets
from contextlib import suppress
from pathlib import Path

from spa_ops.launch.refusals import LaunchRefused, disk_refusal

FILE = "secrets.json"
SIGNING, SEALING = "SPA_OPS_SECRET_KEY", "SPA_OPS_MASTER_KEYS"


def write_secret(path: Path, text: str) -> None:
    """Write a file that only we may read, whole or not at all."""
    half = path.with_name(path.name + ".new")
    try:
        half.unlink(missing_ok=True)
        descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        half.rename(path)
    except OSError as error:
        raise disk_refusal(error, path) from error


def program_secrets(data_dir: Path) -> dict[str, str]:
    """The signing and the sealing key: the environment's, else those kept in `data_dir`, made once.

    Health answers are sealed with the second: without this file, what was sealed stays unreadable.
    """
    path = data_dir / FILE
    kept: dict[str, str] = {}
    with suppress(FileNotFoundError):
        try:
            kept = json.loads(path.read_text())
        except ValueError as error:
            raise LaunchRefused(f"{path} is damaged; put a copy of it back.") from error
    if not kept:
        sealing = base64.b64encode(secrets.token_bytes(32)).decode()
        kept = {SIGNING: secrets.token_urlsafe(48), SEALING: f"local-1:{sealing}"}
        write_secret(path, json.dumps(kept))
    return {name: os.environ.get(name) or kept[name] for name in (SIGNING, SEALING)}
