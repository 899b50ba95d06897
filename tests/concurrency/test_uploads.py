"""Uploads to a real gunicorn: too large, cut off in the middle, sent again after a lost connection."""

import http.client
import json
import socket

import pytest
from django.test.client import encode_multipart

from services.models import Photograph
from services.rules.photographs import MOST_BYTES
from spa_ops.unit.work import reading
from tests.callers import secret_of
from tests.concurrency.test_kill_web import web  # noqa: F401 - a fixture
from tests.services.pictures import encoded, photograph
from tests.services.test_photographs_at_once import agreed_visit
from tests.world import BUSINESS

pytestmark = pytest.mark.acceptance

SECONDS = 60


def form(picture):
    fields = {"picture": photograph(picture), "moment": "after", "area": "brow"}
    return encode_multipart("b", fields)


def headers_of(secret):
    return {
        "Authorization": f"Bearer {secret}",
        "Content-Type": "multipart/form-data; boundary=b",
        "Idempotency-Key": "one picture",
    }


def sent(web, path, headers, body):  # noqa: F811
    connection = http.client.HTTPConnection("127.0.0.1", web.port, timeout=SECONDS)
    connection.request("POST", path, body, headers)
    answer = connection.getresponse()
    found = answer.status, json.loads(answer.read())
    connection.close()
    return found


def kept():
    with reading(BUSINESS):
        return Photograph.objects.count()


def test_what_is_too_large_is_told_so_and_what_is_torn_leaves_nothing(web):  # noqa: F811
    path = f"/api/v1/visits/{agreed_visit().id}/photographs"
    headers = headers_of(secret_of("petra"))
    web.start()
    for more in (100_000, 30_000_000):
        status, body = sent(web, path, headers, form(encoded() + b"\0" * (MOST_BYTES + more)))
        assert (status, body["type"]) == (413, "/problems/body-too-large")
    nobody = headers | {"Authorization": "Bearer nobody"}
    large = form(encoded() + b"\0" * (MOST_BYTES - 100_000))
    assert sent(web, path, nobody, large)[0] == 401
    whole = form(encoded())
    for part in (0, len(whole) // 2, len(whole) - 5):
        # Whoever is cut off closes their side: the server gets less than was promised.
        with socket.create_connection(("127.0.0.1", web.port), timeout=SECONDS) as line:
            lines = [f"POST {path} HTTP/1.1", "Host: 127.0.0.1", f"Content-Length: {len(whole)}"]
            lines += [f"{name}: {value}" for name, value in headers.items()]
            line.sendall("\r\n".join([*lines, "", ""]).encode() + whole[:part])
            line.shutdown(socket.SHUT_WR)
            answer = line.recv(65536)
        assert answer[:12] in {b"HTTP/1.1 400", b""}, answer
    assert kept() == 0
    status, body = sent(web, path, headers, whole)
    assert status == 201, body
    assert sent(web, path, headers, whole) == (201, body)
    assert kept() == 1
