"""Who may use which endpoint, as a checked-in table: `python -m tests.web.access_matrix --write`.

The endpoints come from the URL map, the roles from each view's `access`. The written table is the
reviewed diff: a role that gains or loses an endpoint shows as one changed line.
"""

import json
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver

TABLE = Path(__file__).with_name("access_matrix.json")
PREFIX = "api/v1/"
PUBLIC = "public"
REGENERATE = "python -m tests.web.access_matrix --write"


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """One method at one address; `route` as in the URL map, without the prefix."""

    method: str
    route: str
    view: Any

    @property
    def name(self) -> str:
        return f"{self.method} {self.route}"

    @property
    def template(self) -> str:
        """The address as OpenAPI writes it."""
        return "/" + PREFIX + re.sub(r"<\w+:(\w+)>", r"{\1}", self.route)

    @property
    def roles(self) -> list[str]:
        """The roles that the view's declaration lets in, or `public`."""
        allowed = self.view.access[self.method]
        return [PUBLIC] if allowed is None else sorted(role.value for role in allowed)


def addresses() -> Iterator[tuple[str, Any]]:
    """(route, view class) of every address under the prefix."""
    for route, pattern in _patterns(get_resolver().url_patterns, ""):
        if route.startswith(PREFIX):
            yield route.removeprefix(PREFIX), pattern.callback.cls


def _patterns(
    found: list[URLPattern | URLResolver], before: str
) -> Iterator[tuple[str, URLPattern]]:
    for pattern in found:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _patterns(pattern.url_patterns, route)
        else:
            yield route, pattern


def endpoints() -> list[Endpoint]:
    """Every endpoint, by address and method; with several views at one address, each its own."""
    return [
        Endpoint(method=method, route=route, view=getattr(view, "methods", {}).get(method.lower(), view))
        for route, view in sorted(addresses(), key=lambda found: found[0])
        for method in sorted(view.access)
    ]  # fmt: skip


def declared() -> dict[str, list[str]]:
    """The table as the views declare it now."""
    return {endpoint.name: endpoint.roles for endpoint in endpoints()}


def written() -> dict[str, list[str]]:
    """The checked-in table."""
    return json.loads(TABLE.read_text(encoding="utf-8"))


def write() -> None:
    """Write the table anew, one endpoint a line."""
    lines = [f"  {json.dumps(name)}: {json.dumps(roles)}" for name, roles in declared().items()]
    TABLE.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit(f"usage: {REGENERATE}")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "spa_ops.settings")
    os.environ.setdefault("SPA_OPS_ENV", "test")
    import django

    django.setup()
    write()
