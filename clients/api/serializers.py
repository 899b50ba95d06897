"""Shapes of what is sent in. Meaning is checked by the actions, not here."""

from rest_framework import serializers as s

from clients.models import ConsentPurpose
from spa_ops.web.views import Strict


def _language() -> s.RegexField:
    return s.RegexField(
        r"^([a-z]{2,3}(-[A-Z]{2})?)?$",
        required=False,
        allow_blank=True,
        max_length=12,
        help_text="BCP 47 language and perhaps region, such as en or fr-CA",
    )


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


class AddClient(ChangeClient):
    id = s.UUIDField(required=False)
    location_id = s.UUIDField(required=False, help_text="Default: your own location")
    name = s.CharField(max_length=200)


class RecordConsent(Strict):
    purpose = s.ChoiceField(ConsentPurpose.values)
    given = s.BooleanField(help_text="false withdraws it")
