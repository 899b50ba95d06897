"""What a client says is unchanged since it was last told: read under their lock, to be kept again."""

from collections.abc import Sequence
from uuid import UUID

from clients.models import Client
from clients.queries import HealthItem, health_of, rule_set
from clients.rules.spoken import unchanged
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action


@action
def stated_again(
    *, actor: Actor, client_id: UUID, visit_id: UUID, question_ids: Sequence[str]
) -> list[HealthItem]:
    """What "no change" to these questions keeps, for `record_health` in the same transaction.

    Locks the client: nothing newer may be told elsewhere in between, which an older date would
    replace. Raises `NotFound`, `Erased`, and `InvalidInput` as `rules.spoken.unchanged` does.
    """
    client = tenancy.locked(Client, client_id, actor)
    items = health_of(client.id, client.business_id)
    return unchanged(items, visit_id, rule_set(), question_ids)
