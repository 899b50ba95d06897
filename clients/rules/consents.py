"""Consent texts and signatures. Pure: a text is known by the SHA-256 of its UTF-8."""

from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256


class SignedBy(StrEnum):
    """Whose consent it is."""

    CLIENT = "client"
    GUARDIAN = "guardian"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A typed name under one text; `relation` is a guardian's to the client."""

    text_digest: str
    typed_name: str
    signed_by: SignedBy = SignedBy.CLIENT
    relation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """One text of one purpose, as it was shown."""

    purpose: str
    language: str
    version: int
    text: str

    @property
    def digest(self) -> str:
        """What a signature keeps of it."""
        return digest_of(self.text)


def digest_of(text: str) -> str:
    """SHA-256 of the text's UTF-8, in hexadecimal (FIPS 180-4)."""
    return sha256(text.encode()).hexdigest()


def why_refused(signature: Signature, purpose: str, purposes_of_text: set[str]) -> str | None:
    """Why a signature does not hold for `purpose`, by the purposes that its text is for; None: it does."""
    if not purposes_of_text:
        return "unknown_digest"
    if purpose not in purposes_of_text:
        return "other_purpose"
    if purpose == "guardian_service" and signature.signed_by is not SignedBy.GUARDIAN:
        return "guardian_signs"
    if signature.signed_by is SignedBy.GUARDIAN and not signature.relation.strip():
        return "relation_missing"
    return None
