"""What lines cost, and how it was paid. Minor units; never a card number."""

from django.db import models

from spa_ops.unit.tables import (
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
    words_go_with_the_client,
)


@append_only
class Charge(TenantModel):
    """What one line costs in the end, with whom it was earned by; the newest row of a line holds.

    Minor units of `currency`; price - discount + tax + tip is what is owed.
    """

    visit = TenantForeignKey("services.Visit")
    line = TenantForeignKey("services.Line")
    practitioner = TenantForeignKey("tenancy.Person")
    currency = models.CharField(max_length=3)
    price_minor = models.PositiveIntegerField()
    discount_minor = models.PositiveIntegerField()
    tax_minor = models.PositiveIntegerField()
    tip_minor = models.PositiveIntegerField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_charge"
        constraints = [
            *tenant_constraints(
                "services_charge",
                visit="services_visit",
                line="services_line",
                practitioner="tenancy_person",
            ),
            models.CheckConstraint(
                condition=models.Q(discount_minor__lte=models.F("price_minor")),
                name="services_charge_discount",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_charge_visit")]

    def __str__(self) -> str:
        return f"{self.price_minor} {self.currency}"


class PaymentMeans(models.TextChoices):
    """How money came. Never a card number: the terminal keeps that."""

    CASH = "cash"
    CARD_TERMINAL = "card_terminal"
    BANK_TRANSFER = "bank_transfer"
    GIFT_VOUCHER = "gift_voucher"
    OTHER = "other"


class PaymentKind(models.TextChoices):
    PAYMENT = "payment"
    REFUND = "refund"
    VOID = "void"


@append_only
@words_go_with_the_client("reason", by="visit_id", of="services_visit")
class Payment(TenantModel):
    """Money in (positive) or back (negative); refund and void name the payment and a reason."""

    visit = TenantForeignKey("services.Visit")
    location = TenantForeignKey("tenancy.Location")
    #: Without gaps per location.
    receipt_number = models.PositiveIntegerField()
    kind = models.CharField(max_length=8, choices=PaymentKind.choices)
    means = models.CharField(max_length=16, choices=PaymentMeans.choices)
    amount_minor = models.IntegerField()
    currency = models.CharField(max_length=3)
    of_payment = TenantForeignKey("services.Payment", null=True)
    paid_by = models.CharField(max_length=200, default="")
    reason = models.CharField(max_length=500, default="")
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_payment"
        constraints = [
            *tenant_constraints(
                "services_payment",
                visit="services_visit",
                location="tenancy_location",
                of_payment="services_payment",
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "receipt_number"],
                name="services_payment_receipt",
            ),
            models.CheckConstraint(
                condition=(models.Q(kind="payment", amount_minor__gt=0, of_payment=None))
                | (
                    models.Q(
                        kind__in=["refund", "void"], amount_minor__lt=0, of_payment__isnull=False
                    )
                ),
                name="services_payment_sign",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_payment_visit")]

    def __str__(self) -> str:
        return f"{self.receipt_number}: {self.amount_minor} {self.currency}"


class ReceiptCounter(TenantModel):
    """The last receipt number of a location; its id is the location's. Locked while one is given out."""

    last_number = models.PositiveIntegerField(default=0)

    class Meta:
        db_table = "services_receipt_counter"
        constraints = tenant_constraints("services_receipt_counter")

    def __str__(self) -> str:
        return f"{self.id}: {self.last_number}"
