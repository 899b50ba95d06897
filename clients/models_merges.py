"""The history of merges; where a client stands now is on the client itself."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


@append_only
class ClientMerge(TenantModel):
    """`client` was found to be the same person as `into`, which is left; or, with `undoes_id`, was not."""

    client = TenantForeignKey("clients.Client")
    into = TenantForeignKey("clients.Client")
    undoes_id = models.UUIDField(null=True)
    #: One of actions_merge.MergeReason; empty: not said. A code: words would outlive an erasure.
    reason = models.CharField(max_length=20, default="")
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_merge"
        constraints = [
            *tenant_constraints(
                "clients_merge", client="clients_client", into="clients_client",
                undoes="clients_merge",
            ),
            models.UniqueConstraint(
                fields=["business_id", "undoes_id"], name="clients_merge_undone_once"
            ),
        ]  # fmt: skip
        indexes = [
            models.Index(fields=["business_id", "client", "recorded_at"], name="clients_merge_of")
        ]

    def __str__(self) -> str:
        return f"{self.client_id} into {self.into_id}"
