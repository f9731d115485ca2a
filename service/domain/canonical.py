"""The one text of a document, and its digest.

Canonical JSON here is RFC 8785 for what the record holds: objects with ASCII keys, arrays, text, whole numbers
below 2^53, true, false and null. A float or a Decimal never stands in it: numbers are text by `numbers.number`.
"""

import hashlib
import json
import re
from typing import Any

LARGEST = 2**53
_LISTS = (list, tuple)  # a union would be made anew at every look
_SURROGATE = re.compile("[\ud800-\udfff]")


def canonical(document: Any) -> str:
    """Return the canonical JSON of a document.

    Raises:
        TypeError: a value that canonical JSON does not hold (a float, a Decimal, a date).
        ValueError: a non-ASCII key, a whole number of 2^53 or more, U+0000 or a lone surrogate.

    >>> canonical({"b": [1, True, None], "a": "é"})
    '{"a":"é","b":[1,true,null]}'
    """
    _check(document)
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def digest(text: str) -> str:
    """Return `sha256:` and the hex digest of a text's UTF-8."""
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def _check(value: object) -> None:
    if isinstance(value, str):
        _check_text(value)
    elif isinstance(value, dict):
        for key, item in value.items():
            _check_key(key)
            _check(item)
    elif isinstance(value, _LISTS):
        for item in value:
            _check(item)
    elif isinstance(value, int):
        _check_whole(value)
    elif value is not None:
        message = f"canonical JSON holds no {type(value).__name__}"
        raise TypeError(message)


def _check_key(key: object) -> None:
    if not isinstance(key, str) or not key.isascii() or "\0" in key:
        message = f"canonical JSON has ASCII keys, not {key!r}"
        raise ValueError(message)


def _check_text(text: str) -> None:
    if "\0" in text or not (text.isascii() or _SURROGATE.search(text) is None):
        message = "canonical JSON holds neither U+0000 nor lone surrogates"
        raise ValueError(message)


def _check_whole(value: int) -> None:
    if abs(value) >= LARGEST:
        message = f"canonical JSON holds whole numbers below 2^53, not {value}"
        raise ValueError(message)
