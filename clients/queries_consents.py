"""Reads of consent texts and signatures. Never writes."""

import json
from collections.abc import Collection
from typing import Any
from uuid import UUID

from clients.consent_text_file import shipped_texts
from clients.models import Consent, ConsentText
from clients.rules.consents import Text
from spa_ops.tenancy.sealing import under_present_key, unseal_each


def _plain(row: ConsentText) -> Text:
    return Text(purpose=row.purpose, language=row.language, version=row.version, text=row.text)


def texts_in_force() -> list[tuple[Text, bool]]:
    """For each purpose and language the newest text, and whether it is the business's own.

    What comes with the program stands in for a language in which the business has published none.
    """
    newest = ConsentText.objects.order_by("purpose", "language", "-version").distinct(
        "purpose", "language"
    )
    own = {(row.purpose, row.language): (_plain(row), True) for row in newest}
    shipped = {(text.purpose, text.language): (text, False) for text in shipped_texts()}
    return [found for _, found in sorted((shipped | own).items())]


def texts_of(digest: str) -> list[tuple[Text, bool]]:
    """Every text of that digest, in force or not, and whether it is the business's own.

    The same words may serve several purposes.
    """
    own = ConsentText.objects.filter(digest=digest).order_by("id")
    shipped = [(text, False) for text in shipped_texts() if text.digest == digest]
    return [*((_plain(row), True) for row in own), *shipped]


def signatures_of(
    client_ids: Collection[UUID], business_id: UUID
) -> list[tuple[Consent, dict[str, Any]]]:
    """The consents signed under these ids of one person, oldest first, with name and relation.

    Raises `Erased`.
    """
    found = []
    for client_id in client_ids:
        signed = Consent.objects.filter(client_id=client_id, sealed_signature__isnull=False)
        rows = list(under_present_key(signed))
        if rows:
            sealed = (bytes(r.sealed_signature or b"") for r in rows)
            plain = unseal_each(business_id, client_id, sealed)
            found += [(row, json.loads(text)) for row, text in zip(rows, plain, strict=True)]
    return sorted(found, key=lambda one: (one[0].recorded_at, one[0].id))
