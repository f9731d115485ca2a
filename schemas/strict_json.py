"""JSON as it is read here: exact numbers, no key twice, nothing too large, too deep or unreadable later.

A text that is no JSON is refused as a whole (`BrokenJsonError`). A number or a text that could not be kept is a fault
of its own place, so that it is reported together with all other faults of the document.
"""

import json
import re
from collections import Counter
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

from marshmallow import Schema

from schemas.faults import ShapeFault, pointer
from schemas.faults import load as load_shape

MOST_BYTES = 1024 * 1024
DEEPEST = 12
DIGITS = 12
EXPONENT = 9

BROKEN_JSON, TOO_LARGE, TOO_DEEP = "broken_json", "too_large", "too_deep"

# The repeats are possessive: a text that opens strings without closing them is still read in one go.
_TOKEN = re.compile(r'"(?:[^"\\]++|\\.)*+"?|[\[\]{}]|NaN|-?Infinity', re.DOTALL)
_UNKEPT = re.compile("[\x00\ud800-\udfff]")

# Twelve digits, sign, point and exponent need far less; a longer one is refused before it is read as a number.
_LONGEST_NUMBER = 40


class BrokenJsonError(Exception):
    """A text that is refused as a whole: `code` is broken_json, too_large or too_deep."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message


class _Duplicate(NamedTuple):
    """What stands in place of an object that has a key twice."""

    key: str


class _Beyond:
    """What stands in place of a number beyond the limits."""


_BEYOND = _Beyond()


def read(body: bytes | str, *, most_bytes: int = MOST_BYTES) -> tuple[Any, list[ShapeFault]]:
    """Return the document, and the faults of its numbers and texts.

    Whole numbers are int, others Decimal exactly as sent. Where there is a fault, null stands in the document (a
    faulty key is left out), so hand the faults on to `load`.

    Raises:
        BrokenJsonError: no JSON (with line and column), a key twice, more than `most_bytes`, more than 12 levels.
    """
    text = _decoded(body, most_bytes)
    _refuse_depth_and_constants(text)
    faults: list[ShapeFault] = []
    document = _kept(_parsed(text), (), faults)
    return document, faults


def load(schema: Schema, document: Any, *, found: Sequence[ShapeFault] = ()) -> tuple[Any, list[ShapeFault]]:
    """Return the document as its schema loads it and no fault, or None and every fault, those `found` included.

    The schema's own complaint about a place where a fault was found already is left out: it would be about the null
    that `read` put there.
    """
    loaded, faults = load_shape(schema, document)
    places = {fault.path for fault in found}
    every = [*found, *(fault for fault in faults if fault.path not in places)]
    return (None, every) if every else (loaded, [])


def _decoded(body: bytes | str, most_bytes: int) -> str:
    sent = body.encode("utf-8", "surrogatepass") if isinstance(body, str) else body
    if len(sent) > most_bytes:
        message = f"the text has more than {most_bytes} bytes; send fewer entries at a time"
        raise BrokenJsonError(TOO_LARGE, message)
    try:
        text = body if isinstance(body, str) else body.decode()
    except UnicodeDecodeError as error:
        message = f"the text is not UTF-8: byte {error.start + 1} can't be read; save it as UTF-8"
        raise BrokenJsonError(BROKEN_JSON, message) from None
    # Some editors put a byte order mark in front of every file; RFC 8259 lets a reader ignore it.
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise BrokenJsonError(BROKEN_JSON, "the text is empty; send a document")
    return text


def _refuse_depth_and_constants(text: str) -> None:
    """Look at the brackets before any recursion does, and at what the json module reads though it is no JSON."""
    depth = 0
    for token in _TOKEN.finditer(text):
        word = token.group()
        if word in "[{":
            depth += 1
        elif word in "]}":
            depth -= 1
        elif not word.startswith('"'):
            raise _broken(text, token.start(), f"{word} is no number of JSON")
        if depth > DEEPEST:
            where = _place(text, token.start())
            message = f"the text is nested more than {DEEPEST} levels deep ({where}); no document here needs that"
            raise BrokenJsonError(TOO_DEEP, message)


def _parsed(text: str) -> Any:
    try:
        return json.loads(text, parse_int=_whole, parse_float=_decimal, object_pairs_hook=_object)
    except json.JSONDecodeError as error:
        raise _broken(text, error.pos, error.msg[:1].lower() + error.msg[1:]) from None


def _broken(text: str, position: int, what: str) -> BrokenJsonError:
    return BrokenJsonError(BROKEN_JSON, f"this is no JSON: {what} ({_place(text, position)})")


def _place(text: str, position: int) -> str:
    line = text.count("\n", 0, position) + 1
    column = position - text.rfind("\n", 0, position)
    return f"line {line}, column {column}"


def _whole(sent: str) -> int | _Beyond:
    return int(sent) if len(sent.removeprefix("-")) <= DIGITS else _BEYOND


def _decimal(sent: str) -> Decimal | _Beyond:
    if len(sent) > _LONGEST_NUMBER:
        return _BEYOND
    try:
        value = Decimal(sent)
    except InvalidOperation:
        return _BEYOND
    _, digits, exponent = value.as_tuple()
    return value if len(digits) <= DIGITS and abs(int(exponent)) <= EXPONENT else _BEYOND


def _object(members: list[tuple[str, Any]]) -> dict[str, Any] | _Duplicate:
    found = dict(members)
    if len(found) == len(members):
        return found
    (key, _), *_ = Counter(key for key, _ in members).most_common(1)
    return _Duplicate(key)


def _kept(value: Any, path: tuple[str | int, ...], faults: list[ShapeFault]) -> Any:
    """Return the value, null where it can't be kept; the depth was looked at, so recursion is safe here."""
    if isinstance(value, _Duplicate):
        message = f"the key {_visible(value.key)!r} stands more than once in {pointer(path)}; keep one"
        raise BrokenJsonError(BROKEN_JSON, message)
    if isinstance(value, dict):
        return _kept_object(value, path, faults)
    if isinstance(value, list):
        return [_kept(item, (*path, position), faults) for position, item in enumerate(value)]
    fault = _fault(value, path)
    if fault is None:
        return value
    faults.append(fault)
    return None


def _kept_object(members: dict[str, Any], path: tuple[str | int, ...], faults: list[ShapeFault]) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for key, value in members.items():
        place = (*path, _visible(key))
        below = _kept(value, place, faults)
        if _UNKEPT.search(key):
            faults.append(ShapeFault(place, "bad_text", "take U+0000 and halves of surrogate pairs out of this key"))
        else:
            kept[key] = below
    return kept


def _fault(value: object, path: tuple[str | int, ...]) -> ShapeFault | None:
    if value is _BEYOND:
        limits = f"a number has at most {DIGITS} digits and an exponent from -{EXPONENT} to {EXPONENT}"
        return ShapeFault(path, "out_of_range", limits)
    if isinstance(value, str) and _UNKEPT.search(value):
        return ShapeFault(path, "bad_text", "take U+0000 and halves of surrogate pairs out of this text")
    return None


def _visible(key: str) -> str:
    r"""Return a key that every place can print: what could not be kept is written as \uXXXX."""
    return _UNKEPT.sub(lambda found: f"\\u{ord(found.group()):04x}", key)
