"""Turns collected changes into the payload of the SQL function that numbers them."""

from typing import Any

from django.db import transaction

from spa_ops.kernel.clock import rfc3339
from spa_ops.sync import pokes
from spa_ops.unit.work import Change, UnitOfWork


def changes_payload(unit: UnitOfWork, changes: list[Change]) -> list[dict[str, Any]]:
    """The collected changes for `sync_publish`: one per feed and entity, the last one wins."""
    last: dict[tuple[Any, str, Any], Change] = {}
    for change in changes:
        for feed in change.feeds:
            key = (feed, change.entity, change.entity_id)
            last.pop(key, None)
            last[key] = change
    at = rfc3339(unit.now)
    feeds = sorted({feed for feed, _, _ in last})
    transaction.on_commit(lambda: pokes.send(feeds), robust=True)
    return [
        {
            "feed": str(feed),
            "business": str(unit.actor.business_id),
            "entity": entity,
            "id": str(entity_id),
            "version": change.version,
            "op": change.op,
            "at": at,
        }
        for (feed, entity, entity_id), change in last.items()
    ]
