"""As little as REST framework's token authentication needs: no middleware, no permissions beyond it."""

import os
from urllib.parse import parse_qsl, unquote, urlsplit

_url = urlsplit(os.environ["PEER_DATABASE_URL"])
SECRET_KEY = "development-only-not-a-secret"
ALLOWED_HOSTS = ["127.0.0.1"]
INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "rest_framework",
    "rest_framework.authtoken",
    "tests.bench.peers.read_site",
]
MIDDLEWARE: list[str] = []
ROOT_URLCONF = "tests.bench.peers.read_site.urls"
DATABASES = {
    "default": {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": unquote(_url.path.lstrip("/")),
        "USER": unquote(_url.username or ""),
        "PASSWORD": unquote(_url.password or ""),
        "HOST": dict(parse_qsl(_url.query)).get("host") or _url.hostname or "",
        "PORT": str(_url.port or ""),
        "CONN_MAX_AGE": None,
    }
}
USE_TZ = True
TIME_ZONE = "UTC"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.TokenAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
}
