"""Rate limits: headers on every answer, 429 with Retry-After; counted in Redis where there is one."""

import os

import pytest

from spa_ops.web import limits


def test_each_answer_says_what_is_left_and_too_many_are_refused(call, settings):
    settings.REDIS_URL = ""
    settings.REQUESTS_PER_MINUTE = 3
    petra = call("petra")
    left = [petra.get("me")["RateLimit-Remaining"] for _ in range(3)]
    assert left == ["2", "1", "0"]
    refused = petra.get("me")
    assert (refused.status_code, refused.body["type"]) == (429, "/problems/too-many-requests")
    assert 0 < int(refused["Retry-After"]) <= 60
    assert call("lena").get("me").status_code == 200


def test_several_processes_share_the_count_in_redis(call, settings):
    if not os.environ.get("REDIS_URL"):
        pytest.skip("no Redis was given; `make test` always gives one")
    settings.REDIS_URL = os.environ["REDIS_URL"]
    settings.REDIS_PREFIX = f"spa_ops_test_{os.urandom(6).hex()}:"
    settings.REQUESTS_PER_MINUTE = 2
    limits._client.cache_clear()
    petra = call("petra")
    assert [petra.get("me").status_code for _ in range(3)] == [200, 200, 429]
    limits._client.cache_clear()


def test_a_lost_redis_stops_nobody(call, settings):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    limits._client.cache_clear()
    assert call("petra").get("me").status_code == 200
    limits._client.cache_clear()
