"""Gaps that a visit leaves beside it and in which nothing could be sold."""

from datetime import datetime

from services.rules.availability.bits import MINUTE, Ruler, ahead, taken_of
from services.rules.availability.model import Busy, Spans, Taken


class Gaps:
    """Minutes wasted beside spans, where `shortest` is the shortest thing that could be sold."""

    def __init__(self, shortest: int) -> None:
        self._shortest = shortest
        # By identity: the spans are kept with what was made of them.
        self._kept: dict[tuple[int, bool], tuple[object, Taken]] = {}

    def wasted(self, busy: Busy, on_shift: Spans | None, first: datetime, end: datetime) -> int:
        """Whole minutes from `first` back and from `end` on to what is taken, or the shift's edge.

        A gap in which something could be sold is no waste, and none is where the shift goes on.
        """
        many = self._shortest
        before = self._blocked(busy, on_shift, first - many * MINUTE)
        after = self._blocked(busy, on_shift, end)
        found = many - before.bit_length() if before else 0
        return found + ((after & -after).bit_length() - 1 if after else 0)

    def _blocked(self, busy: Busy, on_shift: Spans | None, at: datetime) -> int:
        everything = (1 << self._shortest) - 1
        taken = self._as_bits(busy, inside=False)
        found = ahead(taken.bits, (at - taken.origin) // MINUTE) & everything
        if on_shift:
            there = self._as_bits(on_shift, inside=True)
            found |= everything & ~ahead(there.bits, (at - there.origin) // MINUTE)
        return found

    def _as_bits(self, spans: Busy, *, inside: bool) -> Taken:
        key = (id(spans), inside)
        if key not in self._kept:
            made = taken_of(spans)
            if inside and not isinstance(spans, Taken):
                ruler = Ruler(origin=made.origin, length=made.bits.bit_length())
                made = Taken(origin=made.origin, bits=ruler.inside(spans))
            self._kept[key] = (spans, made)
        return self._kept[key][1]
