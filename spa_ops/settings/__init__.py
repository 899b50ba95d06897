"""Settings from the environment. Production is the default; a development secret is refused there.

SPA_OPS_ENV            production (default), development, test
DATABASE_URL           the app's login; its session takes the role spa_ops_app
DATABASE_OWNER_URL     who migrates (default: DATABASE_URL)
REDIS_URL              broker, pokes and rate limits; without it the database is the broker
SPA_OPS_SECRET_KEY     signing key for sessions
SPA_OPS_MASTER_KEYS    id:base64 of 32 bytes, comma separated; the first wraps new keys
SPA_OPS_ALLOWED_HOSTS  comma separated
SPA_OPS_PROXIES        how many proxies stand in front (default 0): whose word on addresses is taken
"""

import base64
import hashlib
import os
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

from django.core.exceptions import ImproperlyConfigured
from psycopg.conninfo import make_conninfo

from spa_ops.kernel import clock

BASE_DIR = Path(__file__).resolve().parents[2]
ENV = os.environ.get("SPA_OPS_ENV", "production")
if ENV not in {"production", "development", "test"}:
    raise ImproperlyConfigured(
        f"SPA_OPS_ENV is {ENV!r}; it must be production, development or test."
    )
DEBUG = False
if ENV != "production" and os.environ.get("SPA_OPS_CLOCK_OFFSET_FILE"):
    clock.follow_offset(os.environ["SPA_OPS_CLOCK_OFFSET_FILE"])
DEVELOPMENT_SECRET = "development-only-not-a-secret"  # noqa: S105 - refused in production below

SECRET_KEY = os.environ.get("SPA_OPS_SECRET_KEY", "" if ENV == "production" else DEVELOPMENT_SECRET)
if ENV == "production" and (SECRET_KEY == DEVELOPMENT_SECRET or len(SECRET_KEY) < 32):
    raise ImproperlyConfigured(
        "Set SPA_OPS_SECRET_KEY to 32 or more random characters: production never starts with a development secret."
    )


def _master_keys() -> dict[str, bytes]:
    text = os.environ.get("SPA_OPS_MASTER_KEYS", "")
    if not text:
        if ENV == "production":
            raise ImproperlyConfigured(
                "Set SPA_OPS_MASTER_KEYS to id:base64-of-32-bytes: health answers are sealed with it. Back it up apart."
            )
        return {"development": hashlib.sha256(SECRET_KEY.encode()).digest()}
    keys: dict[str, bytes] = {}
    for part in text.split(","):
        name, _, encoded = part.partition(":")
        key = base64.b64decode(encoded)
        if len(key) != 32:
            raise ImproperlyConfigured(f"The master key {name!r} must be 32 bytes in base64.")
        keys[name] = key
    if (
        ENV == "production"
        and hashlib.sha256(DEVELOPMENT_SECRET.encode()).digest() in keys.values()
    ):
        raise ImproperlyConfigured("SPA_OPS_MASTER_KEYS holds the development key.")
    return keys


SEALING_MASTER_KEYS = _master_keys()


def _database(url: str, *, role: str | None) -> dict[str, object]:
    parts = urlsplit(url)
    if parts.scheme not in {"postgres", "postgresql"}:
        raise ImproperlyConfigured("DATABASE_URL must start with postgresql://")
    query = dict(parse_qsl(parts.query))
    options: dict[str, object] = {k: v for k, v in query.items() if k != "host"}
    if role:
        # 3 s for a lock and 5 s idle in a transaction: one stuck client must not stop a front desk.
        options["options"] = (
            f"-c role={role} -c lock_timeout=3000 "
            f"-c idle_in_transaction_session_timeout={60_000 if ENV == 'test' else 5000}"
        )
        # The server plans a statement once for each connection, not each time: measured, a third less
        # of its time for a booking. A pooler between must keep prepared statements, or pool sessions.
        options |= {"server_side_binding": True, "prepare_threshold": 5}
    return {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": unquote(parts.path.lstrip("/")),
        "USER": unquote(parts.username or ""),
        "PASSWORD": unquote(parts.password or ""),
        "HOST": query.get("host") or parts.hostname or "",
        "PORT": str(parts.port or ""),
        "CONN_MAX_AGE": None,
        "CONN_HEALTH_CHECKS": True,
        "OPTIONS": options,
        "ATOMIC_REQUESTS": False,
    }


APP_ROLE = "spa_ops_app"
ERASER_ROLE = "spa_ops_eraser"
_url = os.environ.get("DATABASE_URL", "")
if not _url and ENV == "production":
    raise ImproperlyConfigured("Set DATABASE_URL, or use `make run` for the embedded database.")
_url = _url or "postgresql://127.0.0.1:1/unset"
# `default` is what the program runs as, under row-level security; `owner` migrates and nothing else.
DATABASES = {
    "default": _database(_url, role=APP_ROLE),
    "owner": _database(os.environ.get("DATABASE_OWNER_URL", _url), role=None),
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

REDIS_URL = os.environ.get("REDIS_URL", "")
#: Tests clone databases, which an open connection for pokes would forbid; theirs turns it on.
SEND_POKES = ENV != "test"
#: Every key of ours in a shared Redis starts with this.
REDIS_PREFIX = os.environ.get("SPA_OPS_REDIS_PREFIX", "spa_ops:")
REQUESTS_PER_MINUTE = int(os.environ.get("SPA_OPS_REQUESTS_PER_MINUTE", "6000"))
#: From one address, to pages that need no sign-in: a family behind one router has enough.
PAGES_PER_MINUTE = int(os.environ.get("SPA_OPS_PAGES_PER_MINUTE", "60"))
#: How many proxies of ours stand in front, each adding to X-Forwarded-For whom it heard from.
PROXIES = int(os.environ.get("SPA_OPS_PROXIES", "0"))
BROKER_URL = os.environ.get("SPA_OPS_BROKER_URL", REDIS_URL)


def _broker() -> tuple[str, dict[str, object]]:
    """The broker's address and options: Redis, else the database itself."""
    # A message comes back after 10 minutes if its worker was killed; the sweeps are quicker.
    options: dict[str, object] = {"visibility_timeout": 600}
    if BROKER_URL:
        return BROKER_URL, options | {"global_keyprefix": REDIS_PREFIX}
    # The launcher made the schema; the queue's tables are this login's own. The client keeps no more
    # than these five of a URL (no TLS settings), so a server elsewhere is better used with Redis.
    login = DATABASES["default"]
    named = {
        "host": "HOST",
        "port": "PORT",
        "dbname": "NAME",
        "user": "USER",
        "password": "PASSWORD",
    }
    words = {name: login[key] for name, key in named.items() if login[key]}
    options |= {"conn_string": make_conninfo(**words), "init_extension": False, "pool_size": 4}
    # Asking 5 times a second is one indexed look-up each; a long poll would hold a snapshot open.
    return "pgmq://", options | {"wait_time_seconds": 0, "polling_interval": 0.2}


CELERY_BROKER_URL, CELERY_BROKER_TRANSPORT_OPTIONS = _broker()
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TASK_DEFAULT_QUEUE = "spa_ops"
CELERY_TASK_ACKS_LATE = CELERY_TASK_REJECT_ON_WORKER_LOST = CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SOFT_TIME_LIMIT, CELERY_TASK_TIME_LIMIT = 240, 300
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
# Asking a worker for signs of life needs broadcasts, which cost the database a table for each worker.
CELERY_WORKER_ENABLE_REMOTE_CONTROL = CELERY_BROKER_URL.startswith("redis")
CELERY_BEAT_SCHEDULER = "spa_ops.celery:WallClockScheduler"
CELERY_BEAT_MAX_LOOP_INTERVAL = 5

ALLOWED_HOSTS = os.environ.get(
    "SPA_OPS_ALLOWED_HOSTS", "127.0.0.1,localhost,[::1],testserver"
).split(",")
INSTALLED_APPS = [
    "spa_ops.celery.Background",
    "django.contrib.postgres",
    "rest_framework",
    "drf_spectacular",
    "spa_ops.unit",
    "spa_ops.web",
    "spa_ops.pages",
    "spa_ops.tenancy",
    "spa_ops.sync",
    "compliance.ledger",
    "spa_ops.claims",
    "compliance.requirements",
    "compliance.disinfection",
    "clients",
    "rooms",
    "services",
    "compliance.reports",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "spa_ops.web.middleware.RequestId",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
]
# Signed cookies hold only a token's id: the token row decides, so signing out works at once.
SESSION_ENGINE = "django.contrib.sessions.backends.signed_cookies"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Strict"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = ENV == "production"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
ROOT_URLCONF = "spa_ops.urls"
WSGI_APPLICATION = "spa_ops.wsgi.application"
APPEND_SLASH = False
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {"context_processors": ["django.template.context_processors.request"]},
    }
]
USE_TZ = True
TIME_ZONE = "UTC"
USE_I18N = False
DATA_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.ScryptPasswordHasher"
    if ENV != "test"
    else "django.contrib.auth.hashers.MD5PasswordHasher"
]
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["spa_ops.tenancy.authentication.TokenAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": [],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "EXCEPTION_HANDLER": "spa_ops.web.problems.handle",
    "DEFAULT_SCHEMA_CLASS": "spa_ops.web.openapi.Schema",
    "UNAUTHENTICATED_USER": None,
    "UNAUTHENTICATED_TOKEN": None,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Spa operations",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "POSTPROCESSING_HOOKS": ["spa_ops.web.openapi.finish"],
}
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    # Django logs the path of what failed; an intake link's is a credential.
    "filters": {"hide_tokens": {"()": "spa_ops.web.logs.HideTokens"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "filters": ["hide_tokens"]}},
    "root": {"handlers": ["stderr"], "level": "WARNING"},
}
