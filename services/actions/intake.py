"""Intake before the visit: links, what is sent through them, and its confirmation in the room."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients import actions as clients
from clients import actions_consents as consents
from clients import queries as client_queries
from clients.contacts import checked_birth_date
from compliance.ledger.rules.format import canonical_json
from services.actions.consultation import hold_consultation
from services.link_tokens import INTAKE
from services.models import Intake, IntakeConfirmation, IntakeLink, Visit, VisitState
from services.queries import intake as queries
from services.queries import visits
from services.rules.intake import Told, ends_at, told_from
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import InvalidInput, WrongState, invalid
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.work import action, current


@dataclass(frozen=True, slots=True, kw_only=True)
class NewLink:
    """A link as it was made: the only time that its token is known."""

    link: IntakeLink
    token: str
    expires_at: datetime

    @property
    def id(self) -> UUID:
        return self.link.id


@action
def make_link(*, actor: Actor, now: datetime, visit_id: UUID) -> NewLink:
    """A link for the intake of a visit, in place of any older one.

    Raises `NotFound`; `WrongState` once the client is in the room, or the visit is over or off.
    """
    visit = visits.locked_visit(visit_id, actor)
    expires_at = ends_at(now, visit.starts_at)
    if visit.state not in {VisitState.BOOKED, VisitState.ARRIVED} or expires_at <= now:
        raise WrongState(thing="visit", state=visit.state, needed="a visit that is still to begin")
    _revoke(visit, now)
    token, secret_hash = INTAKE.made(visit.business_id)
    link = IntakeLink(
        business_id=visit.business_id,
        visit=visit,
        location_id=visit.location_id,
        client_id=visit.client_id,
        secret_hash=secret_hash,
        created_at=now,
        created_by=actor.person_id,
    )
    link.save(force_insert=True)
    _evidence("visit.intake_link_made", link, expires_at=expires_at)
    return NewLink(link=link, token=token, expires_at=expires_at)


def _revoke(visit: Visit, now: datetime) -> IntakeLink | None:
    link = IntakeLink.objects.filter(visit=visit, revoked_at=None).first()
    if link is not None:
        link.revoked_at = now
        link.save(update_fields=["revoked_at"])
    return link


@action
def revoke_link(*, actor: Actor, now: datetime, visit_id: UUID) -> Visit:
    """Take the visit's link back; what was sent through it stays.

    Raises `NotFound`, and `WrongState` where there is no link to take back.
    """
    visit = visits.locked_visit(visit_id, actor)
    link = _revoke(visit, now)
    if link is None:
        raise WrongState(thing="intake link", state="none", needed="a link to take back")
    _evidence("visit.intake_link_revoked", link)
    return visit


@action
def submit(
    *, actor: Actor, now: datetime, secret_hash: bytes, sent: Mapping[str, Sequence[str]]
) -> Intake:
    """Keep what a client sent through their link: told, sealed, not confirmed, and no screening.

    The consent to keep it is recorded with it. `actor` is the system: nobody signed in. Raises
    `NotFound`, `IntakeLinkOver`, `IntakeSentAlready`; `InvalidInput` with pointers `/<field>`.
    """
    link = queries.link_with(secret_hash, lock=True)
    page = queries.open_page(link, now)
    told = told_from(page.form, sent, today=page.today, adult_from=page.adult_from)
    content = _content(told, page.today)
    plain = canonical_json(content)
    intake = Intake(
        business_id=link.business_id,
        link=link,
        visit_id=link.visit_id,
        client_id=link.client_id,
        sealed=seal(link.business_id, link.client_id, plain),
        submitted_at=now,
    )
    intake.save(force_insert=True)
    link.submitted_at = now
    link.save(update_fields=["submitted_at"])
    purpose = client_queries.ConsentPurpose.HEALTH_ANSWERS
    consents.give_consent(actor=actor, now=now, client_id=link.client_id, purpose=purpose)
    told_texts = [canonical_json(item).decode() for item in content["items"]]
    rest = canonical_json({k: v for k, v in content.items() if k != "items"}).decode()
    _evidence(
        "visit.intake_sent",
        link,
        personal={"items": [*told_texts, rest]},
        intake_id=intake.id,
        count=len(told_texts),
    )
    return intake


def _content(told: Told, today: date) -> dict[str, Any]:
    """What is sealed: the items in the form that a consultation keeps, by the rules of this day."""
    try:
        items = client_queries.items_from(
            answers=told.answers, declarations=told.declarations, today=today
        )
    except InvalidInput as problem:
        raise InvalidInput(*(_at_field(e, told) for e in problem.fields["errors"])) from problem
    born = checked_birth_date(told.birth_date, today)
    found = {
        "told_on": today,
        "rules_version": client_queries.rule_set().version,
        "changed": told.changed,
        "items": [{"id": uuid7(), "kind": str(i.kind), "content": dict(i.content)} for i in items],
        "birth_date": born,
        "guardian": told.guardian,
        "note": told.note,
    }
    plain: dict[str, Any] = json.loads(json.dumps(found, default=str))
    return plain


def _at_field(error: dict[str, str], told: Told) -> dict[str, str]:
    """The error with a pointer to the field of the page; the rules point at `/declarations/n/...`."""
    _, _, number, *within = error["pointer"].split("/")
    whole = told.declared_at[int(number)]
    part = within[0] if within else ""
    suffixes = {"details": "-details", "still": "-still", "areas": "-where"}
    name = told.timed_at[int(number)] if part == "when" else whole + suffixes.get(part, "")
    return {**error, "pointer": f"/{name}"}


@action
def confirm(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    item_ids: Sequence[UUID] | None = None,
    birth_date: bool = False,
    match: int | None = None,
    **said: Any,
) -> Visit:
    """What was told before the visit was gone through in the room: it becomes said at this visit.

    `item_ids` None means all of the newest intake that are not confirmed yet. `said` is as for
    `hold_consultation`; what it answers replaces all that was told for those questions.
    `birth_date` puts the told one on the client's record. Raises `NotFound`; `InvalidInput` for
    an item that is not told for this visit; `WrongState` for one confirmed before, for nothing
    to confirm, and unless the client is here.
    """
    visit = visits.locked_visit(visit_id, actor, match=match)
    intakes = queries.told_before(visit)
    if not intakes:
        raise WrongState(thing="intake", state="not sent", needed="answers told before the visit")
    newest = intakes[-1]
    chosen = _chosen(newest, item_ids)
    if not chosen and not birth_date:
        raise WrongState(thing="intake", state="confirmed", needed="something to confirm")
    answered = {a["question"] for a in said.get("answers", ())}
    told = [item for item in chosen if _questions_of(item).isdisjoint(answered)]
    if birth_date:
        _keep_birth_date(actor, now, visit, newest.content["birth_date"])
    visit = hold_consultation(
        actor=actor,
        now=now,
        visit_id=visit_id,
        told=[client_queries.HealthItem(kind=i["kind"], content=i["content"]) for i in told],
        **said,
    )
    IntakeConfirmation(
        business_id=visit.business_id,
        intake=newest.intake,
        item_ids=[UUID(item["id"]) for item in chosen],
        confirmed_at=now,
        confirmed_by=actor.person_id,
    ).save(force_insert=True)
    _evidence(
        "visit.intake_confirmed",
        newest.intake,
        location_id=visit.location_id,
        intake_id=newest.intake.id,
        count=len(chosen),
        item_ids=[item["id"] for item in chosen],
    )
    return visit


def _chosen(newest: queries.ToldBefore, wanted: Sequence[UUID] | None) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = newest.content["items"]
    if wanted is None:
        return [item for item in items if UUID(item["id"]) not in newest.confirmed]
    known = {UUID(item["id"]) for item in items}
    for n, item_id in enumerate(wanted):
        if item_id not in known:
            raise invalid(f"/item_ids/{n}", "is not in the newest intake of this visit", "unknown")
        if item_id in newest.confirmed:
            raise WrongState(thing="item", state="confirmed", needed="one not confirmed yet")
    return [item for item in items if UUID(item["id"]) in set(wanted)]


def _questions_of(item: dict[str, Any]) -> set[str]:
    content = item["content"]
    if item["kind"] == client_queries.ItemKind.ANSWER:
        return {content["question"]}
    return {q.id for q in client_queries.rule_set().questions if content["kind"] in q.kinds}


def _keep_birth_date(actor: Actor, now: datetime, visit: Visit, told: str | None) -> None:
    if told is None:
        raise invalid("/birth_date", "no date of birth was told")
    clients.change_client(
        actor=actor, now=now, client_id=visit.client_id, birth_date=date.fromisoformat(told)
    )


def _evidence(
    kind: str,
    about: IntakeLink | Intake,
    *,
    location_id: UUID | None = None,
    personal: dict[str, Any] | None = None,
    **facts: Any,
) -> None:
    link_id = about.id if isinstance(about, IntakeLink) else about.link_id
    current().evidence(
        kind,
        location_id=location_id or about.location_id,  # type: ignore[union-attr]
        subject_id=about.visit_id,
        facts={"visit_id": about.visit_id, "link_id": link_id, **facts},
        personal=personal,
        client_id=about.client_id,
    )
