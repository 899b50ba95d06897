"""The one door through which every failure leaves: RFC 9457 problem documents."""

import logging
from typing import Any

import orjson
from django.conf import settings
from django.core.exceptions import RequestDataTooBig, SuspiciousOperation
from django.db import DataError, IntegrityError
from django.http import Http404, HttpRequest, HttpResponse, UnreadablePostError
from django.http.multipartparser import MultiPartParserError
from rest_framework import exceptions
from rest_framework.views import set_rollback

from spa_ops.kernel import problems as kernel
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import problem_of

log = logging.getLogger("spa_ops.web")
MEDIA_TYPE = "application/problem+json"


class InternalError(Problem):
    """Something broke on our side. Nothing was changed; the request id finds it in the log."""

    slug, status, title = "internal-error", 500, "Internal error"


def document(problem: Problem, instance: str) -> dict[str, Any]:
    """The problem as its RFC 9457 members and extensions."""
    return {
        **problem.fields,
        "type": f"/problems/{problem.slug}",
        "title": problem.title,
        "status": problem.status,
        "detail": problem.detail,
        "instance": instance,
    }


def respond(problem: Problem, request: HttpRequest) -> HttpResponse:
    """The HTTP answer for a problem."""
    instance = getattr(request, "id", "")
    body = orjson.dumps(document(problem, f"urn:uuid:{instance}"), default=str)
    response = HttpResponse(body, status=problem.status, content_type=MEDIA_TYPE)
    if problem.status == 401:
        response["WWW-Authenticate"] = 'Bearer realm="spa operations"'
    if "retry_after_seconds" in problem.fields:
        response["Retry-After"] = str(problem.fields["retry_after_seconds"])
    return response


def handle(error: Exception, context: dict[str, Any]) -> HttpResponse:
    """REST framework's exception handler: Problem, framework error, constraint, then a bare 500."""
    set_rollback()
    request = context["request"]._request
    problem = _problem_for(error)
    if problem is None:
        log.error("request %s failed", getattr(request, "id", ""), exc_info=error)
        problem = InternalError()
    response = respond(problem, request)
    if isinstance(error, exceptions.MethodNotAllowed):
        response["Allow"] = ", ".join(context["view"].allowed_methods)
    return response


def _problem_for(error: Exception) -> Problem | None:
    if isinstance(error, Problem):
        return error
    if isinstance(error, exceptions.ValidationError):
        return kernel.InvalidInput(*validation_errors(error.detail))
    simple: list[tuple[Any, type[Problem]]] = [
        ((exceptions.NotAuthenticated, exceptions.AuthenticationFailed), kernel.NotAuthenticated),
        ((exceptions.NotFound, Http404), kernel.NotFound),
        (exceptions.MethodNotAllowed, kernel.MethodNotAllowed),
        (exceptions.NotAcceptable, kernel.NotAcceptable),
        (exceptions.UnsupportedMediaType, kernel.UnsupportedMediaType),
    ]
    for kinds, problem in simple:
        if isinstance(error, kinds):
            return problem()
    if isinstance(error, exceptions.PermissionDenied):
        return kernel.NotAllowed(needed="another role")
    if isinstance(error, MultiPartParserError):
        return kernel.MalformedRequest(reason="The parts of the body cannot be told apart.")
    if isinstance(error, (exceptions.ParseError, UnicodeDecodeError)):
        return kernel.MalformedRequest(
            reason=str(getattr(error, "detail", "The body is not UTF-8."))
        )
    if isinstance(error, RecursionError):
        return kernel.MalformedRequest(reason="The body is nested too deeply.")
    if isinstance(error, RequestDataTooBig):
        return kernel.BodyTooLarge(most_bytes=settings.DATA_UPLOAD_MAX_MEMORY_SIZE)
    if isinstance(error, SuspiciousOperation):
        return kernel.MalformedRequest(reason="The body has too many parts, or a part has no name.")
    if isinstance(error, UnreadablePostError):
        return kernel.MalformedRequest(reason="The connection ended before the body did.")
    if isinstance(error, DataError):
        return kernel.MalformedRequest(reason="A value is outside what can be stored.")
    if isinstance(error, IntegrityError):
        known = problem_of(error)
        return known if isinstance(known, Problem) else None
    return None


def validation_errors(detail: Any, pointer: str = "") -> list[dict[str, str]]:
    """REST framework's nested error detail as a flat list with RFC 6901 pointers."""
    if isinstance(detail, dict):
        return [
            error
            for name, inner in detail.items()
            for error in validation_errors(
                inner, pointer if name == "non_field_errors" else f"{pointer}/{_escaped(str(name))}"
            )
        ]
    if isinstance(detail, list):
        if detail and all(isinstance(d, (dict, list)) for d in detail):
            return [
                e
                for i, inner in enumerate(detail)
                for e in validation_errors(inner, f"{pointer}/{i}")
            ]
        return [e for inner in detail for e in validation_errors(inner, pointer)]
    message = _printable(str(detail))
    return [{"pointer": pointer, "code": getattr(detail, "code", "invalid"), "message": message}]


def _escaped(name: str) -> str:
    return _printable(name).replace("~", "~0").replace("/", "~1")


def _printable(text: str) -> str:
    # What was sent may come back in an answer, and half a surrogate pair is no UTF-8.
    return text.encode(errors="replace").decode()


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Django's handler404."""
    return respond(kernel.NotFound(), request)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Django's handler400: a suspicious host, too large a body."""
    return respond(kernel.MalformedRequest(reason="The request was refused as malformed."), request)


def server_error(request: HttpRequest) -> HttpResponse:
    """Django's handler500: what breaks outside a view."""
    return respond(InternalError(), request)
