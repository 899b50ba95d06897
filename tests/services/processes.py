"""Processes of our own beside the test: what they need to find its database."""

import os
from urllib.parse import quote, urlencode

from django.db import connections


def environment(**more: str) -> dict[str, str]:
    """This process's environment, pointed at the database that the test has for itself."""
    names = {"SPA_OPS_ENV": "test", "DJANGO_SETTINGS_MODULE": "spa_ops.settings"}
    return os.environ | names | {"DATABASE_URL": database_url()} | more


def database_url() -> str:
    """The address of the database that this test uses."""
    found = connections["default"].settings_dict
    sign_in = quote(found["USER"], safe="")
    if found["PASSWORD"]:
        sign_in += ":" + quote(found["PASSWORD"], safe="")
    port = f":{found['PORT']}" if found["PORT"] else ""
    query = urlencode({"host": found["HOST"]}) if found["HOST"] else ""
    return f"postgresql://{sign_in}@{port}/{found['NAME']}?{query}"
