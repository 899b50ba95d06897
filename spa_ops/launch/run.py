"""`make run` and `make demo`: a whole program on this machine, and what to say about it."""

import json
import os
import shutil
from pathlib import Path

from spa_ops.launch import databases
from spa_ops.launch.account import make_folder
from spa_ops.launch.instance import HOST, ROOT, Instance, Wish, command_exists, instance
from spa_ops.launch.processes import Stopped, stop_on_signals
from spa_ops.launch.redis_server import free_port
from spa_ops.launch.refusals import LaunchRefused

PORT, STREAM_PORT = 8080, 8081
SIGN_INS = "demo-sign-ins.json"
LOAD_DEMO, PLAY_DAY = "load_demo", "demo_day"


def default_data_dir() -> Path:
    return Path(os.environ.get("SPA_OPS_DATA") or ROOT / ".data")


def run() -> int:
    """Start everything, say where it is, and stay until stopped; 0 when somebody stopped us."""
    stop_on_signals()
    wish = Wish(data_dir=default_data_dir(), **_ports())
    make_folder(wish.data_dir)
    try:
        with instance(wish, databases.database(wish.data_dir)) as one:
            print(f"Database: {one.database.source}", flush=True)
            # SPA_OPS_DEMO=no is for who begins with a business of their own.
            if command_exists(LOAD_DEMO) and os.environ.get("SPA_OPS_DEMO") != "no":
                one.manage(LOAD_DEMO, "--if-empty")
            one.start()
            print(welcome(one), flush=True)
            one.watch()
    except Stopped:
        print("\nStopped.", flush=True)
    return 0


def demo() -> int:
    """A private program in a folder of its own, one day driven through it, and nothing left of it."""
    if not command_exists(PLAY_DAY):
        raise LaunchRefused(f"There is no day to play yet: no app brings `manage.py {PLAY_DAY}`.")
    stop_on_signals()
    # Its own folder beside the real one, so that it takes room where the person expects it.
    data_dir = default_data_dir() / f"demo-{os.getpid()}"
    make_folder(data_dir)
    wish = Wish(data_dir=data_dir, port=free_port(), stream_port=free_port())
    try:
        with instance(wish, databases.private_database(data_dir)) as one:
            offset = data_dir / "clock-offset"
            one.environment["SPA_OPS_CLOCK_OFFSET_FILE"] = str(offset)
            if command_exists(LOAD_DEMO):
                one.manage(LOAD_DEMO, "--if-empty")
            one.start()
            one.environment["SPA_OPS_BASE_URL"] = one.url
            one.manage(PLAY_DAY)
    except Stopped:
        return 130
    finally:
        shutil.rmtree(data_dir, ignore_errors=True)
    return 0


def welcome(one: Instance) -> str:
    """The addresses, where things are kept, and the sign-ins of the invented business if there is one."""
    lines = [
        "",
        "Spa operations is running.",
        f"  web         {one.url}/",
        f"  API docs    {one.url}/api/docs",
    ]
    if one.has_stream:
        lines.append(f"  streams     http://{HOST}:{one.wish.stream_port}/")
    lines += [
        f"  database    {one.database.source}",
        f"  queue       {one.queue}",
        f"  logs        {one.family.logs}",
    ]
    lines += _sign_ins(one.wish.data_dir / SIGN_INS)
    return "\n".join([*lines, "Ctrl-C stops everything."])


def _sign_ins(path: Path) -> list[str]:
    try:
        people = json.loads(path.read_text())
        rows = [[str(p[key]) for key in ("role", "name", "login", "password")] for p in people]
    except (OSError, ValueError, TypeError, KeyError):
        return []
    widths = [max(len(row[column]) for row in rows) for column in range(4)] if rows else []
    lines = ["", "Sign-ins of the invented demo business (role, name, login, password):"]
    for row in rows:
        lines.append(
            "  " + "  ".join(w.ljust(n) for w, n in zip(row, widths, strict=True)).rstrip()
        )
    return lines


def _ports() -> dict[str, int]:
    port = _number("PORT", PORT)
    # Beside a chosen port, so that a second checkout needs one variable only.
    return {
        "port": port,
        "stream_port": _number("STREAM_PORT", STREAM_PORT if port == PORT else port + 1),
    }


def _number(name: str, default: int) -> int:
    text = os.environ.get(name) or str(default)
    if not text.isascii() or not text.isdigit() or not 0 < int(text) < 65536:
        raise LaunchRefused(f"{name} is {text!r}; it must be a number from 1 to 65535.")
    return int(text)
