"""The stream process: server-sent events only, apart from the WSGI web (see `sync.stream`)."""

import os
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "spa_ops.settings")
django.setup()

from spa_ops.sync.stream import serve  # noqa: E402 - Django must be set up first


async def application(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """ASGI entry point: `uvicorn spa_ops.asgi:application`."""
    if scope["type"] == "lifespan":
        while True:
            message = await receive()
            kind = message["type"]
            await send({"type": f"{kind}.complete"})
            if kind == "lifespan.shutdown":
                return
    elif scope["type"] == "http":
        await serve(scope, receive, send)
