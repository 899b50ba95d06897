"""The OpenAPI document, read off the views' own declarations: it cannot say what is not served."""

import json
from functools import cache
from pathlib import Path
from typing import Any

from drf_spectacular.openapi import AutoSchema

from spa_ops.kernel import problems as kernel
from spa_ops.kernel.problems import Problem
from spa_ops.unit import problems as unit_problems
from spa_ops.web.entities import array_of
from spa_ops.web.problems import MEDIA_TYPE
from spa_ops.web.views import ApiView, Command, Edit, ListView, NoInput, RowView, Strict

_TYPES = {
    "uuid": {"type": "string", "format": "uuid"},
    "date": {"type": "string", "format": "date"},
    "datetime": {"type": "string", "format": "date-time"},
    "bool": {"type": "boolean"},
    "str": {"type": "string"},
    "int": {"type": "integer"},
}
#: One accepted request body for each endpoint that takes one, by "METHOD /path".
EXAMPLES = Path(__file__).with_name("examples.json")
PROBLEM_SCHEMA = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "instance"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
    },
}


@cache
def _examples() -> dict[str, Any]:
    return json.loads(EXAMPLES.read_text(encoding="utf-8"))


def problems_of(view: ApiView, method: str) -> list[type[Problem]]:
    """Every problem that this address may answer with this method."""
    public = view.access.get(method) is None
    found: list[type[Problem]] = [kernel.MalformedRequest, kernel.NotAcceptable]
    if not public:
        found += [
            kernel.NotAuthenticated,
            kernel.NotAllowed,
            kernel.TooManyRequests,
            kernel.ActingPersonRequired,
        ]
    if not public or getattr(view, "kwargs", None) or "id" in getattr(view, "path_names", ()):
        found.append(kernel.NotFound)
    found.append(kernel.InvalidInput)
    if hasattr(view, "input"):
        found += [kernel.UnsupportedMediaType, kernel.BodyTooLarge]
    if isinstance(view, Command):
        found += [
            kernel.WrongState,
            kernel.Busy,
            unit_problems.RequestInProgress,
            unit_problems.KeyReused,
            unit_problems.UnknownReference,
            unit_problems.AlreadyExists,
            kernel.StaleVersion,
        ]
        if view.needs_match:
            found.append(kernel.PreconditionRequired)
    return list(dict.fromkeys([*found, *view.problems]))


class Schema(AutoSchema):
    """Operations of our view classes."""

    def _declared(self) -> Any:
        methods = getattr(self.view, "methods", None)
        return methods[self.method.lower()]() if methods else self.view

    def get_operation_id(self) -> str:
        view = self._declared()
        return f"{type(view).__name__}"

    def get_tags(self) -> list[str]:
        return [self._declared().tag or self.path.split("/")[3]]

    def get_description(self) -> str:
        view = self._declared()
        allowed = view.access.get(self.method)
        roles = "Public." if allowed is None else f"Roles: {', '.join(sorted(allowed))}."
        return f"{(type(view).__doc__ or '').strip()}\n\n{roles}"

    def get_auth(self) -> list[dict[str, Any]]:
        return [] if self._declared().access.get(self.method) is None else [{"bearer": []}]

    def get_override_parameters(self) -> list[Any]:
        return []

    def _get_parameters(self) -> list[dict[str, Any]]:
        view = self._declared()
        found = [p for p in super()._get_parameters() if p["in"] == "path"]
        for name, (kind, text) in view.parameters.items():
            found.append({"in": "query", "name": name, "schema": _TYPES[kind], "description": text})
        if isinstance(view, ListView):
            found.append(
                {
                    "in": "query",
                    "name": "limit",
                    "schema": {"type": "integer", "minimum": 1, "maximum": 200},
                }
            )
            found.append({"in": "query", "name": "cursor", "schema": {"type": "string"}})
        if isinstance(view, Command):
            if not isinstance(view, Edit):
                found.append(
                    _header("Idempotency-Key", "makes a repeat safe; up to 200 characters")
                )
            if view.needs_match:
                found.append(_header("If-Match", "the ETag last read", required=True))
            elif view.takes_match:
                found.append(_header("If-Match", "the ETag last read: 412 if it has changed since"))
        if isinstance(view, RowView):
            found.append(_header("If-None-Match", "answers 304 when nothing changed"))
        return found

    def get_request_serializer(self) -> Any:
        shape = getattr(self._declared(), "input", NoInput)
        return None if shape is NoInput else shape()

    def _get_request_body(self, direction: str = "request") -> Any:
        found = super()._get_request_body(direction)
        example = _examples().get(f"{self.method} {self.path}")
        if found and example is not None:
            for content in found["content"].values():
                content["example"] = example
        return found

    def _map_basic_serializer(self, serializer: Any, direction: str) -> dict[str, Any]:
        found = super()._map_basic_serializer(serializer, direction)
        if isinstance(serializer, Strict):
            found["additionalProperties"] = False
            if "__doc__" not in vars(type(serializer)) or not type(serializer).__doc__:
                found.pop("description", None)  # the base class's, which speaks to us
        return found

    def get_response_serializers(self) -> Any:
        return {}

    def _get_response_bodies(self, direction: str = "response") -> dict[str, Any]:
        view = self._declared()
        good = _success(view)
        status = str(getattr(view, "status", 200))
        found: dict[str, Any] = {status: good}
        if isinstance(view, RowView):
            found["304"] = {"description": "Not modified"}
        by_status: dict[int, list[str]] = {}
        for problem in problems_of(view, self.method):
            by_status.setdefault(problem.status, []).append(problem.slug)
        for code, slugs in sorted(by_status.items()):
            found[str(code)] = {
                "description": "Problem: " + ", ".join(slugs),
                "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
            }
        return found


def _header(name: str, text: str, *, required: bool = False) -> dict[str, Any]:
    return {
        "in": "header",
        "name": name,
        "required": required,
        "description": text,
        "schema": {"type": "string"},
    }


def _success(view: Any) -> dict[str, Any]:
    entity = getattr(view, "entity", None)
    if isinstance(view, ListView):
        schema: dict[str, Any] = {
            "type": "object",
            "required": ["items", "next"],
            "properties": {"items": array_of(entity.schema), "next": {"type": ["string", "null"]}},
        }
    elif getattr(view, "output", None) is not None:
        schema = view.output
    elif entity is not None:
        schema = entity.schema
    else:
        schema = {"type": "object"}
    described: dict[str, Any] = {
        "description": "Done",
        "content": {getattr(view, "media_type", "application/json"): {"schema": schema}},
    }
    if entity is not None and not isinstance(view, ListView):
        described["headers"] = {"ETag": {"schema": {"type": "string"}}}
    return described


def finish(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Postprocessing hook: the problem schema and the bearer scheme."""
    components = result.setdefault("components", {})
    components.setdefault("schemas", {})["Problem"] = PROBLEM_SCHEMA
    components.setdefault("securitySchemes", {})["bearer"] = {"type": "http", "scheme": "bearer"}
    return result
