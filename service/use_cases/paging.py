"""Lists in pages, newest first: where a page ends, the next one begins."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, NamedTuple, TypeVar

Row = TypeVar("Row")
Place = tuple[datetime, str]
"""A row's moment and id; a page begins after it."""


class Listed(NamedTuple):
    """A page of answers, and the place after which the next one begins: None on the last page."""

    items: list[dict[str, Any]]
    after: Place | None


def listed(
    rows: Sequence[Row], limit: int, *, answer: Callable[[Row], dict[str, Any]], place: Callable[[Row], Place]
) -> Listed:
    """Return a page of the rows that were found; ask the store for one more than the limit."""
    shown = rows[:limit]
    return Listed([answer(row) for row in shown], place(shown[-1]) if len(rows) > limit else None)
