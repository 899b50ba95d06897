"""Bookable things and the spans of time in which a plan has taken them."""

from typing import NamedTuple
from uuid import UUID

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import BigIntegerRangeField, DateTimeRangeField, RangeOperators
from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints

_NEXT_NUMBER = models.Func(
    models.Value("claims_bookable_number"),
    function="nextval",
    output_field=models.BigIntegerField(),
)


def _minute(rounded: str, bound: str) -> models.GeneratedField:
    """The span's bound as a whole minute since 1970: a number can be compared under an index.

    Under row-level security an index is only asked what leaks nothing, and ranges' own functions
    are not marked so.
    """
    utc = models.Func(
        models.Func(models.F("span"), function=bound),
        template="%(expressions)s AT TIME ZONE 'UTC'",
        output_field=models.DateTimeField(),
    )
    return models.GeneratedField(
        expression=models.Func(
            models.Func(
                utc,
                template="extract(epoch FROM %(expressions)s) / 60",
                output_field=models.FloatField(),
            ),
            function=rounded,
            output_field=models.IntegerField(),
        ),
        output_field=models.IntegerField(),
        db_persist=True,
    )


class BookableKind(models.TextChoices):
    CLIENT = "client"
    PRACTITIONER = "practitioner"
    ROOM = "room"
    KIT = "kit"


class Phase(models.TextChoices):
    """What the time is for. `service` is from consultation to aftercare: while the client is there.

    `reprocessing` is a kit's way back, and `soak` the part of it in a bath. `buffer` is kept free around
    a visit.
    """

    SET_UP = "set_up"
    SERVICE = "service"
    TURNOVER = "turnover"
    REPROCESSING = "reprocessing"
    SOAK = "soak"
    ABSENCE = "absence"
    BUFFER = "buffer"


class Bookable(TenantModel):
    """A client, practitioner, room or kit, with the number by which it is locked and excluded.

    Its id is the id of what it stands for. The number is global: bookables are locked in its order.
    """

    number = models.BigIntegerField(unique=True, db_default=_NEXT_NUMBER)
    kind = models.CharField(max_length=12, choices=BookableKind.choices)
    #: Nothing is planned with it any more; read under its lock, so that no booking slips past.
    closed = models.BooleanField(db_default=False)

    class Meta:
        db_table = "claims_bookable"
        constraints = tenant_constraints("claims_bookable")

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"


class BookableFacts(NamedTuple):
    """What a plan needs to know of a bookable, without an instance: bookings read three and more."""

    id: UUID
    number: int
    kind: str
    closed: bool


class Claim(TenantModel):
    """One span of one bookable. No two of a bookable overlap: the database's constraint, not ours.

    `int8range(n, n)` beside the span needs no extension, which the embedded server does not have.
    """

    bookable = TenantForeignKey("claims.Bookable", db_index=False)
    number = BigIntegerRangeField()
    span = DateTimeRangeField()
    #: The minutes that the span touches: from the first up to, but not including, the last.
    from_minute = _minute("floor", "lower")
    until_minute = _minute("ceil", "upper")
    phase = models.CharField(max_length=12, choices=Phase.choices)
    #: The plan that has it: a visit, or a hold where `hold_expires_at` is set.
    visit_id = models.UUIDField(null=True)
    line_id = models.UUIDField(null=True)
    #: A hold that is past this instant is nobody's; confirming deletes it first.
    hold_expires_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "claims_claim"
        constraints = [
            *tenant_constraints("claims_claim", bookable="claims_bookable"),
            ExclusionConstraint(
                name="claims_claim_no_overlap",
                expressions=[
                    ("number", RangeOperators.OVERLAPS),
                    ("span", RangeOperators.OVERLAPS),
                ],
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "visit_id"], name="claims_claim_visit"),
            # What is over long since is never read again.
            models.Index(
                fields=["business_id", "bookable", "until_minute", "from_minute"],
                name="claims_claim_taken",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bookable_id} {self.phase}"
