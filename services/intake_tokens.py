"""The credential in an intake link: which business, a random secret, and our signature over both.

The business is named because row-level security needs it before the link can be looked up; the
signature keeps strangers from asking any business's table. Losing `SECRET_KEY` ends all links.
"""

import base64
import binascii
import hmac
import os
from hashlib import sha256
from uuid import UUID

from django.utils.crypto import salted_hmac

from spa_ops.kernel.problems import NotFound

_SALT = "services.intake-link"
#: 128 bits each: business, secret, signature. 48 bytes are 64 characters, without padding.
_PART = 16


def made(business_id: UUID) -> tuple[str, bytes]:
    """A new token, and the hash under which its secret is kept."""
    secret = os.urandom(_PART)
    said = business_id.bytes + secret
    return base64.urlsafe_b64encode(said + _signature(said)).decode(), sha256(secret).digest()


def read(token: str) -> tuple[UUID, bytes]:
    """The business and the secret's hash of a token that we signed; raises `NotFound` for another."""
    try:
        whole = base64.b64decode(token.encode("ascii"), altchars=b"-_", validate=True)
    except (binascii.Error, UnicodeEncodeError):
        raise NotFound from None
    said, signature = whole[: 2 * _PART], whole[2 * _PART :]
    if len(whole) != 3 * _PART or not hmac.compare_digest(signature, _signature(said)):
        raise NotFound
    return UUID(bytes=said[:_PART]), sha256(said[_PART:]).digest()


def storage_key(token: str) -> str:
    """What a browser keeps the half-filled page under: tells nothing of the token."""
    return salted_hmac(f"{_SALT}.storage", token, algorithm="sha256").hexdigest()[:32]


def _signature(said: bytes) -> bytes:
    return salted_hmac(_SALT, said, algorithm="sha256").digest()[:_PART]
