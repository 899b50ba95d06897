"""Health, and the pages that document the API: read from the same declarations as the API itself."""

from typing import Any

from django.db import connection
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST
from drf_spectacular.generators import SchemaGenerator
from rest_framework.request import Request

from spa_ops.kernel import clock
from spa_ops.kernel.problems import Problem, Unavailable, all_problems
from spa_ops.tenancy import actions
from spa_ops.web.entities import object_schema
from spa_ops.web.views import ApiView, answer


class Health(ApiView):
    """Whether the web process reaches its database."""

    access = {"GET": None}
    authentication_classes = ()
    problems = (Unavailable,)
    output = object_schema(status="str")
    tag = "health"

    def get(self, request: Request) -> HttpResponse:
        try:
            with connection.cursor() as cursor:
                cursor.execute("SELECT 1")
        except Exception as error:
            raise Unavailable(reason="The database does not answer.") from error
        return answer({"status": "ok"})


def _operations() -> list[dict[str, Any]]:
    document = SchemaGenerator().get_schema(request=None, public=True)
    found = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            shape = (
                operation.get("requestBody", {})
                .get("content", {})
                .get("application/json", {})
                .get("schema")
            )
            name = (shape or {}).get("$ref", "").rpartition("/")[2]
            body = document["components"]["schemas"].get(name, {})
            fields = [
                {"name": f, "needed": f in body.get("required", []), "says": s.get("description", ""),
                 "type": s.get("format") or s.get("type") or "one of the listed"}
                for f, s in body.get("properties", {}).items()
            ]  # fmt: skip
            found.append(
                {
                    "tag": operation["tags"][0],
                    "method": method.upper(),
                    "path": path,
                    "says": operation["description"],
                    "query": [p for p in operation.get("parameters", []) if p["in"] == "query"],
                    "fields": fields,
                    "answers": sorted(operation["responses"]),
                }
            )
    return sorted(found, key=lambda o: (o["tag"], o["path"], o["method"]))


@require_GET
def docs(request: HttpRequest) -> HttpResponse:
    """The API, an operation a block; signed in, GET requests can be tried from the page."""
    return render(
        request,
        "pages/docs.html",
        {"operations": _operations(), "signed_in": "token" in request.session},
    )


@require_POST
def sign_in(request: HttpRequest) -> HttpResponse:
    """Start a browser session: the cookie holds a token's id, the token row decides."""
    try:
        issued = actions.sign_in(
            login=request.POST.get("login", "")[:120],
            password=request.POST.get("password", "")[:200],
            now=clock.now(),
        )
    except Problem as problem:
        context = {"operations": _operations(), "signed_in": False, "error": problem.title}
        return render(request, "pages/docs.html", context, status=problem.status)
    request.session.cycle_key()
    request.session["token"] = str(issued.token.id)
    return redirect("/api/docs")


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    """End the browser session, and with it its token."""
    token_id = request.session.get("token")
    if token_id:
        actions.sign_out(token_id=token_id, now=clock.now())
    request.session.flush()
    return redirect("/api/docs")


def _catalogue(request: HttpRequest, kinds: list[type[Problem]]) -> HttpResponse:
    # Values, not classes: a template would call a class, and make a problem of nothing.
    shown = [
        {"slug": k.slug, "status": k.status, "title": k.title, "text": k.catalogue_text()}
        for k in kinds
    ]
    return render(request, "pages/problems.html", {"problems": shown})


@require_GET
def problem_catalogue(request: HttpRequest) -> HttpResponse:
    """Every problem that the API may answer."""
    return _catalogue(request, all_problems())


@require_GET
def problem_page(request: HttpRequest, slug: str) -> HttpResponse:
    """One problem: what its `type` address leads to."""
    found = [p for p in all_problems() if p.slug == slug]
    if not found:
        raise Http404
    return _catalogue(request, found)
