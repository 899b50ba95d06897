"""The request examples of the OpenAPI document: bodies that tests sent and that were accepted.

`RECORD_EXAMPLES=FOLDER pytest tests` keeps them, `python -m tests.web.examples FOLDER` chooses one for
each endpoint and writes the table. Nothing is made up: what it shows was answered with a 2xx.
"""

import json
import os
import re
import sys
from pathlib import Path
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.urls import resolve

TABLE = Path(__file__).resolve().parents[2] / "spa_ops" / "web" / "examples.json"
#: A page of documentation, not a load test.
MOST_CHARACTERS = 1500
_VARIABLE = re.compile(r"<\w+:(\w+)>")
_UUID = re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")


def record(method: str, path: str, body: Any) -> None:
    """Keep a body that was accepted, if this run is asked to."""
    folder = os.environ.get("RECORD_EXAMPLES")
    if not folder or not body:
        return
    if isinstance(body, dict):
        body = {n: f"(bytes of {v.name})" if isinstance(v, UploadedFile) else v for n, v in body.items()}  # fmt: skip
    route = resolve(path.partition("?")[0]).route
    with (Path(folder) / f"{os.getpid()}.jsonl").open("a", encoding="utf-8") as kept:
        name = f"{method.upper()} /" + _VARIABLE.sub(r"{\1}", route)
        kept.write(json.dumps([name, body], sort_keys=True, default=str) + "\n")


def chosen(lines: list[tuple[str, Any]]) -> dict[str, Any]:
    """The fullest body of each endpoint that fits a page, with ids that stay the same."""
    found: dict[str, Any] = {}
    for name, body in lines:
        text = _with_plain_ids(json.dumps(body, sort_keys=True))
        if len(text) <= MOST_CHARACTERS:
            found[name] = max(found.get(name, ""), text, key=lambda t: (len(json.loads(t or "{}")), len(t), t))  # fmt: skip
    return {name: json.loads(text) for name, text in sorted(found.items())}


def _with_plain_ids(text: str) -> str:
    seen: dict[str, str] = {}

    def plain(match: re.Match[str]) -> str:
        number = len(seen) + 1
        return seen.setdefault(match[0], f"019df000-0000-7000-8000-{number:012}")

    return _UUID.sub(plain, text)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m tests.web.examples FOLDER")
    kept = [
        json.loads(line)
        for file in sorted(Path(sys.argv[1]).glob("*.jsonl"))
        for line in file.read_text(encoding="utf-8").splitlines()
    ]
    TABLE.write_text(
        json.dumps(chosen(kept), indent=1, ensure_ascii=False, sort_keys=True) + "\n",
        encoding="utf-8",
    )
