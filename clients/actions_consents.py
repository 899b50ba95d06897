"""Writing consents, their signatures, and the texts they are asked with. Rows are only ever added."""

from datetime import datetime
from uuid import UUID

from django.db.models import Max

from clients.models import Client, Consent, ConsentPurpose, ConsentText
from clients.problems import SignatureRefused
from clients.queries import TICK, after_the_last, home_of
from clients.queries_consents import texts_of
from clients.queries_people import check_left
from clients.rules.consents import Signature, digest_of, why_refused
from compliance.ledger.rules.format import canonical_json
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.tenancy.sealing import Erased, seal
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action, current

#: A text longer than this is not read by anybody (house policy).
MOST_CHARACTERS = 20_000


@action
def publish_text(
    *, actor: Actor, now: datetime, purpose: ConsentPurpose, language: str, text: str
) -> ConsentText:
    """The business's next text for a purpose in a language; the ones before stay as they were signed.

    Raises `InvalidInput` for an empty or too long text; `AlreadyExists` when somebody published
    that version at the same moment.
    """
    if not text.strip() or len(text) > MOST_CHARACTERS:
        raise invalid("/text", f"takes 1 to {MOST_CHARACTERS} characters")
    last = ConsentText.objects.filter(purpose=purpose, language=language).aggregate(
        last=Max("version")
    )["last"]
    row = ConsentText(
        business_id=actor.business_id,
        purpose=purpose,
        language=language,
        version=(last or 0) + 1,
        text=text,
        digest=digest_of(text),
        published_at=now,
        published_by=actor.person_id,
    )
    insert([row])
    # In the business's own chain: its texts are the same at all locations.
    current().evidence(
        "consent_text.published",
        location_id=None,
        subject_id=row.id,
        facts={
            "purpose": purpose.value,
            "language": language,
            "number": row.version,
            "digest": row.digest,
        },
    )
    return row


@action
def give_consent(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    purpose: ConsentPurpose,
    signature: Signature | None = None,
    witnessed_by: UUID | None = None,
) -> Client:
    """The client, or the guardian, agreed to this purpose, and to no other; said, or signed.

    Who witnessed a signature is the acting person unless said. Raises `NotFound`,
    `SignatureRefused`, `InvalidInput` for a blank name, `Erased`.
    """
    if signature is not None:
        if not signature.typed_name.strip():
            raise invalid("/signature/typed_name", "must not be blank", "required")
        purposes = {text.purpose for text, _ in texts_of(signature.text_digest)}
        why = why_refused(signature, purpose.value, purposes)
        if why is not None:
            raise SignatureRefused(why=why)
        if witnessed_by is not None:
            tenancy.loaded(Person, witnessed_by, actor)
    return _record(actor, now, client_id, purpose, True, signature, witnessed_by)


@action
def withdraw_consent(
    *, actor: Actor, now: datetime, client_id: UUID, purpose: ConsentPurpose
) -> Client:
    """The client agrees to this purpose no more, from now on; may be said before anything was given."""
    return _record(actor, now, client_id, purpose, False, None, None)


def _record(
    actor: Actor,
    now: datetime,
    client_id: UUID,
    purpose: ConsentPurpose,
    given: bool,
    signature: Signature | None,
    witnessed_by: UUID | None,
) -> Client:
    client = tenancy.locked(Client, client_id, actor)
    if client.erased_at is not None:
        raise Erased
    check_left(client)
    consent = Consent(
        business_id=client.business_id,
        client=client,
        purpose=purpose,
        given=given,
        recorded_at=_asked_at(client, now),
        recorded_by=actor.person_id,
        device_id=actor.device_id,
    )
    personal = None
    if signature is not None:
        name = {"typed_name": signature.typed_name, "relation": signature.relation or None}
        consent.text_digest, consent.signed_by = signature.text_digest, signature.signed_by
        consent.witnessed_by = witnessed_by or actor.person_id
        consent.sealed_signature = seal(client.business_id, client.id, canonical_json(name))
        personal = name
    insert([consent])
    put(client, fields=[])
    place = home_of(client, actor)
    current().evidence(
        "client.consent_given" if given else "client.consent_withdrawn",
        location_id=place.id if place else None,
        subject_id=client.id,
        facts={
            "client_id": client.id,
            "consent_id": consent.id,
            "purpose": purpose.value,
            **(_signed(consent) if signature is not None else {}),
        },
        personal=personal,
        client_id=client.id if personal else None,
    )
    return client


def _asked_at(client: Client, now: datetime) -> datetime:
    """`now`, or just behind the client's newest and the merges into it: what was asked since holds."""
    merged = Client.objects.filter(merged_into_id=client.id).aggregate(last=Max("merged_at"))
    now = now if merged["last"] is None else max(now, merged["last"] + TICK)
    return after_the_last(Consent.objects.filter(client=client), now)


def _signed(consent: Consent) -> dict[str, object]:
    return {
        "digest": consent.text_digest,
        "signed_by": str(consent.signed_by),
        "witnessed_by": consent.witnessed_by,
        "device_id": consent.device_id,
    }
