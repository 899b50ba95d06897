"""Callers over HTTP: a token for each team member of the invented business."""

import secrets
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.core.files.uploadedfile import UploadedFile
from django.test import Client

from spa_ops.sync.queries import drift
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Membership
from spa_ops.unit.work import reading
from tests import world
from tests.web.examples import record


class Caller:
    """A thin client: JSON in, JSON out, one bearer token. With a file in it, parts of a form in."""

    def __init__(self, secret: str | None = None, **headers: str) -> None:
        self.client = Client(raise_request_exception=True)
        self.headers = dict(headers)
        if secret:
            self.headers["Authorization"] = f"Bearer {secret}"

    def send(self, method: str, path: str, data: Any = None, **headers: str | None) -> Any:
        path = path if path.startswith("/") else f"/api/v1/{path}"
        named = {k.replace("_", "-"): v for k, v in headers.items()}
        if method == "POST":
            # As devices do: each command's outcome is stored, and a repeat would find it. None: without.
            named.setdefault("Idempotency-Key", secrets.token_hex(8))
        named = {name: value for name, value in named.items() if value is not None}
        arguments = {} if data is None else {"data": data, "content_type": "application/json"}
        if isinstance(data, dict) and any(isinstance(v, UploadedFile) for v in data.values()):
            fields = {name: value for name, value in data.items() if value is not None}
            for value in fields.values():
                if isinstance(value, UploadedFile):
                    value.seek(0)  # whoever sends it again
            arguments = {"data": fields}
        response = self.client.generic if data is None else getattr(self.client, method.lower())
        if data is None:
            found = response(method, path, headers={**self.headers, **named})
        else:
            found = response(path, headers={**self.headers, **named}, **arguments)
        found.body = found.json() if "json" in found.headers.get("Content-Type", "") else None
        if found.status_code < 300:
            record(method, path, data)
        return found

    def get(self, path: str, **headers: str) -> Any:
        return self.send("GET", path, **headers)

    def post(self, path: str, data: Any = None, **headers: str | None) -> Any:
        return self.send("POST", path, {} if data is None else data, **headers)

    def patch(self, path: str, data: Any, **headers: str) -> Any:
        return self.send("PATCH", path, data, **headers)


def secret_of(name: str) -> str:
    """A fresh token of a team member (or `stranger`, the other business's owner)."""
    person = world.uid(name)
    acting = world.stranger() if name == "stranger" else world.actor(name)
    with reading(acting.business_id):
        membership = Membership.objects.get(person_id=person)
    issued = tenancy.issue_token(
        actor=acting, now=world.clock.now(), membership_id=membership.id, days=400
    )
    return issued.secret


@pytest.fixture
def call(db) -> Iterator[Callable[[str], Caller]]:
    """`call("petra")` is Petra's client."""
    made: dict[str, Caller] = {}

    def caller(name: str) -> Caller:
        if name not in made:
            made[name] = Caller(secret_of(name)) if name else Caller()
        return made[name]

    yield caller
    with reading(world.BUSINESS):
        assert drift() == [], "a synced row was written without its change"
