"""Shapes of what is sent in. Meaning is checked by the actions, not here."""

from rest_framework import serializers as s

from clients.models import ConsentPurpose
from clients.rules.consents import SignedBy
from spa_ops.web.views import Strict


def _language() -> s.RegexField:
    return s.RegexField(
        r"^([a-z]{2,3}(-[A-Z]{2})?)?$",
        required=False,
        allow_blank=True,
        max_length=12,
        help_text="BCP 47 language and perhaps region, such as en or fr-CA",
    )


class GuardianInput(Strict):
    name = s.CharField(max_length=200)
    relation = s.CharField(max_length=80, required=False, allow_blank=True)
    phone = s.CharField(max_length=40, required=False, allow_blank=True)
    email = s.CharField(max_length=254, required=False, allow_blank=True)


class ChangeClient(Strict):
    name = s.CharField(max_length=200, required=False)
    phone = s.CharField(
        max_length=40,
        required=False,
        allow_blank=True,
        help_text="E.164, or national of the location's country",
    )
    email = s.CharField(max_length=254, required=False, allow_blank=True)
    birth_date = s.DateField(required=False, allow_null=True)
    language = _language()
    zone = s.CharField(
        max_length=64, required=False, allow_blank=True, help_text="IANA; empty: the location's"
    )
    note = s.CharField(
        max_length=2000,
        required=False,
        allow_blank=True,
        help_text="Everybody on the team reads it: nothing about health belongs here",
    )
    guardian = GuardianInput(
        required=False, allow_null=True, help_text="who gets a minor's messages in their stead"
    )
    chosen_practitioner_id = s.UUIDField(
        required=False, allow_null=True, help_text="whom the client chose for intimate services"
    )


class AddClient(ChangeClient):
    id = s.UUIDField(required=False)
    location_id = s.UUIDField(required=False, help_text="Default: your own location")
    name = s.CharField(max_length=200)


class SignatureInput(Strict):
    text_digest = s.RegexField(
        r"^[0-9a-f]{64}$",
        max_length=64,
        help_text="SHA-256 of the UTF-8 of the text that was shown",
    )
    typed_name = s.CharField(max_length=200)
    signed_by = s.ChoiceField([who.value for who in SignedBy], required=False)
    relation = s.CharField(
        max_length=80, required=False, allow_blank=True, help_text="a guardian's to the client"
    )
    witnessed_by = s.UUIDField(required=False, help_text="a team member; default: yourself")


class RecordConsent(Strict):
    purpose = s.ChoiceField(ConsentPurpose.values)
    given = s.BooleanField(help_text="false withdraws it, at once")
    signature = SignatureInput(required=False, help_text="with what is given, and only then")


class PublishText(Strict):
    purpose = s.ChoiceField(ConsentPurpose.values)
    language = s.RegexField(
        r"^[a-z]{2,3}(-[A-Z]{2})?$", max_length=12, help_text="BCP 47, such as en or fr-CA"
    )
    text = s.CharField(max_length=20_000)
