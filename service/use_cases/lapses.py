"""Where a position ended by its date: a line of the time line that is computed, and that no entry stands behind."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import zip_longest
from typing import Any
from zoneinfo import ZoneInfo

from schemas.people import LAPSE
from schemas.signing import OVERRIDE
from service.domain.chain import Link
from service.domain.record import instant
from service.store.task_state import SIGN_OFF
from service.use_cases.timeline import Names, standing


def has_lapsed(until: date | None, today: date) -> bool:
    """Tell whether a position with this last day, or with none, holds no more; that of a closed episode, at its end."""
    return until is not None and today > until


def lapses(links: Sequence[Link], names: Names, last_day: date, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Return the lines of an episode's positions that ended by themselves, as `timeline` returns those of entries.

    Args:
        links: the entries that count, in the order of the record.
        names: what stages are called.
        last_day: today, or the day on which the episode was closed.
        zone: the organisation's.
    """
    return [_line(one, on, names, zone) for one, on in _lapsed(links) if on <= last_day]


def _lapsed(links: Sequence[Link]) -> Iterator[tuple[Link, date]]:
    """Yield each sign-off whose position was not followed by another in time, and from when it holds no more."""
    moved = [one for one in links if one.kind == SIGN_OFF and one.content.get("position")]
    for one, after in zip_longest(moved, moved[1:]):
        if "valid_until" in one.content:
            on = date.fromisoformat(one.content["valid_until"]) + timedelta(days=1)
            if after is None or after.occurred_on >= on:
                yield one, on


def _line(one: Link, on: date, names: Names, zone: ZoneInfo) -> dict[str, Any]:
    said = one.content
    what = "override" if said.get("determination") == OVERRIDE else "position"
    return {
        "id": None,
        "sequence": None,
        "kind": LAPSE,
        "occurred_at": instant(datetime.combine(on, time(), zone)),
        "occurred_on": on.isoformat(),
        "recorded_at": None,
        "by": None,
        "counts": True,
        "sentence": f"The {what} of {one.occurred_on} ended by itself after {said['valid_until']}: "
        f"{standing(said['position'], names)} holds no more, and no position is in force until somebody sets one.",
    }
