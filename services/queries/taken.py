"""What is taken of people and things, as bits: the search for starts asks for it step by step."""

from collections.abc import Collection
from datetime import datetime
from uuid import UUID

import orjson
from django.db import connection

from services.rules.availability.bits import filled
from services.rules.availability.model import Taken

# Whole minutes as two texts of numbers: cheaper to make, to hand over and to read than spans.
_TAKEN = """
SELECT b.id, t.first::text, t.until::text FROM unnest(%s::uuid[]) AS b(id), LATERAL (
    SELECT array_agg(c.from_minute) AS first, array_agg(c.until_minute) AS until
    FROM claims_claim c WHERE c.bookable_id = b.id AND c.until_minute > %s AND c.from_minute < %s
    AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)
    {without}
) t WHERE t.first IS NOT NULL
"""


class TakenSoFar:
    """What is taken of these bookables from the minute of `since` on, as far as it was loaded.

    What the visits, holds and lines `without` have taken does not count.
    """

    def __init__(
        self, ids: set[UUID], since: datetime, now: datetime, without: Collection[UUID] = ()
    ) -> None:
        self._ids, self._now, self._without = list(ids), now, list(without)
        self._since = since.replace(second=0, microsecond=0)
        self._first = self._known = int(self._since.timestamp()) // 60
        self._bits: dict[UUID, int] = {}

    def load(self, until: datetime) -> None:
        """Read what is not known yet of the time up to `until`; one statement, or none."""
        end = -int(-until.timestamp() // 60)
        if end <= self._known:
            return
        with connection.cursor() as cursor:
            # Asked only where it matters: with it the index alone does not tell.
            without, more = (
                (
                    "AND (c.visit_id = ANY(%s) OR c.line_id = ANY(%s)) IS NOT TRUE",
                    [self._without] * 2,
                )
                if self._without
                else ("", [])
            )
            cursor.execute(
                _TAKEN.format(without=without), [self._ids, self._known, end, self._now, *more]
            )
            for who, first, ends in cursor.fetchall():
                self._bits[who] = self._bits.get(who, 0) | self._filled(
                    orjson.loads(f"[{first[1:-1]}]"), orjson.loads(f"[{ends[1:-1]}]")
                )
        self._known = end

    def _filled(self, firsts: list[int], ends: list[int]) -> int:
        """Bits from the minute on up to which everything was known."""
        known = self._known
        if min(firsts) < known:
            firsts = [max(first, known) for first in firsts]
        return filled(firsts, ends, known) << known - self._first

    def of(self, who: UUID) -> Taken:
        """What is taken of one of them."""
        return Taken(origin=self._since, bits=self._bits.get(who, 0))
