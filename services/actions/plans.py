"""What a plan asks for, the line it becomes, and the claims that hold it. Writes nothing but claims."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.queries import client_named
from clients.queries_people import check_left
from services.models import Line, LineState, Service, Visit
from services.queries.holds import holders
from services.queries.kits_away import with_soaking
from services.queries.margins import NO_MARGINS, Margins, margins_of
from services.rules.buffers import Buffer, outside
from services.rules.kits import WayBack
from services.rules.phases import LineSpans
from spa_ops.claims import actions as claims
from spa_ops.claims.models import BookableFacts, Phase
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.sealing import Erased


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRequest:
    """One service that a visit shall have; `starts_at` None: right after the line before."""

    service_id: UUID
    practitioner_id: UUID
    room_id: UUID
    kit_id: UUID | None = None
    starts_at: datetime | None = None
    #: With the service's shortest hands-on time, for who comes late.
    shortened: bool = False
    id: UUID | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Doers:
    """Who sets up and who turns over."""

    set_up_by: UUID
    turnover_by: UUID


def new_line(
    visit: Visit, position: int, request: LineRequest, service: Service, span: LineSpans, who: Doers
) -> Line:
    """The line as it is planned, at the price of today; not saved."""
    return Line(
        id=request.id or uuid7(),
        business_id=visit.business_id,
        visit=visit,
        position=position,
        service=service,
        area=service.area,
        method=service.method,
        practitioner_id=request.practitioner_id,
        room_id=request.room_id,
        kit_id=request.kit_id,
        shortened=request.shortened,
        state=LineState.PLANNED,
        price_minor=service.price_minor,
        currency=service.currency,
        **span_fields(span, who),
    )


def span_fields(span: LineSpans, who: Doers) -> dict[str, Any]:
    """What a line keeps of its spans and of who does what in them."""
    return {
        "set_up_by": who.set_up_by,
        "turnover_by": who.turnover_by,
        "set_up_at": span.set_up_at,
        "starts_at": span.starts_at,
        "hands_on_at": span.hands_on_at,
        "aftercare_at": span.aftercare_at,
        "ends_at": span.ends_at,
        "turnover_ends_at": span.turnover_ends_at,
        "unattended_at": span.unattended_at,
    }


def spans_of_line(line: Line) -> LineSpans:
    """When each part of a line is planned."""
    return LineSpans(
        set_up_at=line.set_up_at,
        starts_at=line.starts_at,
        hands_on_at=line.hands_on_at,
        aftercare_at=line.aftercare_at,
        ends_at=line.ends_at,
        turnover_ends_at=line.turnover_ends_at,
        unattended_at=line.unattended_at,
    )


def wanted_claims(
    client_id: UUID | None, rows: Sequence[Line], margins: Margins = NO_MARGINS
) -> list[claims.Wanted]:
    """Every claim of a visit's lines, its client's where there is one yet.

    A kit is with the visit from its set-up to its turnover, and away for its way back after that.
    """
    wanted: list[claims.Wanted] = []

    def want(who: UUID, start: datetime, end: datetime, phase: Phase, line: Line) -> None:
        if start < end:
            wanted.append(
                claims.Wanted(
                    bookable_id=who, period=Period(start, end), phase=phase, line_id=line.id
                )
            )

    for line in rows:
        if client_id is not None:
            want(client_id, line.starts_at, line.ends_at, Phase.SERVICE, line)
        if line.unattended_at is None:
            want(line.practitioner_id, line.starts_at, line.ends_at, Phase.SERVICE, line)
        else:
            # While it develops and nobody needs to be there, somebody else's line may have them.
            want(line.practitioner_id, line.starts_at, line.unattended_at, Phase.SERVICE, line)
            want(line.practitioner_id, line.aftercare_at, line.ends_at, Phase.SERVICE, line)
        want(line.room_id, line.set_up_at, line.starts_at, Phase.SET_UP, line)
        want(line.set_up_by, line.set_up_at, line.starts_at, Phase.SET_UP, line)
        want(line.room_id, line.starts_at, line.ends_at, Phase.SERVICE, line)
        want(line.room_id, line.ends_at, line.turnover_ends_at, Phase.TURNOVER, line)
        want(line.turnover_by, line.ends_at, line.turnover_ends_at, Phase.TURNOVER, line)
    return wanted + _kept_free(rows, wanted, margins.buffers) + _kit_claims(rows, margins)


def _kept_free(
    rows: Sequence[Line], wanted: Sequence[claims.Wanted], buffers: Mapping[UUID, Buffer]
) -> list[claims.Wanted]:
    found = []
    for who, buffer in buffers.items():
        own = [line for line in rows if who in {line.room_id, line.practitioner_id}]
        ids, taken = {line.id for line in own}, [w for w in wanted if w.bookable_id == who]
        parts = [w.period for w in taken if w.line_id in ids]
        if parts:
            free = outside(buffer.around(parts), [w.period for w in taken])
            found += [
                claims.Wanted(bookable_id=who, period=span, phase=Phase.BUFFER, line_id=own[0].id)
                for span in free
            ]
    return found


def with_baths(
    margins: Margins, rows: Sequence[Line], now: datetime, plan_id: UUID, *, is_locked: bool = False
) -> Margins:
    """The margins with what others have planned for the bath, where kits of these lines go into one."""
    kits = [line for line in rows if line.kit_id]
    if not kits or margins.location_id is None or not margins.way_back.capacity:
        return margins
    way = with_soaking(
        margins.way_back,
        location_id=margins.location_id,
        since=min(line.turnover_ends_at for line in kits),
        now=now,
        without=[plan_id],
        is_locked=is_locked,
    )
    return replace(margins, way_back=way)


def take_time(
    visit: Visit,
    rows: Sequence[Line],
    now: datetime,
    *,
    margins: Margins | None = None,
    locked: dict[UUID, BookableFacts] | None = None,
) -> None:
    """Take every span that a visit's lines need, or none: `take`."""
    take(visit.client_id, rows, now, plan_id=visit.id, margins=margins, locked=locked)


def take(
    client_id: UUID | None,
    rows: Sequence[Line],
    now: datetime,
    *,
    plan_id: UUID,
    margins: Margins | None = None,
    locked: dict[UUID, BookableFacts] | None = None,
    hold_expires_at: datetime | None = None,
) -> None:
    """Take every span that lines need for a visit or a hold, or none; `locked` as `claims.claim` has it.

    `margins` are read where the caller has no facts of exactly these lines.
    Raises `ClaimClash` saying also who holds what is only held, `Erased`, and `MergedAway` for a
    client who was merged into another.
    """
    margins = with_baths(margins or margins_of(rows, now), rows, now, plan_id, is_locked=True)
    # Of what has begun nothing needs to be kept free any more before it.
    wanted = [
        w
        for w in wanted_claims(client_id, rows, margins)
        if w.phase is not Phase.BUFFER or w.period.end > now
    ]
    try:
        claims.claim(
            wanted=wanted,
            now=now,
            visit_id=plan_id,
            hold_expires_at=hold_expires_at,
            locked=locked,
        )
    except ClaimClash as clash:
        held = [c for c in clash.fields["clashes"] if "hold_id" in c]
        names = holders([UUID(c["hold_id"]) for c in held]) if held else {}
        for one in held:
            one["held_by"] = names.get(UUID(one["hold_id"]), "")
        raise
    except Erased:
        if client_id is not None:
            check_left(client_named(client_id))
        raise


def _kit_claims(rows: Sequence[Line], margins: Margins) -> list[claims.Wanted]:
    # One kit may serve several lines of the visit: it is taken once, from the first to the last.
    spans: dict[UUID, tuple[datetime, datetime, Line]] = {}
    for line in rows:
        if line.kit_id:
            start, end, first = spans.get(
                line.kit_id, (line.set_up_at, line.turnover_ends_at, line)
            )
            spans[line.kit_id] = (
                min(start, line.set_up_at),
                max(end, line.turnover_ends_at),
                first,
            )
    found = []
    for kit, (start, end, line) in spans.items():
        found.append(
            claims.Wanted(
                bookable_id=kit, period=Period(start, end), phase=Phase.SERVICE, line_id=line.id
            )
        )
        into = margins.soaks.get(kit)
        found += way_back_claims(kit, line.id, end, margins.way_back, len(spans), into)
    return found


def way_back_claims(
    kit_id: UUID,
    line_id: UUID,
    end: datetime,
    way: WayBack,
    kits: int,
    into: datetime | None = None,
) -> list[claims.Wanted]:
    """What one of so many kits of a visit has taken after its turnover, until it is back.

    It goes into the bath at `into`, if it can then, else as soon as it can.
    """
    if not way.is_planned:
        return []
    back = (way.at(into, end, kits) if into else None) or way.of(end, kits)
    parts = [
        (Phase.REPROCESSING, end, back.soaks_at),
        (Phase.SOAK, back.soaks_at, back.lifted_at),
        (Phase.REPROCESSING, back.lifted_at, back.back_at),
    ]
    return [
        claims.Wanted(bookable_id=kit_id, period=Period(a, b), phase=phase, line_id=line_id)
        for phase, a, b in parts
        if a < b
    ]
