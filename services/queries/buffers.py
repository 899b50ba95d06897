"""Reads of what is kept free around a practitioner's visits."""

from typing import Any
from uuid import UUID

from services.models import PractitionerBuffer
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person


def locked_buffer(person_id: UUID, actor: Actor) -> PractitionerBuffer | None:
    """A team member's own minutes, the person locked; raises `NotFound`."""
    tenancy.locked(Person, person_id, actor)
    return PractitionerBuffer.objects.filter(person_id=person_id).first()


def buffer_of(person_id: UUID, actor: Actor) -> dict[str, Any]:
    """A team member's own minutes, null where they have none; raises `NotFound`."""
    tenancy.loaded(Person, person_id, actor)
    row = PractitionerBuffer.objects.filter(person_id=person_id).first()
    return _said(row) if row else {"before_minutes": None, "after_minutes": None}


def buffer_with(row_id: UUID) -> dict[str, Any]:
    """A team member's own minutes, by the row's own id."""
    row = PractitionerBuffer.objects.get(id=row_id)
    return {"id": row.id} | _said(row)


def _said(row: PractitionerBuffer) -> dict[str, Any]:
    return {"before_minutes": row.before_minutes, "after_minutes": row.after_minutes}
