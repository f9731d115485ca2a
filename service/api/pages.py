"""Lists in pages: where the next page begins is told by an opaque cursor, in the body and as a Link (RFC 8288).

A cursor belongs to the list that it came from and to its filters: taken elsewhere it would leave items out unseen.
"""

import base64
import binascii
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NoReturn
from urllib.parse import quote, urlencode
from uuid import UUID

from flask import request

from service.api.reading import argument_fault, refuse_arguments
from service.domain.canonical import digest
from service.domain.record import instant
from service.use_cases.paging import Listed

CURSOR, LIMIT = "cursor", "limit"
Place = tuple[str, ...]

_DIGITS = 8


def place_of(asked: Mapping[str, Any], *, parts: int, of: str | None = None) -> Place | None:
    """Return where a page begins, as the list's own texts, or None for the first page.

    Args:
        asked: the arguments that `schemas.query_fields.PageQuerySchema` loaded.
        parts: how many texts the list sorts by.
        of: the list with its filters; by default the one at the address that was asked for.

    Raises:
        RefusedRequestError: invalid_query.
    """
    if CURSOR not in asked:
        return None
    mark, *place = _decoded(asked[CURSOR])
    if mark != _mark(of) or len(place) != parts:
        refuse_cursor()
    return tuple(place)


def place_in_time(asked: Mapping[str, Any], *, of: str | None = None) -> tuple[datetime, str] | None:
    """Return after which moment and id a page of a list begins that is sorted newest first, None for the first page.

    `asked` and `of` are those of `place_of`.

    Raises:
        RefusedRequestError: invalid_query.
    """
    place = place_of(asked, parts=2, of=of)
    if place is None:
        return None
    try:
        moment, id_ = datetime.fromisoformat(place[0]), str(UUID(place[1]))
    except ValueError:
        moment, id_ = None, ""
    if moment is None or moment.tzinfo is None:
        refuse_cursor()
    return moment, id_


def page_in_time(found: Listed) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of a list that is sorted newest first, and its Link."""
    after = None if found.after is None else (instant(found.after[0]), found.after[1])
    return page(found.items, after=after)


def page(items: Sequence[Mapping[str, Any]], *, after: Place | None) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of a list and its Link; `after` is the place of its last item, None on the last page."""
    if after is None:
        return {"items": list(items), "next": None}, {}
    following = _address(cursor_of(after))
    return {"items": list(items), "next": following}, {"Link": f'<{following}>; rel="next"'}


def cursor_of(place: Place, *, of: str | None = None) -> str:
    """Return the cursor of a place of a list; `of` is that of `place_of`.

    >>> cursor_of(("2026-11-20", "a"), of="/v1/notes?")
    'WyI4MjNhYjZhMyIsIjIwMjYtMTEtMjAiLCJhIl0'
    """
    text = json.dumps([_mark(of), *place], separators=(",", ":"), ensure_ascii=False)
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _mark(of: str | None) -> str:
    return digest(_here() if of is None else of).removeprefix("sha256:")[:_DIGITS]


def _here() -> str:
    """Return the list that is asked for, with its filters in one order."""
    return f"{request.path}?{urlencode(sorted(one for one in request.args.items() if one[0] not in (CURSOR, LIMIT)))}"


def refuse_cursor() -> NoReturn:
    """Refuse a cursor that is none of the list.

    Raises:
        RefusedRequestError: invalid_query.
    """
    detail = "this is no cursor of this list with these filters; take it from next"
    refuse_arguments([argument_fault(CURSOR, "bad_text", detail)])
    raise AssertionError  # a fault was told


def _decoded(cursor: str) -> list[str]:
    """Return the texts of a cursor, a mark of its list before those of the place; empty texts where it is none."""
    try:
        texts = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (binascii.Error, ValueError, RecursionError):
        return [""]
    is_ours = isinstance(texts, list) and texts and all(isinstance(one, str) for one in texts)
    return texts if is_ours else [""]


def _address(cursor: str) -> str:
    """Return the address that was asked for, at another place of the list."""
    return f"{request.script_root}{quote(request.path)}?{urlencode(request.args.to_dict() | {CURSOR: cursor})}"
