"""Endpoints of consents, their signatures, and the texts they are asked with."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients import actions_consents as actions
from clients import queries_consents as queries
from clients.api import serializers as shapes
from clients.bodies import CLIENT, CONSENT, CONSENT_TEXT
from clients.models import Client, ConsentPurpose
from clients.problems import MergedAway, SignatureRefused
from clients.queries_people import ids_of
from clients.rules.consents import Signature, SignedBy, Text
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, STAFF, ApiView, Command, ListView, answer


class ListConsents(ListView):
    """Everything a client agreed to or withdrew, oldest first: the newest of a purpose holds."""

    access = {"GET": STAFF}
    entity = CONSENT
    order = "e.recorded_at"
    order_type = "timestamptz"
    tag = "clients"

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        tenancy.loaded(Client, id, self.actor)
        return [("e.client_id = ANY(%s)", [ids_of(id)])]


class RecordConsent(Command):
    """Record that a client agreed to one purpose, or agrees to it no more. Answers the client.

    With `signature`: the name typed under one text, by the client or the guardian. A withdrawal
    counts from the next action on.
    """

    access = {"POST": STAFF}
    input = shapes.RecordConsent
    entity = CLIENT
    tag = "clients"
    problems = (SignatureRefused, Erased, MergedAway)

    def handle(
        self, *, id: UUID, purpose: str, given: bool, signature: Any = None, **rest: Any
    ) -> Any:
        asked = {"client_id": id, "purpose": ConsentPurpose(purpose), **rest}
        if not given:
            if signature is not None:
                raise invalid("/signature", "goes with what is given; a withdrawal needs none")
            return actions.withdraw_consent(**asked)
        if signature is None:
            return actions.give_consent(**asked)
        signed = dict(signature)
        witness = signed.pop("witnessed_by", None)
        signed["signed_by"] = SignedBy(signed.get("signed_by", SignedBy.CLIENT))
        return actions.give_consent(**asked, signature=Signature(**signed), witnessed_by=witness)


_SIGNED = object_schema(
    consent_id="uuid", purpose="str", text_digest="str", typed_name="str", signed_by="str",
    relation="str?", witnessed_by="uuid?", device_id="uuid?", signed_at="datetime",
)  # fmt: skip


class ListSignatures(ApiView):
    """A client's signed consents, oldest first: whose name stands under which text, who saw it."""

    access = {"GET": STAFF}
    tag = "clients"
    problems = (Erased,)
    output = object_schema(items=array_of(_SIGNED))

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            client = tenancy.loaded(Client, id, self.actor)
            found = queries.signatures_of(ids_of(client.id), client.business_id)
        return answer(
            {
                "items": [
                    {
                        "consent_id": row.id,
                        "purpose": row.purpose,
                        "text_digest": row.text_digest,
                        "signed_by": row.signed_by,
                        "witnessed_by": row.witnessed_by,
                        "device_id": row.device_id,
                        "signed_at": row.recorded_at,
                        **name,
                    }
                    for row, name in found
                ]
            }
        )


_TEXT = object_schema(
    purpose="str", language="str", version="int", text="str", digest="str", own="bool"
)


def _text(text: Text, own: bool) -> dict[str, Any]:
    return {
        "purpose": text.purpose,
        "language": text.language,
        "version": text.version,
        "text": text.text,
        "digest": text.digest,
        "own": own,
    }


class ListTexts(ApiView):
    """The consent texts in force: the business's newest, else those that come with the program.

    Those are house policy: have them read by someone who knows the local law. With `digest`: the
    words that somebody signed, in force or not.
    """

    access = {"GET": STAFF}
    tag = "consent-texts"
    parameters = {"digest": ("str", "SHA-256 of the text's UTF-8, as a signature has it")}
    output = object_schema(items=array_of(_TEXT))

    def get(self, request: Request) -> HttpResponse:
        with reading(self.actor.business_id):
            digest = self.query("digest")
            found = queries.texts_of(digest) if digest else queries.texts_in_force()
        return answer({"items": [_text(text, own) for text, own in found]})


class PublishText(Command):
    """Publish the business's next text for a purpose in a language. What was signed stays as it was."""

    access = {"POST": LEADS}
    input = shapes.PublishText
    entity = CONSENT_TEXT
    status = 201
    tag = "consent-texts"

    def handle(self, *, purpose: str, **given: Any) -> Any:
        return actions.publish_text(purpose=ConsentPurpose(purpose), **given)
