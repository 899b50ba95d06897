"""Rate limits per signed-in principal, and per address for pages without sign-in: counted in Redis, or in this process without it."""

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from hashlib import sha256
from typing import Any

import redis
from django.conf import settings

from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import TooManyRequests

WINDOW_SECONDS = 60
_counts: dict[tuple[str, int], int] = {}


@dataclass(frozen=True, slots=True)
class Allowance:
    """What is left of the present minute."""

    limit: int
    remaining: int
    reset_seconds: int


def spend(actor: Actor, now: datetime) -> Allowance:
    """Count one request of this principal; raises `TooManyRequests`."""
    return _spend(str(actor.token_id or actor.principal), settings.REQUESTS_PER_MINUTE, now)


def spend_at(address: str, now: datetime) -> Allowance:
    """Count one request to a page without sign-in from this address; raises `TooManyRequests`."""
    # Hashed: an address is personal data, and Redis may be shared.
    who = sha256(f"{settings.SECRET_KEY}/{address}".encode()).hexdigest()[:32]
    return _spend(f"page:{who}", settings.PAGES_PER_MINUTE, now)


def _spend(who: str, limit: int, now: datetime) -> Allowance:
    seconds = int(now.timestamp())
    window, reset = seconds // WINDOW_SECONDS, WINDOW_SECONDS - seconds % WINDOW_SECONDS
    used = _count(who, window)
    if used > limit:
        raise TooManyRequests(retry_after_seconds=reset)
    return Allowance(limit, limit - used, reset)


def _count(who: str, window: int) -> int:
    if settings.REDIS_URL:
        try:
            return _count_in_redis(who, window)
        except redis.RedisError:
            pass  # a lost Redis must not stop a treatment room: fall back to this process's own count
    if len(_counts) > 10_000:
        _counts.clear()
    key = (who, window)
    _counts[key] = _counts.get(key, 0) + 1
    return _counts[key]


@cache
def _client() -> Any:
    return redis.Redis.from_url(settings.REDIS_URL, socket_timeout=0.5, socket_connect_timeout=0.5)


def _count_in_redis(who: str, window: int) -> int:
    key = f"{settings.REDIS_PREFIX}rate:{who}:{window}"
    with _client().pipeline(transaction=False) as pipe:
        pipe.incr(key)
        pipe.expire(key, WINDOW_SECONDS * 2)
        return int(pipe.execute()[0])
