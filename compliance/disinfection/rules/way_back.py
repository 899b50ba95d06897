"""What is left of a kit's way back, by where its implements stand. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from compliance.disinfection.rules.reprocessing import CONTACT_MET, ImplementState
from compliance.disinfection.rules.tracks import Track


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """When a kit is lifted out of its bath (None: it lies in none) and when it is there again.

    `is_all`: nothing of the kit is further behind, so it is back no later.
    """

    lifted_at: datetime | None
    back_at: datetime
    is_all: bool


def what_is_left(tracks: Iterable[Track], now: datetime, rinse_and_dry: timedelta) -> Left | None:
    """What can be told at `now` of a kit with these implements; None: nothing, and a plan stays as it is.

    Something put in restarts the contact of all in the bath, so the implement that is due last counts.
    """
    there = [track for track in tracks if track.state is not ImplementState.OUT_OF_USE]
    if not there:
        return None
    if all(track.state is ImplementState.READY for track in there):
        return Left(lifted_at=None, back_at=now, is_all=True)
    soaking = [track for track in there if track.state is ImplementState.DISINFECTING]
    due = [track.due_at for track in soaking if track.due_at is not None and track.due_at > now]
    if not due:
        return None
    lifted_at = max(due)
    return Left(
        lifted_at=lifted_at,
        back_at=lifted_at + rinse_and_dry,
        is_all=all(track in soaking or track.state in CONTACT_MET for track in there),
    )
