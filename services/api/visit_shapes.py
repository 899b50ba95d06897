"""Shapes of what is sent in about visits. Meaning is checked by rules and actions, not here."""

from rest_framework import serializers as s

from spa_ops.web.views import Strict


class LineInput(Strict):
    id = s.UUIDField(required=False)
    service_id = s.UUIDField()
    practitioner_id = s.UUIDField()
    room_id = s.UUIDField()
    kit_id = s.UUIDField(required=False, allow_null=True)
    starts_at = s.DateTimeField(
        required=False,
        allow_null=True,
        help_text="when the client is there; none: right after the line before",
    )
    shortened = s.BooleanField(
        required=False, help_text="with the service's shortest hands-on time, for who comes late"
    )


class TakeWalkIn(Strict):
    id = s.UUIDField(required=False)
    client_id = s.UUIDField()
    note = s.CharField(max_length=2000, required=False, allow_blank=True)
    lines = LineInput(many=True)


class BookVisit(TakeWalkIn):
    hold_id = s.UUIDField(
        required=False, help_text="the hold whose place it takes: its lines, or fewer"
    )


class HoldTime(Strict):
    client_id = s.UUIDField(required=False, help_text="if it is known who: their time is held too")
    lines = LineInput(many=True)


class MoveVisit(Strict):
    lines = LineInput(many=True)
    drop_line_ids = s.ListField(
        child=s.UUIDField(),
        max_length=20,
        required=False,
        help_text="lines to be taken out with it",
    )
    reason = s.CharField(max_length=500, required=False, allow_blank=True)


class AskLateArrival(Strict):
    minutes = s.IntegerField(min_value=1, max_value=480, help_text="after the visit's start")


class WithReason(Strict):
    reason = s.CharField(max_length=500)


class MaybeReason(Strict):
    reason = s.CharField(max_length=500, required=False, allow_blank=True)


class CancelVisit(MaybeReason):
    linked = s.BooleanField(required=False)


class RecordGuardian(Strict):
    present = s.BooleanField()
    relation = s.CharField(max_length=80, required=False, allow_blank=True)


class RecordChaperone(Strict):
    accepted = s.BooleanField()
    chaperone_id = s.UUIDField(required=False, help_text="who it is, when accepted")


class SeatClient(Strict):
    room_id = s.UUIDField(
        required=False, allow_null=True, help_text="none: the room of the first open line"
    )


class AnswerInput(Strict):
    question = s.CharField(max_length=60)
    answer = s.ChoiceField(["yes", "no", "not_answered"])


class WhenInput(Strict):
    """A day, a month, a year, about some time ago, or unknown: what the client can say."""

    on = s.DateField(required=False)
    month = s.RegexField(r"^[0-9]{4}-(0[1-9]|1[0-2])$", required=False, help_text="2026-08")
    year = s.IntegerField(min_value=1900, max_value=2200, required=False)
    about_days_ago = s.IntegerField(min_value=0, max_value=40_000, required=False)
    about_weeks_ago = s.IntegerField(min_value=0, max_value=6_000, required=False)
    about_months_ago = s.IntegerField(min_value=0, max_value=1_400, required=False)
    planned = s.BooleanField(required=False, help_text="with nothing else: some time to come")


class DeclarationInput(Strict):
    kind = s.CharField(max_length=60)
    areas = s.ListField(child=s.CharField(max_length=40), max_length=60, required=False)
    when = WhenInput(required=False)
    still = s.BooleanField(required=False, allow_null=True)
    details = s.ListField(child=s.CharField(max_length=40), max_length=20, required=False)


class FindingInput(Strict):
    code = s.CharField(max_length=60)
    areas = s.ListField(child=s.CharField(max_length=40), max_length=60, required=False)
    millimetres = s.DecimalField(
        max_digits=6, decimal_places=2, min_value=0, required=False, allow_null=True
    )


class ReleaseInput(Strict):
    released_by = s.CharField(max_length=200, help_text="the doctor or clinic")
    released_on = s.DateField()
    released_for = s.CharField(max_length=500, help_text="what was released")


class MetInput(Strict):
    line_id = s.UUIDField()
    rule_id = s.CharField(max_length=60)
    release = ReleaseInput(required=False, allow_null=True)


class HoldConsultation(Strict):
    answers = AnswerInput(many=True, required=False)
    declarations = DeclarationInput(many=True, required=False)
    findings = FindingInput(many=True, required=False)
    met = MetInput(many=True, required=False)


class StartLine(Strict):
    hands_cleaned = s.BooleanField(required=False)
    fresh_gloves = s.BooleanField(required=False)
    skin_prepared = s.BooleanField(required=False)
    wax_tried_on_wrist = s.BooleanField(
        required=False, help_text="on one's own wrist, for this client"
    )
    wax_pot_id = s.UUIDField(
        required=False, allow_null=True, help_text="the pot in the room; none: one that may be used"
    )


class StopLine(Strict):
    reason = s.CharField(max_length=500)
    done = s.CharField(max_length=2000, required=False, allow_blank=True)
    price_minor = s.IntegerField(
        min_value=0, max_value=100_000_000, required=False, allow_null=True
    )


class RecordBlood(Strict):
    stopped = s.BooleanField(required=False)
    first_aid = s.BooleanField(required=False)
    fresh_gloves = s.BooleanField(required=False)
    waste_bagged = s.BooleanField(required=False)


class UsedInput(Strict):
    """One thing of the stock: a container says lot and item, a lot says the item."""

    container_id = s.UUIDField(required=False, allow_null=True, help_text="the open container")
    lot_id = s.UUIDField(required=False, allow_null=True)
    item_id = s.UUIDField(required=False, allow_null=True)
    amount = s.DecimalField(
        max_digits=9,
        decimal_places=3,
        min_value=0,
        required=False,
        allow_null=True,
        help_text="in the item's unit; else what the set-up list has; 0: not used after all",
    )


class PassesInput(Strict):
    section = s.CharField(max_length=60)
    passes = s.IntegerField(min_value=1, max_value=20)


class WorkRecordInput(Strict):
    method = s.CharField(max_length=40)
    areas = s.ListField(child=s.CharField(max_length=40), min_length=1, max_length=40)
    sections = s.IntegerField(min_value=0, max_value=200, required=False, allow_null=True)
    applicators = s.IntegerField(min_value=0, max_value=500, required=False, allow_null=True)
    passes = PassesInput(
        many=True,
        required=False,
        max_length=200,
        help_text="how often wax went over each section; soft wax once, hard wax at most twice, then tweezers",
    )
    products = s.ListField(child=s.CharField(max_length=200), max_length=40, required=False)
    used = UsedInput(
        many=True,
        required=False,
        max_length=60,
        help_text="of the stock, where it was not what stood open in the room, or not that much",
    )
    reaction = s.CharField(max_length=2000, required=False, allow_blank=True)
    aftercare = s.CharField(max_length=2000, required=False, allow_blank=True)
    client_content = s.BooleanField(required=False, allow_null=True)
    note = s.CharField(max_length=4000, required=False, allow_blank=True)


class FinishLine(Strict):
    gloves_off = s.BooleanField(required=False)
    hands_washed = s.BooleanField(required=False)
    gloves_on = s.BooleanField(
        required=False,
        help_text="finished in one tap: the record is confirmed after hands are washed",
    )
    record = WorkRecordInput(required=False, help_text="needed unless gloves are still on")


class AddWorkRecordInput(WorkRecordInput):
    gloves_off = s.BooleanField(required=False)
    hands_washed = s.BooleanField(required=False)
    happened_at = s.DateTimeField(
        required=False,
        allow_null=True,
        help_text="when the work was done, for what is confirmed later",
    )


class ReassignVisit(Strict):
    practitioner_id = s.UUIDField()
    reason = s.CharField(max_length=500, required=False, allow_blank=True)


class ExtendLine(Strict):
    minutes = s.IntegerField(min_value=1, max_value=240)


class SwapLine(Strict):
    line = LineInput()
    reason = s.CharField(max_length=500)


class StrikeAnswer(Strict):
    item_id = s.UUIDField()
    reason = s.CharField(max_length=500)
