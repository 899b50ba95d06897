"""Endpoints of sign-in, places, people, licences, roles, tokens and devices."""

from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework.request import Request

from spa_ops.kernel.actor import Actor, Role
from spa_ops.tenancy import actions, problems
from spa_ops.tenancy.api import serializers as shapes
from spa_ops.tenancy.bodies import BUSINESS, LICENCE, LOCATION, PERSON
from spa_ops.web.entities import object_schema
from spa_ops.web.views import (
    ANYONE,
    DEVICE,
    LEADS,
    OWNER,
    READERS,
    STAFF,
    ApiView,
    Command,
    ListView,
    RowView,
    answer,
)

TOKEN_SCHEMA = object_schema(token_id="uuid", secret="str", expires_at="datetime")


def _issued(result: actions.IssuedToken) -> dict[str, Any]:
    return {
        "token_id": result.token.id,
        "secret": result.secret,
        "expires_at": result.token.expires_at,
    }


class SignIn(ApiView):
    """A bearer token for login and password, for a day, in the widest role the person has now."""

    access = {"POST": None}
    authentication_classes = ()
    problems = (problems.WrongSignIn,)
    input = shapes.SignIn
    output = TOKEN_SCHEMA
    tag = "sign-in"

    def post(self, request: Request) -> HttpResponse:
        shape = shapes.SignIn(data=request.data)
        shape.is_valid(raise_exception=True)
        return answer(_issued(actions.sign_in(now=self.now, **shape.validated_data)))


class Me(ApiView):
    """Who the server takes you for: person, role, location, device."""

    access = {"GET": ANYONE}
    tag = "sign-in"
    output = object_schema(
        business_id="uuid",
        person_id="uuid?",
        role="str",
        location_id="uuid?",
        device_id="uuid?",
        auth="str",
    )

    def get(self, request: Request) -> HttpResponse:
        actor = self.actor
        return answer({name: getattr(actor, name) for name in self.output["properties"]})


class ReadBusiness(RowView):
    """The business."""

    access = {"GET": READERS}
    entity = BUSINESS

    def get(self, request: Request, **path: Any) -> HttpResponse:
        return super().get(request, id=self.actor.business_id)


class ListLocations(ListView):
    """The locations within your reach."""

    access = {"GET": ANYONE}
    entity = LOCATION


class AddLocation(Command):
    """Add a location."""

    access = {"POST": frozenset({OWNER})}
    input = shapes.AddLocation
    entity = LOCATION
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.add_location(**given)


class ReadLocation(RowView):
    """One location."""

    access = {"GET": ANYONE}
    entity = LOCATION


class ListPeople(ListView):
    """The team members."""

    access = {"GET": READERS}
    entity = PERSON


class AddPerson(Command):
    """Add a team member, still without a role."""

    access = {"POST": LEADS}
    input = shapes.AddPerson
    entity = PERSON
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.add_person(**given)


class ReadPerson(RowView):
    """One team member."""

    access = {"GET": READERS}
    entity = PERSON


class _IdOnly(Command):
    """A command on something that no feed carries: answers its id."""

    output = object_schema(id="uuid")

    def render(self, entity_id: UUID | None) -> bytes:
        return orjson.dumps({"id": str(entity_id)})


class GrantMembership(_IdOnly):
    """Give a team member a role at a location. An inspector's ends after 72 hours unless said."""

    access = {"POST": LEADS}
    input = shapes.GrantMembership
    status = 201

    def handle(self, *, id: UUID, role: str, **given: Any) -> Any:
        return actions.grant_membership(person_id=id, role=Role(role), **given)


class EndMembership(_IdOnly):
    """End a role now; its tokens stop with it."""

    access = {"POST": LEADS}

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.end_membership(membership_id=id, **given)


class ListLicences(ListView):
    """What the boards issued to a team member."""

    access = {"GET": READERS}
    entity = LICENCE
    within = PERSON

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        return [("e.person_id = %s", [id])]


class RecordLicence(Command):
    """Record what the board issued, or a renewal."""

    access = {"POST": LEADS}
    input = shapes.RecordLicence
    entity = LICENCE
    status = 201

    def handle(self, *, person: UUID, **given: Any) -> Any:
        return actions.record_licence(person_id=person, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The licence may bring its own id: the address names the person.
        return self._command(request, person=path["id"])


class _Secret(Command):
    """Answers a secret, which is shown this once: a replay answers without it."""

    status = 201
    output = object_schema(token_id="uuid", secret="str?", expires_at="datetime?")

    def render(self, entity_id: UUID | None) -> bytes:
        return orjson.dumps({"token_id": str(entity_id), "secret": None, "expires_at": None})

    def render_result(self, result: Any, result_id: UUID | None) -> bytes:
        return orjson.dumps(_issued(result), default=str)


class IssueToken(_Secret):
    """A token for a role that you hold or may give; the secret is shown this once."""

    access = {"POST": STAFF}
    input = shapes.IssueToken

    def handle(self, **given: Any) -> Any:
        return actions.issue_token(**given)


class RevokeToken(_IdOnly):
    """End a token now."""

    access = {"POST": STAFF}

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.revoke_token(token_id=id, **given)


class RegisterDevice(_Secret):
    """Register a shared device of a location; its token is stored on it."""

    access = {"POST": LEADS}
    input = shapes.RegisterDevice

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.register_device(location_id=id, **given)


class UnlockDevice(ApiView):
    """On a shared device: prove by PIN or badge who acts. Lasts 30 minutes or until a turnover."""

    access = {"POST": frozenset({DEVICE})}
    problems = (problems.WrongPin,)
    input = shapes.UnlockDevice
    output = object_schema(person_id="uuid", expires_at="datetime")

    def post(self, request: Request) -> HttpResponse:
        shape = shapes.UnlockDevice(data=request.data)
        shape.is_valid(raise_exception=True)
        unlock = actions.unlock_device(actor=self.actor, now=self.now, **shape.validated_data)
        return answer({"person_id": unlock.person_id, "expires_at": unlock.expires_at})


class LockDevice(ApiView):
    """Lock this shared device for everyone."""

    access = {"POST": frozenset({DEVICE}) | STAFF}
    output = object_schema(locked="int")

    def post(self, request: Request) -> HttpResponse:
        actor: Actor = self.actor
        now: datetime = self.now
        if actor.device_id is None:
            return answer({"locked": 0})
        return answer(
            {"locked": actions.lock_device(actor=actor, now=now, device_id=actor.device_id)}
        )
