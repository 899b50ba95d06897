"""The shapes of our endpoints: one row, a list, a command. Each names who may use it.

A request is parsed here, decided and written by one action, and read back by a query.
"""

import base64
import binascii
import json
from collections.abc import Callable
from datetime import datetime
from hashlib import sha256
from typing import Any, ClassVar
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.request import Request
from rest_framework.views import APIView

from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import (
    ActingPersonRequired,
    InvalidInput,
    MalformedRequest,
    NotAllowed,
    NotAuthenticated,
    PreconditionRequired,
    Problem,
    invalid,
)
from spa_ops.unit.work import Outcome, RequestKey, reading, run
from spa_ops.web import bodies, limits
from spa_ops.web.entities import Entity
from spa_ops.web.parsing import (
    NO_OFFSET,
    NO_SUCH_DAY,
    PARSERS,
    is_plain,
    lacks_offset,
    names_no_day,
    said_wrong,
)

FRONT_DESK, PRACTITIONER, LEAD, OWNER = Role.FRONT_DESK, Role.PRACTITIONER, Role.LEAD, Role.OWNER
INSPECTOR, DEVICE = Role.INSPECTOR, Role.DEVICE
STAFF = frozenset({FRONT_DESK, PRACTITIONER, LEAD, OWNER})
DESK = frozenset({FRONT_DESK, LEAD, OWNER})
FLOOR = frozenset({PRACTITIONER, LEAD, OWNER})
LEADS = frozenset({LEAD, OWNER})
ANYONE = frozenset(Role)
READERS = ANYONE - {INSPECTOR}


class ApiView(APIView):
    """Base of all endpoints: `access` says which roles may use which method; None means public."""

    metadata_class = None
    access: ClassVar[dict[str, frozenset[Role] | None]] = {}
    problems: ClassVar[tuple[type[Problem], ...]] = ()
    tag: ClassVar[str] = ""
    #: Query parameters besides `limit` and `cursor`: name -> (type word, description).
    parameters: ClassVar[dict[str, tuple[str, str]]] = {}
    paging: ClassVar[frozenset[str]] = frozenset()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self.now = clock.now()
        super().initial(request, *args, **kwargs)
        method = "GET" if request.method == "HEAD" else request.method or ""
        if method not in self.access:
            # Whatever else a class may have inherited: nobody was let in to it.
            raise MethodNotAllowed(method)
        allowed = self.access[method]
        if allowed is None:
            return
        actor = request.user
        if not isinstance(actor, Actor):
            raise NotAuthenticated
        self.allowance = limits.spend(actor, self.now)
        if actor.role not in allowed:
            if actor.role is Role.DEVICE:
                raise ActingPersonRequired
            raise NotAllowed(needed=", ".join(sorted(allowed)))
        self.actor = actor
        self.check_parameters(request)

    def check_parameters(self, request: Request) -> None:
        """Refuse what means nothing: who asks for `?on=` another day must not get today's answer."""
        if unknown := sorted(set(request.query_params) - self.parameters.keys() - self.paging):
            raise InvalidInput(
                *(
                    {"pointer": f"?{name}", "code": "unknown", "message": NO_PARAMETER}
                    for name in unknown
                )
            )

    def finalize_response(
        self, request: Request, response: HttpResponse, *args: Any, **kwargs: Any
    ) -> HttpResponse:
        allowance = getattr(self, "allowance", None)
        if allowance is not None:
            response["RateLimit-Limit"] = str(allowance.limit)
            response["RateLimit-Remaining"] = str(allowance.remaining)
            response["RateLimit-Reset"] = str(allowance.reset_seconds)
        response["Cache-Control"] = "no-store"
        return super().finalize_response(request, response, *args, **kwargs)

    def query(self, name: str) -> Any:
        """One query parameter parsed by its type word, or None; raises `InvalidInput`."""
        text = self.request.query_params.get(name)
        if text is None or text == "":
            return None
        kind = self.parameters[name][0]
        try:
            return PARSERS[kind](text)
        except (ValueError, OverflowError):
            raise InvalidInput(
                {"pointer": f"?{name}", "code": "invalid", "message": said_wrong(kind, text)}
            ) from None


NO_PARAMETER = "is not a parameter of this request"


def json_response(text: str | bytes, status: int = 200) -> HttpResponse:
    """JSON that is made already, as an answer."""
    return HttpResponse(text, status=status, content_type="application/json")


def answer(value: Any, status: int = 200) -> HttpResponse:
    """A plain value as a JSON answer; instants in RFC 3339."""
    return json_response(orjson.dumps(value, default=str, option=orjson.OPT_NON_STR_KEYS), status)


def body_response(body: bodies.Body, status: int = 200) -> HttpResponse:
    """One row with its ETag."""
    response = json_response(body.json, status)
    response["ETag"] = f'"{body.version}"'
    return response


class RowView(ApiView):
    """GET one row: its body from SQL, with ETag; If-None-Match answers 304."""

    entity: ClassVar[Entity]

    def get(self, request: Request, **path: Any) -> HttpResponse:
        with reading(self.actor.business_id):
            body = bodies.body(self.entity, path["id"], self.actor)
        if request.META.get("HTTP_IF_NONE_MATCH") == f'"{body.version}"':
            response = HttpResponse(status=304)
            response["ETag"] = f'"{body.version}"'
            return response
        return body_response(body)


class ListView(ApiView):
    """GET a list: `{"items": [...], "next": cursor or null}`, keyset pagination, one statement
    (and one for what it is `within`), however many rows.
    """

    entity: ClassVar[Entity]
    #: For a list at `things/{id}/parts`: what the address names. Without it within reach, 404.
    within: ClassVar[Entity | None] = None
    order: ClassVar[str] = "e.id"
    order_type: ClassVar[str] = "uuid"
    paging = frozenset({"limit", "cursor"})

    def filters(self, **path: Any) -> list[tuple[str, list[Any]]]:
        """SQL conditions over `e` with parameters, from the query."""
        return []

    def get(self, request: Request, **path: Any) -> HttpResponse:
        limit = page_limit(request, 50, 200)
        after = decode_position(request.query_params.get("cursor"))
        with reading(self.actor.business_id):
            if self.within is not None:
                bodies.require(self.within, path["id"], self.actor)
            where = self.filters(**path)
            items, position = bodies.page(
                self.entity,
                self.actor,
                where=where,
                order=self.order,
                order_type=self.order_type,
                after=after,
                limit=limit,
            )
        following = orjson.dumps(encode_position(position)).decode()
        return json_response('{"items":[' + ",".join(items) + '],"next":' + following + "}")


def page_limit(request: Request, default: int, most: int) -> int:
    """`limit` from the query, 1 to `most`; raises `InvalidInput`."""
    text = request.query_params.get("limit", "")
    if not text:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 6 and 1 <= int(text) <= most):
        raise InvalidInput(
            {"pointer": "?limit", "code": "invalid", "message": f"must be 1 to {most}"}
        )
    return int(text)


def encode_position(position: tuple[str, str] | None) -> str | None:
    """A place in a list as an opaque cursor."""
    if position is None:
        return None
    return base64.urlsafe_b64encode(orjson.dumps(position)).decode().rstrip("=")


def decode_position(text: str | None) -> tuple[str, str] | None:
    """The place that a cursor names; raises `MalformedRequest`."""
    if not text:
        return None
    try:
        order, row_id = orjson.loads(
            base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
        )
        if not isinstance(order, str) or "\x00" in order:
            raise MalformedRequest(reason="The cursor is not one that this server gave out.")
        return order, str(UUID(row_id))
    except (ValueError, binascii.Error, TypeError, AttributeError) as error:
        raise MalformedRequest(reason="The cursor is not one that this server gave out.") from error


class NoInput(serializers.Serializer):  # type: ignore[type-arg]
    """For commands that need nothing said."""


_OF_A_DAY = (serializers.DateField, serializers.DateTimeField)


class Strict(serializers.Serializer):  # type: ignore[type-arg]
    """Input that refuses unknown fields: a typo in a safety question must not pass as silence.

    An instant without an offset is refused: a time of the wall clock would be taken for UTC.
    """

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            unknown = set(data) - {n for n, f in self.fields.items() if not f.read_only}
            wrong = {
                name: serializers.ErrorDetail("is not a field of this request", "unknown")
                for name in unknown
            }
            for name, field in self.fields.items():
                given = data.get(name)
                if isinstance(field, serializers.DateTimeField) and lacks_offset(given):
                    wrong[name] = serializers.ErrorDetail(NO_OFFSET, "invalid")
                elif isinstance(field, _OF_A_DAY) and names_no_day(given):
                    wrong[name] = serializers.ErrorDetail(NO_SUCH_DAY, "invalid")
            if wrong:
                raise serializers.ValidationError(wrong)
        return super().to_internal_value(data)


class Command(ApiView):
    """POST a command: parse, one action, the row read back. Takes an `Idempotency-Key`.

    `handle` returns a row with `id` (whose entity's body is the answer). Override `render` where
    the answer is something else than the row.
    """

    input: ClassVar[type[serializers.Serializer]] = NoInput  # type: ignore[type-arg]
    entity: ClassVar[Entity | None] = None
    status: ClassVar[int] = 200
    needs_match: ClassVar[bool] = False
    #: Whether an `If-Match` that is sent, though none is needed, must hold (RFC 9110, 13.1.1).
    takes_match: ClassVar[bool] = False
    #: For commands that answer something else than an entity's body: its JSON Schema.
    output: ClassVar[dict[str, Any] | None] = None

    def handle(self, *, actor: Actor, now: datetime, **data: Any) -> Any:
        raise NotImplementedError

    def render(self, entity_id: UUID | None) -> bytes | str:
        """The answer's JSON, made anew also for a replay."""
        if self.entity is None or entity_id is None:
            return b"{}"
        return bodies.body(self.entity, entity_id, self.actor).json

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, **path)

    def parsed(self, request: Request) -> dict[str, Any]:
        """The validated input; raises `ValidationError`."""
        if isinstance(request.data, dict) and not is_plain(request.data):
            raise invalid("", "must not hold a NUL character or half a surrogate pair")
        serializer = self.input(data=request.data)
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)

    def _command(self, request: Request, **path: Any) -> HttpResponse:
        data = self.parsed(request)
        # "*" asks for any version, and who may be spoken of here has one.
        sent = request.META.get("HTTP_IF_MATCH", "").strip() not in {"", "*"}
        if self.needs_match or (self.takes_match and sent):
            data["match"] = if_match(request)
        key = _request_key(request)
        rendered: list[bytes | str] = []

        def body() -> Outcome:
            result = self.handle(actor=self.actor, now=self.now, **path, **data)
            result_id = getattr(result, "id", None)
            rendered.append(self.render_result(result, result_id))
            # What else has a version, such as a text, has it for its own readers.
            version = getattr(result, "version", None) if self.entity else None
            name = self.entity.name if self.entity else ""
            return Outcome(status=self.status, entity=name, entity_id=result_id, version=version)

        outcome = run(body, actor=self.actor, now=self.now, key=key)
        if outcome.replayed:
            with reading(self.actor.business_id):
                rendered.append(self.render(outcome.entity_id))
        response = json_response(rendered[-1], self.status)
        if outcome.version is not None and self.entity is not None:
            response["ETag"] = f'"{outcome.version}"'
        if outcome.replayed:
            response["Idempotency-Replayed"] = "true"
        return response

    def render_result(self, result: Any, result_id: UUID | None) -> bytes | str:
        """The answer after `handle`; by default what a replay would give."""
        return self.render(result_id)


class Edit(Command):
    """PATCH a row: needs `If-Match`."""

    needs_match = True

    def patch(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, **path)

    post = None  # type: ignore[assignment]


def if_match(request: Request) -> int:
    """The version named in If-Match; raises `PreconditionRequired` or `MalformedRequest`."""
    text = request.META.get("HTTP_IF_MATCH")
    if not text:
        raise PreconditionRequired
    digits = text.strip().strip('"')
    if not (digits.isascii() and digits.isdigit() and len(digits) < 10):
        raise MalformedRequest(reason='If-Match must be one ETag such as "3".')
    return int(digits)


def _request_key(request: Request) -> RequestKey | None:
    key = request.META.get("HTTP_IDEMPOTENCY_KEY")
    if not key:
        return None
    if len(key) > 200 or not key.isprintable():
        raise MalformedRequest(reason="Idempotency-Key must be up to 200 printable characters.")
    # Not orjson: it has no whole numbers beyond 64 bits.
    asked = json.dumps(request.data, sort_keys=True, default=_content_digest)
    digest = sha256(f"{request.method} {request.path}\n{asked}".encode()).digest()
    return RequestKey(key=key, digest=digest)


def _content_digest(file: Any) -> dict[str, str]:
    """What a file holds: a repeat is sent with other part boundaries, and perhaps another name."""
    file.seek(0)
    return {"sha256": sha256(file.read()).hexdigest()}


def several(*views: type[ApiView]) -> type[ApiView]:
    """One address with several methods, each from its own view class."""
    handlers = {m.lower(): v for v in views for m in v.access}

    class Address(ApiView):
        access = {m: v.access[m] for v in views for m in v.access}
        methods = handlers

        def check_parameters(self, request: Request) -> None:
            # HEAD is answered as GET is.
            method = (request.method or "").lower()
            handlers["get" if method == "head" else method]().check_parameters(request)

    for method, view in handlers.items():
        setattr(Address, method, _delegate(view, method))
    Address.__name__ = "_".join(v.__name__ for v in views)
    Address.http_method_names = [*handlers, "options", "head"]
    return Address


def _delegate(view: type[ApiView], method: str) -> Callable[..., HttpResponse]:
    def run_as(self: ApiView, request: Request, **path: Any) -> HttpResponse:
        inner = view()
        inner.request, inner.args, inner.kwargs = request, (), path
        inner.now, inner.actor = self.now, getattr(self, "actor", None)
        return getattr(inner, method)(request, **path)

    run_as.__name__ = view.__name__
    return run_as
