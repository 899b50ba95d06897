"""The served OpenAPI document: well-formed by the standard's own schema, complete, and true.

True is shown by schemathesis: requests of every shape that the document allows, and many that it
does not, are answered with a documented status, type and body, and never with a 500.
"""

import os
from contextlib import contextmanager
from functools import cache

import jsonschema
import pytest
import schemathesis
from django.core.files.uploadedfile import UploadedFile
from django.core.handlers.wsgi import WSGIHandler
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, connection, transaction
from drf_spectacular.validation import validate_schema
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.web.access_matrix import PREFIX, endpoints
from tests.web.sample_requests import (
    MOST_ROWS,
    QUERIES,
    Ids,
    body_of,
    path_of,
    rows_to_try,
    version_of,
)
from tests.world import BUSINESS, uid

pytestmark = pytest.mark.usefixtures("busy_database")

#: For each operation; more of them, `OPENAPI_EXAMPLES=200`, take longer and look deeper.
EXAMPLES = int(os.environ.get("OPENAPI_EXAMPLES", "12"))
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
ENDPOINTS = {f"{e.method} {e.template}": e for e in endpoints()}


OWN = Ids(business=BUSINESS, person=uid("petra"))


@cache
def _served():
    found = schemathesis.openapi.from_wsgi("/api/openapi.json", WSGIHandler())
    # Tokens are not made up here: who gets in is the access matrix's business.
    found.config.generation.update(with_security_parameters=False)
    return found


def _operations():
    return {f"{m.upper()} {p}": o for p, ms in _served().raw_schema["paths"].items() for m, o in ms.items()}  # fmt: skip


def test_the_document_is_valid_openapi_3_1():
    # The schema of the OpenAPI Initiative for 3.1, https://spec.openapis.org/oas/3.1/schema, as
    # drf-spectacular carries it.
    document = _served().raw_schema
    assert document["openapi"].startswith("3.1.")
    validate_schema(document)


def test_every_command_with_a_body_shows_one_that_fits():
    faults = []
    for name, operation in _operations().items():
        for content in operation.get("requestBody", {}).get("content", {}).values():
            if "example" not in content:
                faults.append(f"{name} has no example: see tests/web/examples.py")
                continue
            schema = {**content["schema"], "components": _served().raw_schema["components"]}
            found = jsonschema.Draft202012Validator(schema).iter_errors(content["example"])
            faults += [f"{name}: {fault.message}" for fault in found]
    assert faults == []


def test_every_endpoint_is_in_the_document_and_nothing_else():
    assert set(_operations()) == set(ENDPOINTS)


def test_every_operation_says_what_it_does_for_whom_and_how_it_answers():
    wrong = []
    for name, operation in _operations().items():
        says, _, roles = operation["description"].partition("\n\nRoles: ")
        public = operation["description"].endswith("\n\nPublic.")
        if not says.strip() or not (public or roles.rstrip(".")):
            wrong.append(f"{name}: no docstring or no role line")
        if not operation["tags"] or not any(s.startswith("2") for s in operation["responses"]):
            wrong.append(f"{name}: no tag or no answer")
        if public == bool(operation.get("security")):
            wrong.append(f"{name}: security does not say what the role line says")
    ids = [o["operationId"] for o in _operations().values()]
    assert not wrong, "\n".join(wrong)
    assert len(ids) == len(set(ids)), "operation ids must be unique"


@pytest.fixture
def one_transaction(db):
    """Requests through WSGI stay in the test's transaction, which may idle while one is made up."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@contextmanager
def _undone():
    place = transaction.savepoint()
    try:
        yield
    finally:
        transaction.savepoint_rollback(place)


@pytest.fixture
def callers(call):
    return {who: call(who).headers for who in ("olga", "petra")}


def _answered_as_documented(case, callers):
    for headers in callers.values():
        with _undone():
            response = case.call(headers=headers)
        case.validate_response(response, checks=CHECKS, headers=headers)


@pytest.mark.parametrize("name", ENDPOINTS)
def test_a_plain_request_is_answered_as_documented(one_transaction, callers, name):
    method, path = name.split()
    operation, endpoint = _served()[path][method], ENDPOINTS[name]
    body = {}
    if "requestBody" in operation.definition.raw:
        (media_type,) = operation.definition.raw["requestBody"]["content"]
        body = {"body": _sent(body_of(endpoint, OWN)), "media_type": media_type}
    for at in range(rows_to_try(endpoint, OWN)):
        case = operation.Case(
            path_parameters=_path_parameters(name, at),
            query=QUERIES.get(endpoint.name, {}),
            headers=_headers(name, at),
            **body,
        )
        _answered_as_documented(case, callers)


@pytest.mark.parametrize("name", ENDPOINTS)
def test_requests_of_every_shape_are_answered_as_documented(one_transaction, callers, name):
    method, path = name.split()
    operation = _served()[path][method]
    known = _sent(body_of(ENDPOINTS[name], OWN))

    @settings(
        max_examples=EXAMPLES,
        derandomize=True,
        database=None,
        deadline=None,
        # The first failure is named; making it smaller would take minutes.
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(data=st.data())
    def answered_as_documented(data):
        mode = data.draw(st.sampled_from(GenerationMode))
        case = data.draw(operation.as_strategy(generation_mode=mode))
        # Random ids are nowhere and random versions are old: real ones lead past the first look-up.
        at = data.draw(st.integers(0, MOST_ROWS))
        if at < MOST_ROWS:
            case.path_parameters.update(_path_parameters(name, at))
            case.headers.update(_headers(name, at))
        if isinstance(case.body, dict) and data.draw(st.booleans()):
            case.body |= {n: v for n, v in known.items() if n.endswith("_id") and n in case.body}
        _answered_as_documented(case, callers)

    answered_as_documented()


def _sent(body):
    """A file as its bytes: the generator makes the parts."""
    return {n: v.read() if isinstance(v, UploadedFile) else v for n, v in body.items()}


def _path_parameters(name, at=0):
    filled = f"/{PREFIX}{path_of(ENDPOINTS[name], OWN, at)}".split("/")
    pairs = zip(name.split()[1].split("/"), filled, strict=True)
    return {part.strip("{}"): value for part, value in pairs if part.startswith("{")}


def _headers(name, at):
    endpoint = ENDPOINTS[name]
    if not getattr(endpoint.view, "needs_match", False):
        return {}
    return {"If-Match": f'"{version_of(endpoint, OWN, at)}"'}
