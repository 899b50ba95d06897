"""Recognising a database that a newer version of the program has changed already."""

from pathlib import Path

import psycopg

from spa_ops.launch import logins
from spa_ops.launch.refusals import LaunchRefused

#: Not ours, so their names say nothing about this program's age.
FRAMEWORK = {"admin", "auth", "contenttypes", "sessions"}


def refuse_newer(owner_url: str, root: Path) -> None:
    """Raise LaunchRefused when the database knows migrations of our apps that this program lacks."""
    done = {each for each in applied(owner_url) if each[0] not in FRAMEWORK}
    unknown = sorted(done - known(root))
    if unknown:
        named = ", ".join(f"{app} {name}" for app, name in unknown[:3])
        raise LaunchRefused(
            f"The data was made by a newer version of this program (it has {named}); use that version."
        )


def applied(owner_url: str) -> set[tuple[str, str]]:
    """What the database has had applied, by app label and name; nothing where it is empty."""
    with logins.connect(owner_url) as owner:
        try:
            rows = owner.execute("SELECT app, name FROM django_migrations").fetchall()
        except psycopg.errors.UndefinedTable:
            return set()
    return {(str(app), str(name)) for app, name in rows}


def known(root: Path) -> set[tuple[str, str]]:
    """The migrations in the source, by app label (the last part of the app's folder) and name."""
    found = set()
    for pattern in ("*/migrations/[0-9]*.py", "*/*/migrations/[0-9]*.py"):
        for file in root.glob(pattern):
            found.add((file.parent.parent.name, file.stem))
    return found
