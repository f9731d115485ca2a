"""A criteria version by its name, to try it or to look at it: adopted, shipped or a draft, whatever the day."""

from pathlib import Path

from service.criteria_files import released
from service.domain.criteria import CriteriaSet
from service.domain.errors import UnknownCriteriaSetError
from service.store import criteria as store
from service.store.criteria import Draft
from service.store.database import Tx
from service.use_cases.choosing import SHIPPED, named_set
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named, Text, read_text
from service.use_cases.in_force import by_digest


def any_version(context: Context, caller: Caller, name: Named, *, shipped: Path = SHIPPED) -> CriteriaSet:
    """Return a version of that name; a draft's without a look at its examples.

    Raises:
        UnknownCriteriaSetError: there is none.
        CriteriaFaultsError: the draft has faults.
    """
    found = context.database.read(lambda tx: _found(tx, caller.organisation, name, shipped))
    if isinstance(found, CriteriaSet):
        return found
    # Reading a text takes long, so it is done once the database is let go.
    return read_text(Text(found.source, found.examples), name, shipped=shipped)


def _found(tx: Tx, organisation: str, name: Named, shipped: Path) -> CriteriaSet | Draft:
    row = store.version(tx, organisation, *name)
    if row is not None:
        return by_digest(tx, organisation, row["digest"])
    if name in {(one.set_id, one.version) for one in released(shipped)}:
        return named_set(str(name), folder=shipped)
    draft = store.draft(tx, organisation, *name)
    if draft is None:
        message = f"there is no criteria set {name}: adopted, shipped or as a draft"
        raise UnknownCriteriaSetError(message)
    return draft
