"""Shapes of what is sent in. Meaning is checked by rules, not here."""

from rest_framework import serializers as s

from spa_ops.kernel.actor import Role
from spa_ops.web.views import Strict

GRANTABLE = [r.value for r in Role if r is not Role.DEVICE]


class SignIn(Strict):
    login = s.CharField(max_length=120)
    password = s.CharField(max_length=200, trim_whitespace=False)


class AddLocation(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=200)
    zone = s.CharField(max_length=64, help_text="IANA time zone")
    country = s.RegexField(r"^[A-Z]{2}$", help_text="ISO 3166-1 alpha-2")
    jurisdiction = s.RegexField(r"^[a-z]{2}(-[a-z0-9]{1,8})?$", help_text="such as us-tx")
    currency = s.RegexField(r"^[A-Z]{3}$", help_text="ISO 4217")
    opening_hours = s.JSONField(help_text='{"mon": [["09:00", "18:00"]], ...}')
    policies = s.JSONField(required=False)
    licence_number = s.CharField(max_length=60, required=False, allow_blank=True)
    licence_valid_through = s.DateField(required=False, allow_null=True)


class ChangeLocation(Strict):
    name = s.CharField(max_length=200, required=False)
    opening_hours = s.JSONField(required=False)
    policies = s.JSONField(required=False)
    licence_number = s.CharField(max_length=60, required=False, allow_blank=True)
    licence_valid_through = s.DateField(required=False, allow_null=True)


class AddPerson(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=200)
    login = s.CharField(max_length=120, required=False, allow_null=True)
    password = s.CharField(max_length=200, required=False, trim_whitespace=False)
    pin = s.CharField(max_length=8, required=False)
    badge = s.CharField(max_length=200, required=False)


class GrantMembership(Strict):
    role = s.ChoiceField(GRANTABLE)
    location_id = s.UUIDField(allow_null=True, default=None)
    valid_until = s.DateTimeField(required=False, allow_null=True)


class RecordLicence(Strict):
    id = s.UUIDField(required=False)
    jurisdiction = s.RegexField(r"^[a-z]{2}(-[a-z0-9]{1,8})?$")
    kind = s.CharField(max_length=60)
    number = s.CharField(max_length=60)
    valid_from = s.DateField(required=False, allow_null=True)
    valid_through = s.DateField()


class IssueToken(Strict):
    membership_id = s.UUIDField()
    label = s.CharField(max_length=120, required=False, allow_blank=True)
    days = s.IntegerField(min_value=1, max_value=365, required=False)


class RegisterDevice(Strict):
    name = s.CharField(max_length=120)


class UnlockDevice(Strict):
    person_id = s.UUIDField()
    pin = s.CharField(max_length=8, required=False)
    badge = s.CharField(max_length=200, required=False)
