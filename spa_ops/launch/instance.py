"""One running program: its database, its secrets, and its processes, ready to be used."""

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

from spa_ops.launch import embedded, migrations, queue_schema
from spa_ops.launch.databases import Database
from spa_ops.launch.processes import LAST_LINES, Family
from spa_ops.launch.refusals import LaunchRefused
from spa_ops.launch.secret_files import program_secrets

ROOT = Path(__file__).resolve().parents[2]
HOST = "127.0.0.1"
START_SECONDS = 60.0
LOOK_SECONDS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What to start and where."""

    data_dir: Path
    port: int
    stream_port: int


@dataclass(slots=True, kw_only=True)
class Instance:
    """A program that answers at `url`."""

    wish: Wish
    database: Database
    environment: dict[str, str]
    family: Family

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.wish.port}"

    @property
    def has_stream(self) -> bool:
        return (ROOT / "spa_ops" / "asgi.py").exists()

    @property
    def queue(self) -> str:
        given = self.environment.get("SPA_OPS_BROKER_URL") or self.environment.get("REDIS_URL")
        return "Redis" if given else "the database"

    def manage(self, *words: str) -> None:
        """Run one of manage.py's commands; its words reach the person, its failure stops the launch."""
        command = [sys.executable, "manage.py", *words]
        done = subprocess.run(command, cwd=ROOT, env=self.environment, check=False)
        if done.returncode != 0:
            raise LaunchRefused(f"`manage.py {' '.join(words)}` failed; see above.")

    def migrate(self) -> None:
        migrations.refuse_newer(self.database.owner_url, ROOT)
        command = [
            sys.executable,
            "manage.py",
            "migrate",
            "--database",
            "owner",
            "--verbosity",
            "0",
        ]
        done = subprocess.run(
            command, cwd=ROOT, env=self.environment, capture_output=True, text=True, check=False
        )
        if done.returncode == 0:
            return
        words = (done.stderr or done.stdout).strip().splitlines()[-LAST_LINES:]
        if any("No space left on device" in line for line in words):
            raise LaunchRefused("The disk is full: the tables could not be made; free some space.")
        raise LaunchRefused(
            "The tables could not be made:\n" + "\n".join(f"  {line}" for line in words)
        )

    def start(self) -> None:
        """Start the processes and wait until the web answers."""
        for name, command in commands(self).items():
            self.family.start(name, command)
        deadline = time.monotonic() + START_SECONDS
        while not answers(f"{self.url}/api/v1/health"):
            self.family.check()
            if time.monotonic() > deadline:
                words = self.family.children[0].last_lines()
                raise LaunchRefused(f"The web did not answer in {START_SECONDS:.0f} s:\n{words}")
            time.sleep(0.1)

    def watch(self) -> None:
        """Stay until somebody stops us; raises LaunchRefused when a process ends by itself."""
        while True:
            self.family.check()
            if self.database.server and not embedded.is_up(self.database.server):
                embedded.ensure(self.wish.data_dir, durable=self.database.server.durable)
            time.sleep(LOOK_SECONDS)


@contextmanager
def instance(wish: Wish, database: AbstractContextManager[Database]) -> Iterator[Instance]:
    """A migrated instance inside the block, not started yet; whatever it started ends with the block."""
    for name, port in (("PORT", wish.port), ("STREAM_PORT", wish.stream_port)):
        refuse_taken(name, port)
    secrets = program_secrets(wish.data_dir)
    with database as rows:
        environment = {
            **os.environ,
            **rows.environment,
            **secrets,
            "SPA_OPS_ENV": "development",
            "SPA_OPS_DATA": str(wish.data_dir),
            "PYTHONUNBUFFERED": "1",
        }
        family = Family(logs=wish.data_dir / "logs", environment=environment, folder=ROOT)
        one = Instance(wish=wish, database=rows, environment=environment, family=family)
        try:
            one.migrate()
            if one.queue == "the database":
                queue_schema.prepare(rows.owner_url)
            yield one
        finally:
            family.stop()


def commands(one: Instance) -> dict[str, list[str]]:
    """Each process's command by its name, in the order of starting."""
    web = ["gunicorn", "spa_ops.wsgi:application", "--bind", f"{HOST}:{one.wish.port}"]
    web += ["--workers", os.environ.get("WEB_WORKERS", "3"), "--no-control-socket"]
    stream = ["uvicorn", "spa_ops.asgi:application", "--host", HOST]
    stream += ["--port", str(one.wish.stream_port), "--timeout-graceful-shutdown", "3"]
    worker = [
        "celery",
        "-A",
        "spa_ops.celery",
        "worker",
        "--concurrency",
        "2",
        "--loglevel",
        "warning",
    ]
    worker += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    beat = ["celery", "-A", "spa_ops.celery", "beat", "--loglevel", "warning"]
    chosen = {"web": web}
    if one.has_stream:
        chosen["stream"] = stream
    chosen |= {"worker": worker, "beat": beat}
    return {name: [sys.executable, "-m", *command] for name, command in chosen.items()}


def command_exists(name: str) -> bool:
    """Whether one of the apps brings this command of manage.py."""
    places = ("*/management/commands", "*/*/management/commands")
    return any(any(ROOT.glob(f"{place}/{name}.py")) for place in places)


def answers(url: str) -> bool:
    """Whether something speaks HTTP there, whatever it says."""
    try:
        with urllib.request.urlopen(url, timeout=5):
            return True
    except urllib.error.HTTPError as error:
        error.close()
        return True
    except OSError:
        return False


def refuse_taken(name: str, port: int) -> None:
    """Raise LaunchRefused where another program listens on `port`."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except PermissionError as error:
            raise LaunchRefused(
                f"Port {port} is for root only; set {name} to one above 1023."
            ) from error
        except OSError as error:
            raise LaunchRefused(
                f"Port {port} is taken by another program; stop that one, or set {name} to a free port."
            ) from error
