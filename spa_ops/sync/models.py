"""Feeds: an ordered log of pointers per location, and one per business. Written by SQL functions only."""

from django.db import models

from spa_ops.unit.tables import TenantModel


class Feed(TenantModel):
    """`head` is taken as the last thing before commit; `floor` rises when old changes are pruned."""

    epoch = models.UUIDField()
    head = models.BigIntegerField(default=0)
    floor = models.BigIntegerField(default=0)

    class Meta:
        db_table = "sync_feed"

    def __str__(self) -> str:
        return f"{self.id} at {self.head}"


class Change(models.Model):
    """One pointer: this entity was at `version` when number `seq` was given out."""

    pk = models.CompositePrimaryKey("feed_id", "seq")
    business_id = models.UUIDField()
    feed_id = models.UUIDField()
    seq = models.BigIntegerField()
    entity = models.CharField(max_length=40)
    entity_id = models.UUIDField()
    version = models.PositiveIntegerField()
    op = models.CharField(max_length=10)
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "sync_change"

    def __str__(self) -> str:
        return f"{self.feed_id}/{self.seq}"
