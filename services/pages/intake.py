"""The page behind an intake link: parsed here, kept by one action. Shows nothing that was ever kept.

No cookie is read: the token in the address is the credential. Django's cross-site check is off for
that reason: it guards a browser's own cookies, and a forged post needs the token, with which
nothing would have to be forged.
"""

import base64
import logging
import os
from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt

from clients.rule_files import shipped_rule_set
from services.actions import intake as actions
from services.link_tokens import INTAKE
from services.pages.intake_view import error_list, questions_shown
from services.queries import intake as queries
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.problems import InvalidInput, MalformedRequest, MethodNotAllowed, Problem
from spa_ops.unit.work import Outcome, RequestKey, reading, run
from spa_ops.web import limits
from spa_ops.web.problems import InternalError

log = logging.getLogger("spa_ops.web")

#: What to do, beside a problem's own text.
_ADVICE = {
    "not-found": "Check that the whole address was copied, or ask the desk for a new link.",
    "malformed-request": "Go back, load the page again, and send it once more.",
    "internal-error": "What you typed is still in this browser. Wait a minute and try again. If that does not "
    "help, tell the desk, or answer in the room.",
    "too-many-requests": "Wait a minute and load the page again. What you typed is still in this browser.",
}
#: In place of a problem's own text, which speaks to who calls the API.
_TEXT = {
    "internal-error": "Something broke on our side, not on yours. Your answers may not have arrived."
}
#: After these the questions may be opened again.
_AGAIN = frozenset({"internal-error", "too-many-requests"})
_METHODS = ("GET", "HEAD", "POST")
View = Callable[..., HttpResponse]


def _page(view: View) -> View:
    """Throttled, uncached, closed to everything but itself; problems are pages too."""

    @wraps(view)
    def wrapped(request: HttpRequest, token: str) -> HttpResponse:
        request.nonce = base64.b64encode(os.urandom(16)).decode()  # type: ignore[attr-defined]
        try:
            if request.method not in _METHODS:
                raise MethodNotAllowed
            limits.spend_at(address_of(request), clock.now())
            response = view(request, token)
        except Problem as problem:
            response = _problem(request, token, problem)
        except (TooManyFieldsSent, RequestDataTooBig):
            reason = "More was sent than this page can hold."
            response = _problem(request, token, MalformedRequest(reason=reason))
        except Exception as error:
            log.error("request %s failed", getattr(request, "id", ""), exc_info=error)
            response = _problem(request, token, InternalError())
        return _closed(response, request.nonce)  # type: ignore[attr-defined]

    return csrf_exempt(wrapped)


def address_of(request: HttpRequest) -> str:
    """Who asks: the peer, or whom the outermost proxy of ours heard from."""
    heard = request.META.get("HTTP_X_FORWARDED_FOR", "").split(",")
    if settings.PROXIES and len(heard) >= settings.PROXIES:
        return heard[-settings.PROXIES].strip()
    return request.META.get("REMOTE_ADDR", "")


def _closed(response: HttpResponse, nonce: str) -> HttpResponse:
    response["Content-Security-Policy"] = (
        f"default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    # The address is a credential: it goes into no cache, no index, no Referer and no log of refusals.
    response._has_been_logged = True  # type: ignore[attr-defined]
    response["Cache-Control"] = "no-store"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex"
    return response


def _problem(request: HttpRequest, token: str, problem: Problem) -> HttpResponse:
    context = {
        "title": problem.title,
        "text": _TEXT.get(problem.slug) or problem.catalogue_text(),
        "advice": _ADVICE.get(problem.slug, ""),
        "again": reverse("intake", args=[token]) if problem.slug in _AGAIN else "",
        "forget": problem.slug in {"intake-sent-already", "intake-link-over"},
        "key": INTAKE.storage_key(token),
        "nonce": request.nonce,  # type: ignore[attr-defined]
    }
    response = render(request, "services/intake_over.html", context, status=problem.status)
    if problem.status == 405:
        response["Allow"] = ", ".join(_METHODS)
    if "retry_after_seconds" in problem.fields:
        response["Retry-After"] = str(problem.fields["retry_after_seconds"])
    return response


@_page
def questions(request: HttpRequest, token: str) -> HttpResponse:
    """GET the questions; POST the answers, as a plain form or by the page's script with a key."""
    business_id, secret_hash = INTAKE.read(token)
    if request.method == "POST":
        fields = {name: list(values) for name, values in request.POST.lists()}
        try:
            _submit(request, business_id, secret_hash, fields)
        except InvalidInput as problem:
            errors = problem.fields["errors"] or [
                {"pointer": "/", "message": "Load the page again"}
            ]
            return _form(request, token, fields, errors, status=422)
        # 303 and not 302: what follows a sent form is read, whatever the browser's age.
        return HttpResponse(status=303, headers={"Location": reverse("intake-sent", args=[token])})
    return _form(request, token, {}, ())


def _submit(
    request: HttpRequest, business_id: Any, secret_hash: bytes, fields: Mapping[str, Sequence[str]]
) -> None:
    now, actor = clock.now(), system_actor(business_id)

    def body() -> Outcome:
        kept = actions.submit(actor=actor, now=now, secret_hash=secret_hash, sent=fields)
        return Outcome(status=303, entity_id=kept.id)

    run(body, actor=actor, now=now, key=_key(request, secret_hash, fields))


def _key(
    request: HttpRequest, secret_hash: bytes, fields: Mapping[str, Sequence[str]]
) -> RequestKey | None:
    given = request.META.get("HTTP_IDEMPOTENCY_KEY", "")
    if not given:
        return None
    if len(given) > 100 or not given.isprintable():
        raise MalformedRequest(reason="Idempotency-Key must be up to 100 printable characters.")
    # Nobody is signed in: the link stands for who asks, so that no two links share a key.
    digest = sha256(repr(sorted(fields.items())).encode("utf-8", "surrogatepass")).digest()
    return RequestKey(key=f"intake {secret_hash.hex()} {given}", digest=digest)


def _form(
    request: HttpRequest,
    token: str,
    fields: Mapping[str, Sequence[str]],
    errors: Sequence[Mapping[str, str]],
    status: int = 200,
) -> HttpResponse:
    business_id, secret_hash = INTAKE.read(token)
    with reading(business_id):
        page = queries.open_page(queries.link_with(secret_hash), clock.now())
    starts = page.visit.starts_at.astimezone(ZoneInfo(page.place.zone))
    found = {e["pointer"].strip("/"): e["message"] for e in reversed(errors)}
    context = {
        "place": page.place.name,
        "starts": f"{starts:%A} {starts.day} {starts:%B %Y}, {starts:%H:%M}",
        "notice": shipped_rule_set().notice,
        "form": page.form,
        "questions": questions_shown(page.form, fields, found),
        "regions": [{"value": r, "label": r.replace("_", " ")} for r in page.form.regions],
        "sent": {name: values[-1] for name, values in fields.items() if values},
        "errors": error_list(page.form, found),
        "wrong": found,
        "action": reverse("intake", args=[token]),
        "key": INTAKE.storage_key(token),
        "nonce": request.nonce,  # type: ignore[attr-defined]
    }
    return render(request, "services/intake.html", context, status=status)


@_page
def sent(request: HttpRequest, token: str) -> HttpResponse:
    """Says that the answers arrived; before that, back to the questions."""
    business_id, secret_hash = INTAKE.read(token)
    with reading(business_id):
        link = queries.link_with(secret_hash)
    if link.submitted_at is None:
        return redirect(reverse("intake", args=[token]))
    context = {
        "title": "Sent",
        "text": "Your answers have arrived. Thank you.",
        "advice": "Before the service the practitioner goes through them with you and asks a few "
        "questions again. If something changes until then, tell them in the room.",
        "forget": True,
        "key": INTAKE.storage_key(token),
        "nonce": request.nonce,  # type: ignore[attr-defined]
    }
    return render(request, "services/intake_over.html", context)
