"""The signature of a webhook, as Standard Webhooks 1.0.0 asks: HMAC-SHA256 over `id.timestamp.body`."""

import base64
import hashlib
import hmac
from collections.abc import Iterable

PREFIX = "whsec_"


def signature(secrets: Iterable[str], *, id_: str, timestamp: int, body: bytes) -> str:
    """Return the header webhook-signature: one `v1` signature for each secret.

    Args:
        secrets: `whsec_` and base64; two of them while one takes the place of the other.
        id_: the message's.
        timestamp: of this try, in seconds since 1970.
        body: exactly what is sent.
    """
    signed = f"{id_}.{timestamp}.".encode() + body
    return " ".join(f"v1,{_signed(one, signed)}" for one in secrets)


def _signed(secret: str, text: bytes) -> str:
    key = base64.b64decode(secret.removeprefix(PREFIX))
    return base64.b64encode(hmac.new(key, text, hashlib.sha256).digest()).decode()
