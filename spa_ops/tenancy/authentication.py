"""Who is calling: a bearer token, or the docs page's session cookie with CSRF protection."""

from hashlib import sha256
from typing import Any
from uuid import UUID

from django.db import connection
from rest_framework.authentication import BaseAuthentication, CSRFCheck
from rest_framework.request import Request

from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Auth, Role
from spa_ops.kernel.problems import NotAllowed, NotAuthenticated


class TokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer ...`, with `Acting-Person` on a shared device; else a session cookie."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        header = request.META.get("HTTP_AUTHORIZATION", "")
        scheme, _, secret = header.partition(" ")
        if header:
            if scheme.lower() != "bearer" or not secret.strip():
                raise NotAuthenticated
            return actor_for(sha256(secret.strip().encode()).digest(), _acting(request)), None
        token_id = (
            request._request.session.get("token") if hasattr(request._request, "session") else None
        )
        if token_id is None:
            return None
        self._check_csrf(request)
        with connection.cursor() as cursor:
            cursor.execute("SELECT tenancy_token_secret(%s)", [token_id])
            stored = cursor.fetchone()[0]
        if stored is None:
            raise NotAuthenticated
        return actor_for(bytes(stored), None, auth=Auth.SESSION), None

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"

    @staticmethod
    def _check_csrf(request: Request) -> None:
        def no_response(_: Any) -> None:
            return None

        check = CSRFCheck(no_response)
        check.process_request(request._request)
        if check.process_view(request._request, None, (), {}):
            raise NotAllowed(needed="a CSRF token")


def _acting(request: Request) -> UUID | None:
    text = request.META.get("HTTP_ACTING_PERSON", "")
    try:
        return UUID(text) if text else None
    except ValueError:
        raise NotAuthenticated from None


def actor_for(secret_hash: bytes, acting: UUID | None, auth: Auth | None = None) -> Actor:
    """The actor behind a token's hash at this moment; raises `NotAuthenticated`."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT * FROM tenancy_authenticate(%s, %s, %s)", [secret_hash, clock.now(), acting]
        )
        row = cursor.fetchone()
    if row is None:
        raise NotAuthenticated
    token_id, business_id, person_id, role, location_id, device_id, how = row
    return Actor(
        business_id=business_id,
        role=Role(role),
        auth=auth or Auth(how),
        person_id=person_id,
        location_id=location_id,
        device_id=device_id,
        token_id=token_id,
    )
