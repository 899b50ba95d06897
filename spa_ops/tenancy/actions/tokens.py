"""Bearer tokens, signing in and out."""

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID

from django.contrib.auth.hashers import check_password, make_password
from django.db import connection

from spa_ops.kernel.actor import Actor, Auth, Role
from spa_ops.kernel.problems import NotAllowed, NotAuthenticated, NotFound
from spa_ops.tenancy import queries
from spa_ops.tenancy.actions.people import MAY_GRANT
from spa_ops.tenancy.models import (
    Membership,
    Token,
)
from spa_ops.tenancy.problems import WrongSignIn
from spa_ops.unit.work import action, current, run

TOKEN_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedToken:
    """A token and its secret, which is shown this once."""

    token: Token
    secret: str


def new_token(now: datetime, label: str, days: int, **bearer: Any) -> IssuedToken:
    secret = secrets.token_urlsafe(32)
    token = Token(
        business_id=current().actor.business_id,
        secret_hash=sha256(secret.encode()).digest(),
        label=label,
        issued_at=now,
        expires_at=now + timedelta(days=days),
        **bearer,
    )
    token.save(force_insert=True)
    current().evidence(
        "token.issued",
        location_id=None,
        subject_id=token.id,
        facts={"token_id": token.id, "expires_at": token.expires_at},
    )
    return IssuedToken(token=token, secret=secret)


@action
def issue_token(
    *, actor: Actor, now: datetime, membership_id: UUID, label: str = "", days: int = TOKEN_DAYS
) -> IssuedToken:
    """A bearer token for a role that the actor holds or may give. It never outlives the role."""
    row = Membership.objects.filter(id=membership_id).first()
    if row is None or (row.location_id and not actor.covers(row.location_id)):
        raise NotFound
    if row.person_id != actor.person_id and Role(row.role) not in MAY_GRANT.get(actor.role, set()):
        raise NotAllowed(needed="owner")
    if row.valid_until is not None and row.valid_until <= now:
        raise NotFound
    return new_token(now, label, days, membership=row)


@action
def revoke_token(*, actor: Actor, now: datetime, token_id: UUID) -> Token:
    """End a token now. One's own always; others' by a lead (own location) or the owner."""
    token = (
        Token.objects.select_for_update(of=("self",), no_key=True)
        .select_related("membership", "device")
        .filter(id=token_id)
        .first()
    )
    if token is None:
        raise NotFound
    bearer = token.membership or token.device
    own = token.membership and token.membership.person_id == actor.person_id
    if not own and (actor.role not in {None, Role.LEAD, Role.OWNER} or not _reaches(actor, bearer)):
        raise NotFound
    token.revoked_at = token.revoked_at or now
    token.save(update_fields=["revoked_at"])
    current().evidence(
        "token.revoked", location_id=None, subject_id=token.id, facts={"token_id": token.id}
    )
    return token


def _reaches(actor: Actor, bearer: Any) -> bool:
    return actor.location_id is None or bearer.location_id == actor.location_id


def sign_in(*, login: str, password: str, now: datetime) -> IssuedToken:
    """A token for the widest role the person has now. Raises `WrongSignIn`, alike for every reason."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM tenancy_person_by_login(%s)", [login])
        row = cursor.fetchone()
    # A hash is checked also for an unknown login, so that time does not tell who exists.
    stored = row[2] if row and row[2] else make_password("nobody")
    if not check_password(password, stored) or row is None:
        raise WrongSignIn
    business_id, person_id = row[0], row[1]
    actor = Actor(business_id=business_id, role=None, auth=Auth.SYSTEM, person_id=person_id)

    def body() -> IssuedToken:
        found = queries.memberships(person_id, now)
        if not found:
            raise WrongSignIn
        return new_token(now, "sign-in", 1, membership=found[0])

    return run(body, actor=actor, now=now)  # type: ignore[return-value]


def sign_out(*, token_id: UUID, now: datetime) -> None:
    """Revoke the token behind a browser session, if it still lives."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT tenancy_token_secret(%s)", [token_id])
        stored = cursor.fetchone()[0]
    if stored is None:
        return
    try:
        actor = queries.actor_for(bytes(stored), None, auth=Auth.SESSION)
    except NotAuthenticated:
        return
    revoke_token(actor=actor, now=now, token_id=UUID(str(token_id)))
