"""The container files: valid by the published schema, without secrets, and with commands that exist."""

import copy
import fnmatch
import importlib
import json
import secrets
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.conf import settings
from django.core.management import get_commands
from jsonschema import Draft201909Validator

from spa_ops.launch import __main__ as launch
from spa_ops.launch import serving
from spa_ops.launch.databases import with_name
from spa_ops.launch.embedded import Server
from spa_ops.launch.refusals import LaunchRefused
from tests.launch.compose_file import (
    ROOT,
    VARIABLE,
    compose,
    our_services,
    python_commands,
    services,
)

SCHEMA = json.loads((Path(__file__).parent / "compose_spec/compose-spec.json").read_text())
TEXT = (ROOT / "docker-compose.yml").read_text()
DOCKERFILE = (ROOT / "Dockerfile").read_text().splitlines()
COMMANDS = [
    pytest.param(words, id=f"{name}-{index}")
    for name, service in our_services().items()
    for index, words in enumerate(python_commands(service))
]


def problems(file: dict[str, Any]) -> list[str]:
    # The schema names its own parts in an older draft's manner; the validator is told which it follows.
    return [error.message for error in Draft201909Validator(SCHEMA).iter_errors(file)]


def test_the_file_is_valid_by_the_compose_specification() -> None:
    """JSON schema of the Compose Specification (see compose_spec/README.md)."""
    assert problems(compose()) == []


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [
        ("web", "comand", ["x"]),
        ("web", "ports", 8080),
        ("redis", "healthcheck", {"test": ["CMD"], "every": "5s"}),
        ("beat", "depends_on", {"migrate": {"condition": "done"}}),
    ],
)
def test_the_schema_would_notice(part: str, key: str, value: object) -> None:
    broken = copy.deepcopy(compose())
    broken["services"][part][key] = value
    assert problems(broken)


def test_the_parts_are_there_with_restart_health_and_volumes() -> None:
    parts = services()
    lasting = {"postgres", "redis", "web", "stream", "worker", "beat"}
    assert set(parts) == lasting | {"migrate"}
    for name in lasting:
        assert parts[name]["restart"] == "unless-stopped", name
        assert parts[name]["healthcheck"]["test"], name
    for name in ("postgres", "redis"):
        volume = parts[name]["volumes"][0].split(":")[0]
        assert volume in compose()["volumes"]


def test_nothing_of_ours_starts_before_the_tables_are_there() -> None:
    for name, part in our_services().items():
        if name != "migrate":
            assert part["depends_on"]["migrate"]["condition"] == "service_completed_successfully"
    assert services()["migrate"]["depends_on"]["postgres"]["condition"] == "service_healthy"


def test_every_variable_is_required_and_says_what_it_is() -> None:
    named = VARIABLE.findall(TEXT)
    assert len(named) == TEXT.count("${"), "a variable with a default, or without a word of help"
    assert all(len(what) > 10 for _, what in named)
    head = TEXT.partition("x-program")[0]
    assert all(name in head for name, _ in named), "the file's head names every variable"


def test_no_secret_is_written_down() -> None:
    for name, part in services().items():
        for variable, value in part.get("environment", {}).items():
            if any(word in variable for word in ("PASSWORD", "SECRET", "KEYS")):
                assert VARIABLE.fullmatch(value), f"{name}: {variable}"
            if "://" in value:
                password = value.partition("://")[2].partition("@")[0].rpartition(":")[2]
                bare = (
                    VARIABLE.sub("", value).partition("://")[2].partition("@")[0].partition(":")[2]
                )
                assert password, f"{name}: {variable}"
                assert bare == "", f"{name}: {variable} holds a password"


def test_only_the_one_that_migrates_knows_the_owners_login() -> None:
    for name, part in our_services().items():
        environment = part["environment"]
        assert environment["SPA_OPS_ENV"] == "production"
        assert environment["DATABASE_URL"].startswith("postgresql://spa_ops_web:")
        knows = {key for key in environment if key in {"DATABASE_OWNER_URL", "DATABASE_ADMIN_URL"}}
        assert bool(knows) == (name == "migrate"), name


def test_only_web_and_stream_are_reached_from_outside_and_by_this_machine_alone() -> None:
    published = {name: part["ports"] for name, part in services().items() if "ports" in part}
    assert set(published) == {"web", "stream"}
    assert all(port.startswith("127.0.0.1:") for ports in published.values() for port in ports)


@pytest.mark.parametrize("words", COMMANDS)
def test_each_command_exists_and_takes_its_options(words: list[str]) -> None:
    match words[1:]:
        case ["manage.py", command, *_]:
            assert command in get_commands()
        case ["-m", "spa_ops.launch", verb, *rest]:
            assert verb in launch.VERBS
            assert verb != "healthy" or rest in (["web"], ["stream"], ["beat"])
        case ["-m", "gunicorn", application, *rest]:
            from gunicorn.config import Config

            Config().parser().parse_args([application, *rest])
            exists(application)
        case ["-m", "uvicorn", application, *rest]:
            from uvicorn.main import main

            main.make_context("uvicorn", [application, *rest])
            if not (ROOT / "spa_ops/asgi.py").exists():
                pytest.skip("the stream's application is not written yet")
            exists(application)
        case ["-m", "celery", *rest]:
            from celery.bin.celery import celery

            takes_options(celery, ["--skip-checks", *rest])
        case _:
            raise AssertionError(f"unknown command: {words}")


def exists(application: str) -> None:
    module, _, name = application.partition(":")
    assert callable(getattr(importlib.import_module(module), name))


def takes_options(group: Any, words: list[str]) -> None:
    """Parse as click would, without running anything."""
    words = [w for w in words if w != "--skip-checks"]
    assert words[0] == "-A"
    assert find_spec(words[1]) is not None
    command = group.commands[words[2]]
    rest = words[3:]
    if words[2] == "inspect":
        assert rest[0] == "ping"
        return
    with command.make_context(words[2], [*rest], resilient_parsing=False, obj=FakeApp()):
        pass


class FakeApp:
    """What Celery's options look at while they are parsed: the configuration of our application."""

    def __init__(self) -> None:
        from spa_ops.celery import app

        self.app = app


def test_the_image_runs_unprivileged_and_holds_no_secret() -> None:
    users = [line.split()[1] for line in DOCKERFILE if line.startswith("USER")]
    assert users[-1] not in {"root", "0"}
    assert [line for line in DOCKERFILE if line.startswith("FROM")] == ["FROM python:3.12-slim"]
    given = [line for line in DOCKERFILE if line.startswith(("ENV", "ARG"))]
    assert not [
        line for line in given if any(w in line for w in ("SECRET", "PASSWORD", "KEY", "URL"))
    ]
    assert any("--require-hashes" in line for line in DOCKERFILE)


def test_the_image_has_every_app_and_nothing_that_is_not_there() -> None:
    copied = {word for line in DOCKERFILE if line.startswith("COPY") for word in line.split()[1:-1]}
    assert all((ROOT / word).exists() for word in copied)
    ours = {name.partition(".")[0] for name in settings.INSTALLED_APPS}
    ours = {name for name in ours if (ROOT / name).is_dir()}
    assert ours <= copied
    ignored = (ROOT / ".dockerignore").read_text().split()
    assert ignored.count("*") == 1
    for word in copied:
        assert any(fnmatch.fnmatch(f"!{word}", rule) for rule in ignored), f"{word} is kept out"


def test_prepare_database_makes_two_logins_that_can_work(
    ensure: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    server: Server = ensure()
    base = with_name(server.admin_url, "fresh").partition("@")[2]
    urls = {
        "DATABASE_ADMIN_URL": server.admin_url,
        "DATABASE_OWNER_URL": f"postgresql://fresh_owner:{secrets.token_hex(8)}@{base}",
        "DATABASE_URL": f"postgresql://fresh_web:{secrets.token_hex(8)}@{base}",
    }
    for name, url in urls.items():
        monkeypatch.setenv(name, url)
    for _ in range(2):
        assert serving.prepare_database() == 0
    with psycopg.connect(urls["DATABASE_OWNER_URL"]) as owner:
        owner.execute("CREATE TABLE made (n int)")
    with psycopg.connect(urls["DATABASE_URL"], options="-c role=spa_ops_app") as app:
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("SELECT * FROM made")


@pytest.mark.parametrize(
    ("owner", "app", "words"),
    [
        ("", "postgresql://a:b@h/d", "Set DATABASE_OWNER_URL"),
        ("postgresql://a:b@h/d", "postgresql://a:b@h/d", "two logins"),
        ("postgresql://a@h/d", "postgresql://b:c@h/d", "each with a password"),
    ],
)
def test_prepare_database_wants_two_logins(
    monkeypatch: pytest.MonkeyPatch, owner: str, app: str, words: str
) -> None:
    monkeypatch.setenv("DATABASE_ADMIN_URL", "postgresql://x:y@127.0.0.1:1/postgres")
    monkeypatch.setenv("DATABASE_OWNER_URL", owner)
    monkeypatch.setenv("DATABASE_URL", app)
    with pytest.raises(LaunchRefused, match=words):
        serving.prepare_database()


def test_a_part_that_does_not_live_is_unhealthy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PORT", "1")
    monkeypatch.setenv("SPA_OPS_BEAT_FILE", str(tmp_path / "beat"))
    assert [serving.healthy(part) for part in ("web", "stream", "beat")] == [1, 1, 1]
    (tmp_path / "beat").touch()
    assert serving.healthy("beat") == 0
    with pytest.raises(LaunchRefused, match="no part 'kettle'"):
        serving.healthy("kettle")
