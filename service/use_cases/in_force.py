"""Which criteria set judges for an organisation on a day, and what its batteries can say."""

import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from service.domain.adoption import Adopted, by_set, first_day, greatest_live, in_force, is_retired
from service.domain.catalogue import Catalogue
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import (
    INVALID_BODY,
    AmbiguousCriteriaSetError,
    ConflictError,
    FieldError,
    InvalidDocumentError,
    NoCriteriaInForceError,
    NotFoundError,
)
from service.store import criteria as store
from service.store.database import Tx

VERSION_NOT_IN_FORCE = "version_not_in_force"
MOST_KEPT = 64

Sets = Mapping[str, Sequence[Adopted]]


class Known(NamedTuple):
    """What a battery that no set judges can say, as `service.domain.battery.catalogue_faults` takes it."""

    catalogue: Catalogue
    referral: tuple[str, ...]


def choose(  # noqa: PLR0913 - what is judged, and what the sender says of it
    tx: Tx,
    organisation: str,
    *,
    condition: str,
    on: date,
    set_id: str | None = None,
    version: int | None = None,
) -> CriteriaSet:
    """Return the criteria set that judges.

    Args:
        tx: the transaction.
        organisation: whose criteria.
        condition: of the episode; without a set named, every set made for it is looked at.
        on: the organisation's local date of what is judged.
        set_id: the set named; whether it is made for the condition is then for the engine to say.
        version: an assertion about what is in force, no choice.

    Raises:
        NoCriteriaInForceError: none is in force.
        AmbiguousCriteriaSetError: several are.
        ConflictError: version_not_in_force.
    """
    sets = by_set(store.adopted(tx, organisation, set_id))
    read = _reader(tx, organisation)
    judging = [one for one in (in_force(versions, on) for versions in sets.values()) if one is not None]
    fitting = [one for one in judging if set_id is not None or condition in read(one).conditions]
    if not fitting:
        raise _none_in_force(sets, read, condition=condition, on=on, set_id=set_id)
    if len(fitting) > 1:
        raise AmbiguousCriteriaSetError(condition, [one.set_id for one in fitting])
    chosen = fitting[0]
    if version not in (None, chosen.version):
        raise _not_in_force(chosen, version, sets[chosen.set_id], on)
    return read(chosen)


def fit_as_well(tx: Tx, organisation: str, one: Adopted, on: date) -> list[Adopted]:
    """Return the versions of other sets that judge a condition of this one on a day on which it is in force."""
    sets = by_set(store.adopted(tx, organisation))
    if in_force(sets[one.set_id], on) != one:
        return []
    read = _reader(tx, organisation)
    others = [in_force(versions, on) for set_id, versions in sets.items() if set_id != one.set_id]
    return [other for other in others if other is not None and read(other).conditions & read(one).conditions]


def sets_in_force(tx: Tx, organisation: str, on: date) -> list[CriteriaSet]:
    """Return the version of every set that judges on a day, whatever the condition."""
    sets = by_set(store.adopted(tx, organisation))
    judging = [one for one in (in_force(versions, on) for versions in sets.values()) if one is not None]
    return [by_digest(tx, organisation, one.digest) for one in judging]


def by_digest(tx: Tx, organisation: str, digest: str) -> CriteriaSet:
    """Return the version of a digest, as a decision of the organisation names it, in force or not.

    Raises:
        NotFoundError: the organisation has adopted none of that digest.
    """
    return _KEPT.get(digest, lambda: _loaded(tx, organisation, digest))


def widest_follow_up_days(tx: Tx, organisation: str) -> int:
    """Return how long after an occasion its morning may be told where no version is in force: as long as any says."""
    digests = store.in_order_of_publication(tx, organisation)
    return max((by_digest(tx, organisation, one).follow_up_days for one in digests), default=0)


def catalogue(tx: Tx, organisation: str) -> Known:
    """Return the catalogues and referral questions of every version adopted; the newest definition wins.

    Raises:
        NoCriteriaInForceError: nothing is adopted, so that nothing says what can be measured.
    """
    digests = store.in_order_of_publication(tx, organisation)
    if not digests:
        message = "no criteria set is adopted, so nothing says what can be measured; an administrator adopts one"
        raise NoCriteriaInForceError(message)
    return _united(tuple(by_digest(tx, organisation, one) for one in digests))


def refuse_unknown_names(tx: Tx, organisation: str, asked: Mapping[str, Any]) -> None:
    """Refuse what filters a list by a name that no version adopted has: an empty list would say that nothing fits.

    Args:
        tx: the transaction.
        organisation: whose criteria; where none are adopted, nothing is known of any name.
        asked: may have `criteria_set`, `stage` and `criterion`.

    Raises:
        InvalidDocumentError: invalid_body.
    """
    if asked.keys().isdisjoint(("criteria_set", "stage", "criterion")):
        return  # most lists are filtered by none of these, and reading every set takes long
    sets = [by_digest(tx, organisation, one) for one in store.in_order_of_publication(tx, organisation)]
    known = {
        "criteria_set": [one.id for one in sets],
        "stage": [stage for one in sets for stage in one.stages],
        "criterion": sorted(key for one in sets for key in one.criteria),
    }
    faults = [
        FieldError(
            f"#/{name}", "unknown_name", f"{asked[name]!r} is not on the list: {', '.join(dict.fromkeys(names))}"
        )
        for name, names in known.items()
        if names and name in asked and asked[name] not in names
    ]
    if faults:
        raise InvalidDocumentError(INVALID_BODY, faults)


@lru_cache(maxsize=MOST_KEPT)
def _united(sets: tuple[CriteriaSet, ...]) -> Known:
    catalogues = [one.catalogue for one in sets]
    united = Catalogue(
        tests={key: test for one in catalogues for key, test in one.tests.items()},
        questions={key: question for one in catalogues for key, question in one.questions.items()},
        sessions={key: session for one in catalogues for key, session in one.sessions.items()},
    )
    return Known(united, tuple(dict.fromkeys(question.id for one in sets for question in one.referral)))


class _Kept:
    """The sets used last, by digest, for the whole process: a set never changes, and reading one takes long."""

    def __init__(self) -> None:
        self._sets: OrderedDict[str, CriteriaSet] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, digest: str, load: Callable[[], CriteriaSet]) -> CriteriaSet:
        """Return a set, loaded if it is not here; two threads may load the same one, which does no harm."""
        with self._lock:
            if digest in self._sets:
                self._sets.move_to_end(digest)
                return self._sets[digest]
        loaded = load()
        with self._lock:
            self._sets[digest] = loaded
            if len(self._sets) > MOST_KEPT:
                self._sets.popitem(last=False)
        return loaded


_KEPT = _Kept()


def _loaded(tx: Tx, organisation: str, digest: str) -> CriteriaSet:
    document = store.document(tx, organisation, digest)
    if document is None:
        what = "criteria version with the digest"
        raise NotFoundError(what, digest)
    loaded = read_criteria_set(json.loads(document))
    if loaded.digest != digest:
        message = f"the stored document of {loaded.id}/{loaded.version} is not what {digest} stands for"
        raise RuntimeError(message)
    return loaded


def _reader(tx: Tx, organisation: str) -> Callable[[Adopted], CriteriaSet]:
    return lambda one: by_digest(tx, organisation, one.digest)


def _not_in_force(chosen: Adopted, version: int | None, versions: Sequence[Adopted], on: date) -> ConflictError:
    known = next((one for one in versions if one.version == version), None)
    what = "is not adopted" if known is None else _what_became(known, on)
    detail = f"on {on} {chosen.name} is in force; version {version} {what}; name {chosen.version} or no version"
    fault = FieldError("#/criteria_version", VERSION_NOT_IN_FORCE, detail)
    return ConflictError(VERSION_NOT_IN_FORCE, detail, errors=[fault])


def _what_became(one: Adopted, on: date) -> str:
    if one.is_withdrawn:
        return "was withdrawn before it began"
    return f"is in force from {one.in_force_from}" if one.in_force_from > on else "was replaced by it"


def _none_in_force(
    sets: Sets, read: Callable[[Adopted], CriteriaSet], *, condition: str, on: date, set_id: str | None
) -> NoCriteriaInForceError:
    def fits(one: Adopted) -> bool:
        return set_id is not None or condition in read(one).conditions

    what = f"the criteria set {set_id!r}" if set_id is not None else f"a criteria set for {condition!r}"
    fitting = [versions for versions in sets.values() if any(fits(one) for one in versions)]
    if not fitting:
        message = f"no version of {what} is adopted; an administrator adopts or publishes one"
        return NoCriteriaInForceError(message)
    days = [day for day in (first_day(versions, on, fits) for versions in fitting) if day is not None]
    parts = [f"no version of {what} is in force on {on}", *_retirements(fitting, on)]
    if days:
        parts.append(f"the first day on which one is, is {min(days)}")
    return NoCriteriaInForceError("; ".join(parts), in_force_from=min(days).isoformat() if days else None)


def _retirements(sets: Iterable[Sequence[Adopted]], on: date) -> Iterator[str]:
    """Yield since when the versions that would judge are retired, and why: what replaced one is named there."""
    for versions in sets:
        one = greatest_live(versions, on)
        if one is not None and is_retired(one, on):
            yield f"{one.name} is retired from {one.retired_from} on ({one.reason})"
