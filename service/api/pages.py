"""Lists in pages: where the next page begins is told by an opaque cursor, in the body and as a Link (RFC 8288)."""

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
from service.domain.record import instant
from service.use_cases.paging import Listed

CURSOR = "cursor"
Place = tuple[str, ...]


def place_of(asked: Mapping[str, Any], *, parts: int) -> Place | None:
    """Return where a page begins, as the list's own texts, or None for the first page.

    Args:
        asked: the arguments that `schemas.query_fields.PageQuerySchema` loaded.
        parts: how many texts the list sorts by.

    Raises:
        RefusedRequestError: invalid_query.
    """
    if CURSOR not in asked:
        return None
    place = _decoded(asked[CURSOR])
    if place is None or len(place) != parts:
        refuse_cursor()
    return place


def place_in_time(asked: Mapping[str, Any]) -> tuple[datetime, str] | None:
    """Return after which moment and id a page of a list begins that is sorted newest first, None for the first page.

    Raises:
        RefusedRequestError: invalid_query.
    """
    place = place_of(asked, parts=2)
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


def cursor_of(place: Place) -> str:
    """Return the cursor of a place.

    >>> cursor_of(("2026-11-20", "a"))
    'WyIyMDI2LTExLTIwIiwiYSJd'
    """
    text = json.dumps(list(place), separators=(",", ":"), ensure_ascii=False)
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def refuse_cursor() -> NoReturn:
    """Refuse a cursor that is none of the list.

    Raises:
        RefusedRequestError: invalid_query.
    """
    refuse_arguments([argument_fault(CURSOR, "bad_text", "this is no cursor of this list; take it from next")])
    raise AssertionError  # a fault was told


def _decoded(cursor: str) -> Place | None:
    try:
        place = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (binascii.Error, ValueError, RecursionError):
        return None
    return tuple(place) if isinstance(place, list) and all(isinstance(one, str) for one in place) else None


def _address(cursor: str) -> str:
    """Return the address that was asked for, at another place of the list."""
    return f"{request.script_root}{quote(request.path)}?{urlencode(request.args.to_dict() | {CURSOR: cursor})}"
