"""Signatures of events that leave over a hook: Standard Webhooks 1.0.0, HMAC-SHA256.

Numbers only: no clock, no network. The format is that of the standard's text and its reference
libraries' tests (standard-webhooks/standard-webhooks, spec/standard-webhooks.md); the hash is held
against RFC 4231.
"""

import base64
import binascii
import hashlib
import hmac
from collections.abc import Iterable

PREFIX = "whsec_"
TOLERANCE_S = 300


def mac(*, key: bytes, data: bytes) -> bytes:
    """HMAC-SHA256 of some bytes: 32 bytes (RFC 2104, RFC 4231)."""
    return hmac.new(key, data, hashlib.sha256).digest()


def secret_text(*, key: bytes) -> str:
    """A key as its owner is shown it: whsec_ and base64."""
    return PREFIX + base64.b64encode(key).decode()


def key_of(secret: str) -> bytes:
    """The key of a secret as it was shown. Raises ValueError where it is no base64."""
    try:
        return base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("the secret is not base64") from error


def to_sign(*, message_id: str, timestamp: int, body: str) -> bytes:
    """What is signed: id, seconds since 1970 and the raw body, joined by full stops."""
    return f"{message_id}.{timestamp}.{body}".encode()


def sign(*, keys: Iterable[bytes], message_id: str, timestamp: int, body: str) -> str:
    """The signature header: one "v1,BASE64" for each live key, parted by blanks."""
    data = to_sign(message_id=message_id, timestamp=timestamp, body=body)
    return " ".join(f"v1,{base64.b64encode(mac(key=key, data=data)).decode()}" for key in keys)


def verify(
    *, key: bytes, message_id: str, timestamp: int, body: str, header: str, now: int
) -> bool:
    """Whether one of the header's signatures is that of the key, at most 300 s from ``now``."""
    if abs(now - timestamp) > TOLERANCE_S:
        return False
    wanted = sign(keys=[key], message_id=message_id, timestamp=timestamp, body=body).encode()
    return any(hmac.compare_digest(wanted, part.encode()) for part in header.split())
