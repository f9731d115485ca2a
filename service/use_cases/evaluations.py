"""Judge a battery, or a file of entries, by any version that the organisation knows; nothing is stored or mixed in."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from service.domain.criteria import CriteriaSet
from service.domain.errors import (
    AmbiguousCriteriaSetError,
    InvalidDocumentError,
    NoCriteriaInForceError,
    UnknownStageError,
)
from service.store import criteria as store
from service.store.database import Tx
from service.use_cases.answer import answer_not_judged, evaluation_answer, with_working
from service.use_cases.any_version import any_version
from service.use_cases.choosing import SHIPPED, named_set
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named
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
    except UnknownStageError as error:
        place = received.sent_place(error.errors[0].pointer)
        raise UnknownStageError(stage, error.stages, pointer=place) from None
    if found is None:
        return answer_not_judged(criteria, str(stage), service_version=context.service_version)
    answer = evaluation_answer(found, service_version=context.service_version, entries=file["entries"])
    return with_working(answer, found) if detail == "full" else answer


def _criteria(context: Context, caller: Caller, file: Mapping[str, Any], clock: Clock, shipped: Path) -> CriteriaSet:
    """Return what judges: the version named last, whatever the day; else what is in force for the condition then."""
    named = [one for one in (*_bodies(file), file) if "criteria_set" in one or "criteria_version" in one]
    asked = named[-1] if named else {}
    set_id, version = asked.get("criteria_set"), asked.get("criteria_version")
    if set_id is not None and version is not None:
        return any_version(context, caller, Named(set_id, version), shipped=shipped)
    condition, on = file["episode"]["condition"], clock.local_date(_moment(file, context))

    def read(tx: Tx) -> CriteriaSet:
        try:
            return choose(tx, caller.organisation, condition=condition, on=on, set_id=set_id)
        except NoCriteriaInForceError:
            found = _of_number(tx, caller, condition, version) or _shipped(tx, caller, set_id, shipped)
            if found is None:
                raise
            return found

    chosen = context.database.read(read)
    if version in (None, chosen.version):
        return chosen
    return any_version(context, caller, Named(chosen.id, version), shipped=shipped)


def _bodies(file: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [body for _, body in battery_bodies(file)]


def _moment(file: Mapping[str, Any], context: Context) -> datetime:
    """Return the moment that is judged: the one named, else that of the last battery; a file without one is refused."""
    moments = [body["performed_at"] for body in _bodies(file)]
    moment: datetime = file.get("as_of") or (moments[-1] if moments else context.clock())
    return moment


def _of_number(tx: Tx, caller: Caller, condition: str, version: int | None) -> CriteriaSet | None:
    """Return the adopted version of a number that is made for a condition, in force or not; None where there is none.

    Raises:
        AmbiguousCriteriaSetError: there are several.
    """
    numbered = [one for one in store.adopted(tx, caller.organisation) if one.version == version]
    sets = [by_digest(tx, caller.organisation, one.digest) for one in numbered]
    fitting = [one for one in sets if condition in one.conditions]
    if len(fitting) > 1:
        raise AmbiguousCriteriaSetError(condition, [one.id for one in fitting])
    return fitting[0] if fitting else None


def _shipped(tx: Tx, caller: Caller, set_id: str | None, shipped: Path) -> CriteriaSet | None:
    """Return the greatest version that ships of a set that is named and not adopted."""
    if set_id is None or store.adopted(tx, caller.organisation, set_id):
        return None
    return named_set(set_id, folder=shipped)
