"""Sign off: a named professional agrees with a decision or decides otherwise, and sets the position."""

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

from schemas.signing import OVERRIDE
from service.domain import record
from service.domain.chain import Link
from service.domain.codes import FINDING_OPEN, MET, NOT_TODAY, OUTSIDE_SCOPE, PASS
from service.domain.criteria import CriteriaSet
from service.domain.errors import INVALID_BODY, ConflictError, FieldError, InvalidDocumentError
from service.domain.standing import STANDING, supported_stage
from service.domain.words import listed
from service.store.state import IS_STANDING
from service.store.task_state import SIGN_OFF
from service.use_cases.appending import (
    CRITERIA,
    Addition,
    Request,
    append,
    entry_of,
    moment_of,
    of_entry,
    of_episode,
    require_professional,
    signed_by,
)
from service.use_cases.context import Caller, Context, Created
from service.use_cases.decision_view import standing_view
from service.use_cases.naming import CONFLICTS
from service.use_cases.overruling import refuse_date
from service.use_cases.positions import (
    climbing_faults,
    criteria_to_sign,
    is_unsupported,
    not_in_force,
    open_findings,
    stage_faults,
    support_faults,
)
from service.use_cases.recording import Recording

OF_DECISION, OF_EPISODE = "POST /v1/decisions/{id}/sign-offs", "POST /v1/episodes/{id}/sign-offs"
NOT_STANDING, DIGEST_DIFFERS = "not_standing", "digest_differs"
# What holds beside the criteria, and is resolved or waited for, but never overridden.
NOT_OVERRIDDEN = (FINDING_OPEN, NOT_TODAY, OUTSIDE_SCOPE)

_OVERRIDDEN = "#/criteria_overridden"


def sign_decision(context: Context, caller: Caller, decision: str, body: Mapping[str, Any], key: str) -> Created:
    """Sign off a decision; `body` is what `schemas.signing.SignOffSchema` loads.

    Raises:
        ForbiddenError: the caller is no person with a profession.
        NotFoundError: there is no such decision.
        ConflictError: digest_differs, not_standing; what was decided can't be overridden.
        InvalidDocumentError: what is overridden is not all that holds; the position is none that this can set.
    """
    require_professional(caller)
    request = Request(OF_DECISION, (decision,), body, key)

    def make(recording: Recording) -> Addition:
        signed = entry_of(recording, decision)
        _refuse_other(recording, signed, body["decision_digest"])
        _refuse_override(signed, body)
        criteria = recording.criteria(signed.content["verdict"]["criteria"])
        _refuse_faults(_faults(recording, signed, criteria, body))
        named = {
            "decision": decision,
            "decision_digest": signed.digest,
            "determination": body["determination"],
            CRITERIA: criteria.digest,
        }
        return _sign_off(recording, signed.episode, body, named)

    return append(context, caller, request, find=of_entry(caller, decision, record.DECISION), make=make)


def sign_position(context: Context, caller: Caller, episode: str, body: Mapping[str, Any], key: str) -> Created:
    """Set an episode's position without a decision; `body` is what `schemas.signing.PositionSignOffSchema` loads.

    Raises:
        ForbiddenError: the caller is no person with a profession.
        NotFoundError: there is no such episode.
        NoCriteriaInForceError: no version was ever adopted for the condition.
        InvalidDocumentError: there is no such stage; above what a decision supports there is no end date; nobody moves
            up with a finding open, or with no version in force.
    """
    require_professional(caller)
    request = Request(OF_EPISODE, (episode,), body, key)

    def make(recording: Recording) -> Addition:
        criteria = criteria_to_sign(recording, episode)
        _refuse_faults(_position_faults(recording, episode, criteria, body))
        return _sign_off(recording, episode, body, {CRITERIA: criteria.digest})

    return append(context, caller, request, find=of_episode(caller, episode), make=make)


def _position_faults(
    recording: Recording, episode: str, criteria: CriteriaSet, body: Mapping[str, Any]
) -> Iterator[FieldError]:
    position = body["position"]
    unknown = list(stage_faults(position, criteria))
    yield from unknown
    if unknown:
        return
    forbidding = chain(not_in_force(recording, criteria), open_findings(recording, episode))
    climbing = list(climbing_faults(recording, episode, criteria, position, forbidding))
    yield from climbing
    if not climbing and "valid_until" not in body and is_unsupported(recording, episode, criteria, position):
        detail = (
            "no decision supports this position; say until when it holds, and it lapses by itself, or set a lower one"
        )
        yield FieldError("#/valid_until", "missing", detail)


def _sign_off(recording: Recording, episode: str | None, body: Mapping[str, Any], named: Mapping[str, Any]) -> Addition:
    if "valid_until" in body:
        refuse_date(body["valid_until"], recording.today, "/valid_until")
    at, on = moment_of(recording, {})
    document = dict(named)
    for key in ("position", "criteria_overridden"):
        if body.get(key):
            document[key] = body[key]
    if "valid_until" in body:
        document["valid_until"] = body["valid_until"].isoformat()
    private = {key: body.get(key) for key in ("conditions", "rationale", "informed")}
    return Addition(SIGN_OFF, episode, at, on, document, private | {"signed_by": signed_by(recording.caller)})


def _refuse_other(recording: Recording, signed: Link, digest: str) -> None:
    """Refuse a decision that was not seen as it is, or does not stand any more."""
    if digest != signed.digest:
        detail = "this is the digest of something else; read the decision again, and sign what it says"
        raise ConflictError(DIGEST_DIFFERS, detail, errors=[FieldError("#/decision_digest", CONFLICTS, detail)])
    row = recording.before["decisions"][(signed.id,)]
    state = standing_view(row, recording.today)["state"]
    if state != STANDING:
        link = _current(recording, row)
        detail = f"this decision is {state}; look at the current one, or judge what is on record now"
        raise ConflictError(NOT_STANDING, detail, link=link and f"/v1/decisions/{link}")


def _current(recording: Recording, row: Mapping[str, Any]) -> str | None:
    """Return the decision to look at instead: the one of the stage that stands, else the episode's current one."""
    same = [
        other["id"]
        for other in recording.before["decisions"].values()
        if (other["episode_id"], other["target_stage"]) == (row["episode_id"], row["target_stage"])
        and other["state"] == IS_STANDING
        and other["id"] != row["id"]
    ]
    current = recording.before["episodes"][(row["episode_id"],)]["current_decision_id"]
    return next((str(one) for one in (*same, current) if one not in (None, row["id"])), None)


def overridable(verdict: Mapping[str, Any]) -> list[str]:
    """Return what an override of a decision names: each criterion that holds, then what holds beside the criteria.

    Nothing where a finding, the day or the set's scope holds, too: these are resolved, and never overridden.
    """
    if _beyond_override(verdict):
        return []
    unmet = [
        row[0] for row in verdict["reasons"] if row[1] is None and row[2] != MET and not row[6]
    ]  # criterion, part_of, status, ..., excepted
    return [*unmet, *dict.fromkeys(about for _kind, _code, about in verdict["holds"])]


def _beyond_override(verdict: Mapping[str, Any]) -> list[str]:
    return [kind for kind in verdict["hold_because"] if kind in NOT_OVERRIDDEN]


def _refuse_override(signed: Link, body: Mapping[str, Any]) -> None:
    """Refuse to override what is no hold, and what holds beside the criteria."""
    verdict = signed.content["verdict"]
    kinds = _beyond_override(verdict)
    if body["determination"] != OVERRIDE or not (kinds or verdict["outcome"] == PASS):
        return
    if kinds:
        about = listed([name for kind, _code, name in verdict["holds"] if kind in kinds])
        detail = f"{listed(kinds)} ({about}) can't be overridden; resolve that first, and ask for the decision again"
    else:
        detail = "a pass holds nothing that could be overridden; agree, or be stricter"
    raise ConflictError(CONFLICTS, detail, errors=[FieldError("#/determination", CONFLICTS, detail)])


def _faults(recording: Recording, signed: Link, criteria: CriteriaSet, body: Mapping[str, Any]) -> Iterator[FieldError]:
    verdict = signed.content["verdict"]
    found = list(_override_faults(verdict, body)) if body["determination"] == OVERRIDE else []
    if "position" in body:
        found += stage_faults(body["position"], criteria)
    yield from found
    if found or "position" not in body:
        return
    episode = str(signed.episode)
    yield from support_faults(verdict, criteria, body, supported_stage(episode, recording.history()))
    yield from climbing_faults(recording, episode, criteria, body["position"], not_in_force(recording, criteria))


def _refuse_faults(found: Iterator[FieldError]) -> None:
    faults = list(found)
    if faults:
        raise InvalidDocumentError(INVALID_BODY, faults)


def _override_faults(verdict: Mapping[str, Any], body: Mapping[str, Any]) -> Iterator[FieldError]:
    """Yield what is to be overridden and does not hold, and what holds and is not named."""
    holding, overridden = overridable(verdict), body["criteria_overridden"]
    for place, name in enumerate(overridden):
        where = f"{_OVERRIDDEN}/{place}"
        if name not in holding:
            yield FieldError(where, "unknown_name", f"{name!r} does not hold; what holds is {listed(holding)}")
        elif name in overridden[:place]:
            yield FieldError(where, "duplicate", f"{name!r} stands here twice")
    left_out = [name for name in holding if name not in overridden]
    if left_out:
        detail = f"an override names all that holds; name {listed(left_out)} too, or set a stage that is supported"
        yield FieldError(_OVERRIDDEN, "missing", detail)
