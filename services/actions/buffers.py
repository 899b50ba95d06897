"""Setting what is kept free around a practitioner's visits."""

from datetime import datetime
from uuid import UUID

from services.models import PractitionerBuffer
from services.queries import buffers as queries
from spa_ops.kernel.actor import Actor
from spa_ops.unit.work import action, current


@action
def set_buffer(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    before_minutes: int | None,
    after_minutes: int | None,
) -> PractitionerBuffer:
    """A team member's own minutes around each visit, None: as the location has it. Raises `NotFound`.

    What is planned stays as it is.
    """
    row = queries.locked_buffer(person_id, actor)
    if row is None:
        row = PractitionerBuffer(business_id=actor.business_id, person_id=person_id)
    row.before_minutes, row.after_minutes, row.recorded_at = before_minutes, after_minutes, now
    row.save(force_insert=row._state.adding)
    current().evidence(
        "person.buffer_set", location_id=None, subject_id=person_id, facts={"person_id": person_id}
    )
    return row
