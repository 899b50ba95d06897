"""Cursors of lists that are ordered by an instant and an id, where the rows are not made in SQL."""

from datetime import datetime
from uuid import UUID

from rest_framework.request import Request

from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import MalformedRequest
from spa_ops.web.views import decode_position, encode_position


def place_in_time(request: Request) -> tuple[datetime, UUID] | None:
    """The instant and id that `cursor` names; raises `MalformedRequest`."""
    position = decode_position(request.query_params.get("cursor"))
    if position is None:
        return None
    try:
        at = datetime.fromisoformat(position[0])
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise MalformedRequest(reason="The cursor is not one that this server gave out.")
    return at, UUID(position[1])


def next_in_time(following: tuple[datetime, UUID] | None) -> str | None:
    """The cursor behind the last row shown, if there are more."""
    return encode_position((rfc3339(following[0]), str(following[1])) if following else None)
