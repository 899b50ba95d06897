"""Baths after the hours or the zone of their location became others."""

from datetime import datetime
from uuid import UUID

from compliance.disinfection.actions.solutions import kept_limits, solution_evidence
from compliance.disinfection.models import Solution
from compliance.disinfection.queries import windows
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put_each
from spa_ops.unit.work import action


@action
def redraw_windows(*, actor: Actor, now: datetime, location_id: UUID) -> list[Solution]:
    """After a location's hours or zone changed: baths that end at a closing which comes sooner end then.

    No bath lasts longer by it than was said when it was mixed, and none ends before `now`. Locks the
    location and then the baths, so that one that is mixed meanwhile has the new closing.
    """
    place = tenancy.locked(Location, location_id, actor)
    found = windows.ending_sooner(place, windows.running(place.id, now, lock=True), now)
    was = {row.id: row.discard_at for row, _ in found}
    for row, limits in found:
        row.discard_at, row.limits = limits[0].ends_at, kept_limits(limits)
    put_each([row for row, _ in found], fields=["discard_at", "limits"])
    for row, _ in found:
        solution_evidence(
            "solution.window_shortened",
            row,
            {"was": was[row.id], "discard_at": row.discard_at},
        )
    return [row for row, _ in found]
