"""Judge a battery, or a file of entries, by any version that the organisation knows; nothing is stored or mixed in."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from service.criteria_files import released
from service.domain.criteria import CriteriaSet
from service.domain.errors import InvalidDocumentError, NoCriteriaInForceError, UnknownCriteriaSetError
from service.store import criteria as store
from service.store.criteria import Draft
from service.store.database import Tx
from service.use_cases.answer import answer_not_judged, evaluation_answer, with_working
from service.use_cases.choosing import SHIPPED, named_set
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named, Text, read_text
from service.use_cases.evaluate import evaluate, target_stage
from service.use_cases.in_force import by_digest, choose
from service.use_cases.reading_entries import Clock, battery_bodies
from service.use_cases.receiving import receive


def evaluate_body(
    context: Context, caller: Caller, body: bytes, *, detail: str | None = None, shipped: Path = SHIPPED
) -> dict[str, Any]:
    """Return the decision on a body; `outcome` is None where it ends with a follow-up told too late.

    Args:
        context: the parts of the service that runs.
        caller: who asks: dates are those of the organisation's zone.
        body: one battery, or a file of entries, as JSON.
        detail: `full` adds the arithmetic of every reason.
        shipped: the folder of the shipped sets.

    Raises:
        BrokenBodyError: no JSON, too large or too deep.
        InvalidDocumentError: every fault.
        UnknownStageError: no stage, or none of the set.
        UnknownCriteriaSetError: there is no such set or version.
        AmbiguousCriteriaSetError: several sets fit, and none is named.
        NoCriteriaInForceError: none is in force on the day, and no version is named.
        CriteriaFaultsError: the draft that it names has faults.
    """
    received = receive(body)
    file = received.file
    clock = Clock(context.clock(), caller.zone)
    criteria = _criteria(context, caller, file, clock, shipped)
    stage = target_stage(file)
    try:
        found = evaluate(file, criteria, stage=stage, clock=clock, as_of=file.get("as_of"))
    except InvalidDocumentError as error:
        raise received.as_sent(error) from None
    if found is None:
        return answer_not_judged(criteria, str(stage), service_version=context.service_version)
    answer = evaluation_answer(found, service_version=context.service_version, entries=file["entries"])
    return with_working(answer, found) if detail == "full" else answer


def _criteria(context: Context, caller: Caller, file: Mapping[str, Any], clock: Clock, shipped: Path) -> CriteriaSet:
    """Return what judges: the set or version named last, else what is in force for the condition on the day."""
    named = [one for one in (*_bodies(file), file) if "criteria_set" in one or "criteria_version" in one]
    asked = named[-1] if named else {}
    on = clock.local_date(_moment(file, context))
    set_id, version = asked.get("criteria_set"), asked.get("criteria_version")

    def read(tx: Tx) -> CriteriaSet | Draft:
        choosing = _Choosing(tx, caller, shipped)
        if set_id is not None and version is not None:
            return choosing.version(set_id, version)
        chosen = choosing.in_force(file["episode"]["condition"], on, set_id)
        return chosen if version in (None, chosen.version) else choosing.version(chosen.id, version)

    found = context.database.read(read)
    if isinstance(found, CriteriaSet):
        return found
    # Reading a text takes long, so it is done once the database is let go.
    return read_text(Text(found.source, found.examples), Named(found.set_id, found.version), shipped=shipped)


def _bodies(file: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [body for _, body in battery_bodies(file)]


def _moment(file: Mapping[str, Any], context: Context) -> datetime:
    """Return the moment that is judged: the one named, else that of the last battery; a file without one is refused."""
    moments = [body["performed_at"] for body in _bodies(file)]
    moment: datetime = file.get("as_of") or (moments[-1] if moments else context.clock())
    return moment


@dataclass(frozen=True, slots=True)
class _Choosing:
    """What an organisation can judge by."""

    tx: Tx
    caller: Caller
    shipped: Path

    def in_force(self, condition: str, on: date, set_id: str | None) -> CriteriaSet:
        """Return the version in force on the day; of a named set that is not adopted, the greatest that ships."""
        tx, organisation = self.tx, self.caller.organisation
        try:
            return choose(tx, organisation, condition=condition, on=on, set_id=set_id)
        except NoCriteriaInForceError:
            if set_id is None or store.adopted(tx, organisation, set_id):
                raise
        return named_set(set_id, folder=self.shipped)

    def version(self, set_id: str, version: int) -> CriteriaSet | Draft:
        """Return a version that is adopted or ships, or a draft."""
        tx, organisation = self.tx, self.caller.organisation
        row = store.version(tx, organisation, set_id, version)
        if row is not None:
            return by_digest(tx, organisation, row["digest"])
        if (set_id, version) in {(one.set_id, one.version) for one in released(self.shipped)}:
            return named_set(f"{set_id}/{version}", folder=self.shipped)
        draft = store.draft(tx, organisation, set_id, version)
        if draft is None:
            message = f"there is no criteria set {set_id}/{version}: adopted, shipped or as a draft"
            raise UnknownCriteriaSetError(message)
        return draft
