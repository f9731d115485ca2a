"""Ids: UUIDs of version 7 (RFC 9562), which sort by the moment at which they were made, and ids derived from them."""

import secrets
import uuid
from datetime import datetime

_RANDOM_A, _RANDOM_B = 12, 62
_VERSION, _VARIANT = 7, 0b10


def new_id(now: datetime) -> str:
    """Return a new id."""
    milliseconds = int(now.timestamp() * 1000)
    number = (milliseconds << 4 | _VERSION) << _RANDOM_A | secrets.randbits(_RANDOM_A)
    return str(uuid.UUID(int=(number << 2 | _VARIANT) << _RANDOM_B | secrets.randbits(_RANDOM_B)))
