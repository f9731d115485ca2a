"""Which version of a criteria set is in force on a day, for one organisation; no file, no database."""

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import NamedTuple

WITHDRAWN, COMING, RETIRED, REPLACED, IN_FORCE = "withdrawn", "coming", "retired", "replaced", "in_force"


class Adopted(NamedTuple):
    """A version that an organisation has adopted, from which day on, and from which day it is retired."""

    set_id: str
    version: int
    digest: str
    in_force_from: date
    retired_from: date | None = None
    reason: str | None = None

    @property
    def name(self) -> str:
        """Return what people call it: `lateral-ankle-sprain/1`."""
        return f"{self.set_id}/{self.version}"

    @property
    def is_withdrawn(self) -> bool:
        """Tell whether it was retired before it began: it has never been in force and never will be."""
        return self.retired_from is not None and self.retired_from <= self.in_force_from


def greatest_live(versions: Iterable[Adopted], on: date) -> Adopted | None:
    """Return the greatest version of one set that has begun, retired or not; None where none has."""
    live = [one for one in versions if one.in_force_from <= on and not one.is_withdrawn]
    return max(live, key=lambda one: one.version, default=None)


def in_force(versions: Iterable[Adopted], on: date) -> Adopted | None:
    """Return the version of one set that judges on a day, or None: retiring it revives nothing older."""
    greatest = greatest_live(versions, on)
    return None if greatest is None or is_retired(greatest, on) else greatest


def is_retired(one: Adopted, on: date) -> bool:
    """Tell whether a version is retired on a day."""
    return one.retired_from is not None and one.retired_from <= on


def first_day(versions: Sequence[Adopted], after: date, fits: Callable[[Adopted], bool]) -> date | None:
    """Return the first day after this one on which a fitting version of the set is in force, or None.

    Between two beginnings a set can only cease to be in force, so no other day has to be looked at.
    """
    for day in sorted(one.in_force_from for one in versions if one.in_force_from > after):
        judging = in_force(versions, day)
        if judging is not None and fits(judging):
            return day
    return None


def state(one: Adopted, versions: Iterable[Adopted], on: date) -> str:
    """Return what a version is on a day, among all of its set."""
    if one.is_withdrawn:
        return WITHDRAWN
    if one.in_force_from > on:
        return COMING
    if is_retired(one, on):
        return RETIRED
    return IN_FORCE if greatest_live(versions, on) == one else REPLACED


def by_set(versions: Iterable[Adopted]) -> dict[str, list[Adopted]]:
    """Return the versions of each set, by id and number."""
    sets: dict[str, list[Adopted]] = {}
    for one in sorted(versions):
        sets.setdefault(one.set_id, []).append(one)
    return sets
