"""The planned way back of a kit follows what happens to it. Nobody's time is taken by it."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.rules.way_back import what_is_left
from spa_ops.claims import actions_way_back as claims
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location


def follow(place: Location, kit_ids: Iterable[UUID], now: datetime) -> None:
    """Where a kit is planned to be away: away no longer than it takes, and as much longer as is free.

    A kit that is stored clean is free at once; one whose contact time began earlier, later or anew is
    away until that is over and it is rinsed and dried. To be called with the kits' implements
    written: their bookables are locked behind them, so nothing that holds bookables may lock kits.
    """
    policy = tenancy.policy_of(place)
    after = timedelta(minutes=policy.kit_rinse_minutes + policy.kit_dry_minutes)
    for kit_id, kit in claims.lock_on_their_way(set(kit_ids), now).items():
        tracks = [queries.track_of(row) for row in queries.implements_in(kit_id)]
        left = what_is_left(tracks, now, after)
        if left is not None:
            claims.follow_way_back(
                kit=kit,
                now=now,
                lifted_at=left.lifted_at,
                back_at=left.back_at,
                may_shorten=left.is_all,
            )
