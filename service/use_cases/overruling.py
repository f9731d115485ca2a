"""What people decide about evidence: findings resolved, criteria waived, doubts cleared, entries taken back."""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

from service.domain import record
from service.domain.chain import ERASURE, Link
from service.domain.criteria import CriteriaSet
from service.domain.errors import ConflictError, NoCriteriaInForceError, NotFoundError
from service.domain.record import gone
from service.use_cases.appending import (
    CRITERIA,
    Addition,
    Request,
    append,
    entry_of,
    invalid,
    moment_of,
    of_entry,
    of_episode,
    place_of,
    require_professional,
    signed_by,
)
from service.use_cases.context import Caller, Context, Created
from service.use_cases.in_force import choose
from service.use_cases.judging_record import facts_in_force
from service.use_cases.naming import CONFLICTS
from service.use_cases.recording import Recording

RESOLUTION = "POST /v1/episodes/{id}/findings/{finding}/resolution"
EXCEPTIONS = "POST /v1/episodes/{id}/exceptions"
CONFIRMATIONS = "POST /v1/batteries/{id}/confirmations"
VOID = "POST /v1/entries/{id}/void"

# Practice, not evidence: whatever is waived or overridden is looked at again within a year.
LONGEST = timedelta(days=366)
_FAR_FUTURE = "9999"
_FINDING = "finding of this episode"
_STAGE, _CRITERION = "/stage", "/criterion"


def resolve_finding(  # noqa: PLR0913, PLR0917 - the address has two names
    context: Context, caller: Caller, episode: str, finding: str, body: Mapping[str, Any], key: str
) -> Created:
    """Resolve a finding; `body` is what `schemas.appending.PostedResolutionSchema` loads.

    Raises:
        ForbiddenError: the caller is no person with a profession.
        NotFoundError: there is no such episode, or no battery of it raised the finding.
        ConflictError: the finding is closed already.
        InvalidDocumentError: in the future, or before the finding was raised.
    """
    require_professional(caller)
    if not (finding.isascii() and finding.isidentifier()):
        raise NotFoundError(_FINDING, finding)
    request = Request(RESOLUTION, (episode, finding), body, key)

    def make(recording: Recording) -> Addition:
        at, on = moment_of(recording, body)
        _refuse_resolution(recording, episode, finding, body, on)
        private = {"rationale": body["rationale"], "signed_by": signed_by(caller)}
        return Addition(record.RESOLUTION, episode, at, on, {"finding": finding, "as": body["as"]}, private)

    return append(context, caller, request, find=of_episode(caller, episode), make=make)


def _refuse_resolution(recording: Recording, episode: str, finding: str, body: Mapping[str, Any], on: date) -> None:
    rows = [
        row
        for row in recording.before["findings"].values()
        if (row["episode_id"], row["finding"]) == (episode, finding)
    ]
    if not rows:
        raise NotFoundError(_FINDING, finding)
    is_open = any(row["resolved_by"] is None for row in rows)
    if not is_open and body["as"] != record.CONFIRMED:
        detail = f"the finding {finding!r} is closed already; void its resolution, or post a battery that raises it"
        raise ConflictError(CONFLICTS, detail)
    told_on = max(_told_on(recording, episode, finding))
    if on < told_on:
        raise invalid(place_of(body), CONFLICTS, f"{on} lies before the finding was last told, {told_on}")


def _told_on(recording: Recording, episode: str, finding: str) -> Iterator[date]:
    """Yield the dates on which the question was answered yes, in batteries that count."""
    taken_back = gone(recording.entries)
    for one in recording.chain:
        if one.episode == episode and one.id not in taken_back and one.content.get("referral", {}).get(finding):
            yield one.occurred_on


def except_criterion(context: Context, caller: Caller, episode: str, body: Mapping[str, Any], key: str) -> Created:
    """Waive a criterion at a stage until a date; `body` is what `schemas.appending.PostedExceptionSchema` loads.

    Raises:
        ForbiddenError: the caller is no person with a profession.
        NotFoundError: there is no such episode.
        InvalidDocumentError: the version in force asks no such thing; `until` is past or too far.
        NoCriteriaInForceError: nothing judges the episode today.
    """
    require_professional(caller)
    request = Request(EXCEPTIONS, (episode,), body, key)

    def make(recording: Recording) -> Addition:
        criteria = criteria_today(recording, episode, body.get("criteria_set"))
        _refuse_exception(criteria, body)
        refuse_date(body["until"], recording.today, "/until")
        at, on = moment_of(recording, {})
        document = {
            "stage": body["stage"],
            "criterion": body["criterion"],
            "until": body["until"].isoformat(),
            CRITERIA: criteria.digest,
        }
        private = {"reason": body["reason"], "signed_by": signed_by(caller)}
        return Addition(record.EXCEPTION, episode, at, on, document, private)

    return append(context, caller, request, find=of_episode(caller, episode), make=make)


def criteria_today(recording: Recording, episode: str, set_id: str | None) -> CriteriaSet:
    """Return the version in force today for an episode as it is classified now.

    Raises:
        NoCriteriaInForceError: there is none.
        AmbiguousCriteriaSetError: there are several.
    """
    facts = facts_in_force(recording.chain, episode, gone(recording.entries), at=_FAR_FUTURE)
    if facts is None:
        message = "nothing is on record of this episode, so no criteria set judges it"
        raise NoCriteriaInForceError(message)
    tx, organisation = recording.tx, recording.caller.organisation
    return choose(tx, organisation, condition=facts["condition"], on=recording.today, set_id=set_id)


def _refuse_exception(criteria: CriteriaSet, body: Mapping[str, Any]) -> None:
    gate = criteria.gates.get(body["stage"])
    if gate is None:
        listed = ", ".join(criteria.stages)
        raise invalid(_STAGE, "unknown_name", f"{criteria.id} has no stage {body['stage']!r}; it has {listed}")
    if body["criterion"] not in gate.asks:
        listed = ", ".join(gate.asks)
        raise invalid(_CRITERION, "unknown_name", f"{gate.id} does not ask {body['criterion']!r}; it asks {listed}")


def refuse_date(until: date, today: date, where: str) -> None:
    """Refuse an end that is past, or so far away that nobody would look again.

    Raises:
        InvalidDocumentError: out_of_range.
    """
    if not today <= until <= today + LONGEST:
        detail = f"a date from today, {today}, to {today + LONGEST} is wanted"
        raise invalid(where, "out_of_range", detail)


def confirm_battery(context: Context, caller: Caller, battery: str, body: Mapping[str, Any], key: str) -> Created:
    """Clear a doubt about an assessment; `body` is what `schemas.appending.PostedConfirmationSchema` loads.

    Raises:
        NotFoundError: there is no such battery.
        ConflictError: it is no assessment, or does not count any more.
    """
    request = Request(CONFIRMATIONS, (battery,), body, key)

    def make(recording: Recording) -> Addition:
        confirmed = entry_of(recording, battery)
        if confirmed.content["kind"] != record.ASSESSMENT:
            message = "only an assessment has sides that could be swapped"
            raise ConflictError(CONFLICTS, message)
        _refuse_gone(recording, confirmed)
        at, on = moment_of(recording, {})
        document = {"battery": battery, "confirms": list(body["confirms"])}
        return Addition(record.CONFIRMATION, confirmed.episode, at, on, document)

    return append(context, caller, request, find=of_entry(caller, battery, record.BATTERY), make=make)


def void_entry(context: Context, caller: Caller, entry: str, body: Mapping[str, Any], key: str) -> Created:
    """Take back an entry that was made in error; `body` is what `schemas.appending.PostedVoidSchema` loads.

    Nothing comes back by it that the entry had superseded.

    Raises:
        NotFoundError: there is no such entry.
        ConflictError: it is a void or an erasure, or counts no more.
    """
    request = Request(VOID, (entry,), body, key)

    def make(recording: Recording) -> Addition:
        one = entry_of(recording, entry)
        if one.kind in (record.VOID, ERASURE):
            message = f"{one.kind} can't be taken back; post anew what it took away"
            raise ConflictError(CONFLICTS, f"an entry {message}")
        _refuse_gone(recording, one)
        at, on = moment_of(recording, {})
        return Addition(record.VOID, one.episode, at, on, {"entry": entry}, {"reason": body["reason"]})

    return append(context, caller, request, find=of_entry(caller, entry), make=make)


def _refuse_gone(recording: Recording, one: Link) -> None:
    newer = next((other for other in recording.chain if other.content.get("supersedes") == one.id), None)
    if newer is not None:
        message = "this battery was superseded, and counts no more; look at the one that took its place"
        raise ConflictError(CONFLICTS, message, link=f"/v1/batteries/{newer.id}")
    if one.id in gone(recording.entries):
        message = "this entry is void already"
        raise ConflictError(CONFLICTS, message)
