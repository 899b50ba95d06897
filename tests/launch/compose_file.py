"""docker-compose.yml and Dockerfile as Python values, for the tests that hold them to something."""

import re
import shlex
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
#: `${NAME:?what to do}`, the only form that the file may use: a missing variable stops the start.
VARIABLE = re.compile(r"\$\{(\w+):\?([^}]+)\}")


def compose() -> dict[str, Any]:
    return dict(yaml.safe_load((ROOT / "docker-compose.yml").read_text()))


def services() -> dict[str, dict[str, Any]]:
    return dict(compose()["services"])


def our_services() -> dict[str, dict[str, Any]]:
    """Those that run this program's image."""
    return {name: each for name, each in services().items() if "build" in each}


def python_commands(service: dict[str, Any]) -> list[list[str]]:
    """The argument lists that a service's command and health check run with Python."""
    found = []
    for words in (service["command"], service.get("healthcheck", {}).get("test", [])):
        words = words[1:] if words[:1] in (["CMD"], ["CMD-SHELL"]) else words
        if words[:2] == ["sh", "-c"]:
            words = words[2:]
        for line in words if len(words) == 1 else [shlex.join(words)]:
            parts = [shlex.split(part) for part in line.split("&&")]
            found += [[w for w in part if w != "exec"] for part in parts]
    return [words for words in found if words[:1] == ["python"]]


def interpolated(text: str, variables: dict[str, str]) -> str:
    """What Docker Compose makes of a value: variables put in, `$$` made `$`."""
    return VARIABLE.sub(lambda found: variables[found[1]], str(text)).replace("$$", "$")
