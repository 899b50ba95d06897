"""The calendar behind a secret address, for calendar programs. The address is the credential."""

from hashlib import sha256

from django.http import HttpRequest, HttpResponse
from django.views.decorators.csrf import csrf_exempt

from services.calendar_files import calendar_text
from services.link_tokens import CALENDAR
from services.pages.intake import address_of
from services.queries import calendars as queries
from services.rules.calendars import events
from spa_ops.kernel import clock
from spa_ops.kernel.problems import MethodNotAllowed, Problem
from spa_ops.unit.work import reading
from spa_ops.web import limits
from spa_ops.web.problems import respond

_METHODS = ("GET", "HEAD")


@csrf_exempt
def calendar(request: HttpRequest, token: str) -> HttpResponse:
    """GET the calendar as text/calendar (RFC 5545), with an ETag for those who ask again."""
    try:
        if request.method not in _METHODS:
            raise MethodNotAllowed
        limits.spend_at(address_of(request), clock.now())
        response = _calendar(request, token)
    except Problem as problem:
        response = respond(problem, request)
        if problem.status == 405:
            response["Allow"] = ", ".join(_METHODS)
    # The address is a credential: into no shared cache, no index, no log of refusals.
    response._has_been_logged = True  # type: ignore[attr-defined]
    response["Cache-Control"] = "private, no-cache"
    response["X-Robots-Tag"] = "noindex"
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _calendar(request: HttpRequest, token: str) -> HttpResponse:
    business_id, secret_hash = CALENDAR.read(token)
    now = clock.now()
    with reading(business_id):
        feed = queries.feed_with(secret_hash, now)
        found = list(events(queries.taken_of(feed, now)))
    whose = feed.person or feed.room
    text = calendar_text(
        name=f"{whose.name}, {feed.location.name}",  # type: ignore[union-attr]
        place=feed.location.name,
        found=found,
        made_at=feed.created_at,
    )
    tag = f'"{sha256(text).hexdigest()[:32]}"'
    if request.META.get("HTTP_IF_NONE_MATCH") == tag:
        response = HttpResponse(status=304)
    else:
        response = HttpResponse(text, content_type="text/calendar; charset=utf-8")
        response["Content-Disposition"] = 'inline; filename="calendar.ics"'
    response["ETag"] = tag
    return response
