"""Who is calling: a bearer token, or the docs page's session cookie with CSRF protection."""

from hashlib import sha256
from typing import Any
from uuid import UUID

from django.db import connection
from rest_framework.authentication import BaseAuthentication, CSRFCheck
from rest_framework.request import Request

from spa_ops.kernel.actor import Actor, Auth
from spa_ops.kernel.problems import NotAllowed, NotAuthenticated
from spa_ops.tenancy.queries import actor_for


class TokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer ...`, with `Acting-Person` on a shared device; else a session cookie."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        header = request.META.get("HTTP_AUTHORIZATION", "")
        if header:
            return bearer(header, request.META.get("HTTP_ACTING_PERSON", "")), None
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


def bearer(authorization: str, acting_person: str) -> Actor:
    """The actor behind the two headers of a call without a session; raises `NotAuthenticated`."""
    scheme, _, secret = authorization.partition(" ")
    if scheme.lower() != "bearer" or not secret.strip():
        raise NotAuthenticated
    try:
        acting = UUID(acting_person) if acting_person else None
    except ValueError:
        raise NotAuthenticated from None
    return actor_for(sha256(secret.strip().encode()).digest(), acting)
