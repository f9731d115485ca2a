"""Criteria as a clinician reads them: one version with its set's others, and one test of a catalogue."""

from pathlib import Path
from typing import Any, NamedTuple

from service.criteria_files import load_released, released
from service.domain.adoption import Adopted, state
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import NotFoundError
from service.store import criteria as store
from service.store.database import Tx
from service.use_cases.choosing import SHIPPED
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named
from service.use_cases.governance import today
from service.use_cases.in_force import by_digest


class Standing(NamedTuple):
    """What an adopted version is on a day."""

    adopted: Adopted
    state: str


class Version(NamedTuple):
    """A version and all adopted ones of its set, the newest first; one that only ships is not among them."""

    criteria: CriteriaSet
    versions: list[Standing]

    @property
    def standing(self) -> Standing | None:
        """Return what this version is today, None where it is not adopted."""
        return next((one for one in self.versions if one.adopted.version == self.criteria.version), None)


class Explained(NamedTuple):
    """A test as a version defines it, and that version."""

    id: str
    test: dict[str, Any]
    criteria: CriteriaSet


def read_version(context: Context, caller: Caller, name: Named, *, shipped: Path = SHIPPED) -> Version:
    """Return a version of a set that is adopted, or that ships.

    Raises:
        NotFoundError: there is neither.
    """
    on = today(context.clock(), caller)

    def work(tx: Tx) -> Version:
        adopted = store.adopted(tx, caller.organisation, name.set_id)
        versions = [Standing(one, state(one, adopted, on)) for one in reversed(adopted)]
        known = next((one for one in adopted if one.version == name.version), None)
        if known is not None:
            return Version(by_digest(tx, caller.organisation, known.digest), versions)
        return Version(_shipped(name, shipped), versions)

    return context.database.read(work)


def read_test(
    context: Context, caller: Caller, test: str, digest: str | None = None, *, shipped: Path = SHIPPED
) -> Explained:
    """Return a test as the version of a digest defines it; without one as the newest adopted version that knows it.

    Raises:
        NotFoundError: no such version, or it knows no such test.
    """

    def work(tx: Tx) -> Explained:
        digests = [digest] if digest else reversed(store.in_order_of_publication(tx, caller.organisation))
        for criteria in (_of_digest(tx, caller, one, shipped) for one in digests):
            tests = criteria.document["catalogue"]["tests"]
            if test in tests:
                return Explained(test, tests[test], criteria)
        what = "test"
        raise NotFoundError(what, test)

    return context.database.read(work)


def _of_digest(tx: Tx, caller: Caller, digest: str, shipped: Path) -> CriteriaSet:
    """Return an adopted version, or one that ships, by its digest."""
    try:
        return by_digest(tx, caller.organisation, digest)
    except NotFoundError:
        for one in released(shipped):
            if one.digest == digest:
                return _shipped(Named(one.set_id, one.version), shipped)
        raise


def _shipped(name: Named, shipped: Path) -> CriteriaSet:
    if name not in {(one.set_id, one.version) for one in released(shipped)}:
        what = "criteria version"
        raise NotFoundError(what, str(name))
    return read_criteria_set(load_released(shipped, *name))
