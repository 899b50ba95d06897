"""The credential in a link without sign-in: which business, a random secret, our signature over both.

The business is named because row-level security needs it before the link can be looked up; the
signature keeps strangers from asking any business's table. Losing `SECRET_KEY` ends all links.
"""

import base64
import binascii
import hmac
import os
from dataclasses import dataclass
from hashlib import sha256
from uuid import UUID

from django.utils.crypto import salted_hmac

from spa_ops.kernel.problems import NotFound

#: 128 bits each: business, secret, signature. 48 bytes are 64 characters, without padding.
_PART = 16


@dataclass(frozen=True, slots=True)
class LinkTokens:
    """Tokens for one use; one made for another is not known here."""

    salt: str

    def made(self, business_id: UUID) -> tuple[str, bytes]:
        """A new token, and the hash under which its secret is kept."""
        secret = os.urandom(_PART)
        said = business_id.bytes + secret
        whole = said + self._signature(said)
        return base64.urlsafe_b64encode(whole).decode(), sha256(secret).digest()

    def read(self, token: str) -> tuple[UUID, bytes]:
        """The business and the secret's hash of a token that we signed; raises `NotFound` for another."""
        try:
            whole = base64.b64decode(token.encode("ascii"), altchars=b"-_", validate=True)
        except (binascii.Error, UnicodeEncodeError):
            raise NotFound from None
        said, signature = whole[: 2 * _PART], whole[2 * _PART :]
        if len(whole) != 3 * _PART or not hmac.compare_digest(signature, self._signature(said)):
            raise NotFound
        return UUID(bytes=said[:_PART]), sha256(said[_PART:]).digest()

    def storage_key(self, token: str) -> str:
        """What a browser keeps a half-filled page under: tells nothing of the token."""
        return salted_hmac(f"{self.salt}.storage", token, algorithm="sha256").hexdigest()[:32]

    def _signature(self, said: bytes) -> bytes:
        return salted_hmac(self.salt, said, algorithm="sha256").digest()[:_PART]


INTAKE = LinkTokens("services.intake-link")
CALENDAR = LinkTokens("services.calendar-feed")
