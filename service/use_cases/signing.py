"""Sign off: a named professional agrees with a decision or decides otherwise, and sets the position."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.domain import record
from service.domain.chain import Link
from service.domain.codes import FINDING_OPEN, MET, PASS
from service.domain.criteria import CriteriaSet
from service.domain.errors import INVALID_BODY, ConflictError, FieldError, InvalidDocumentError
from service.domain.standing import STANDING, supported_stage
from service.store.state import IS_STANDING, SIGN_OFF
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
from service.use_cases.overruling import criteria_today, refuse_date
from service.use_cases.recording import Recording

OF_DECISION, OF_EPISODE = "POST /v1/decisions/{id}/sign-offs", "POST /v1/episodes/{id}/sign-offs"
NOT_STANDING, DIGEST_DIFFERS = "not_standing", "digest_differs"
AGREE, STRICTER, OVERRIDE = "agree", "stricter", "override"
_NOBODY_TRAINS = "none"


def sign_decision(context: Context, caller: Caller, decision: str, body: Mapping[str, Any], key: str) -> Created:
    """Sign off a decision; `body` is what `schemas.signing.SignOffSchema` loads.

    Raises:
        ForbiddenError: the caller is no person with a profession.
        NotFoundError: there is no such decision.
        ConflictError: digest_differs, not_standing; the decision is a pass and can't be overridden.
        InvalidDocumentError: what is overridden is not what holds; the position is none that this can set.
    """
    require_professional(caller)
    request = Request(OF_DECISION, (decision,), body, key)

    def make(recording: Recording) -> Addition:
        signed = entry_of(recording, decision)
        _refuse_other(recording, signed, body["decision_digest"])
        criteria = recording.criteria(signed.content["verdict"]["criteria"])
        supported = supported_stage(str(signed.episode), recording.history())
        _refuse_body(signed, criteria, body, supported)
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
        InvalidDocumentError: there is no such stage; above what a decision supports there is no end date.
    """
    require_professional(caller)
    request = Request(OF_EPISODE, (episode,), body, key)

    def make(recording: Recording) -> Addition:
        criteria = criteria_today(recording, episode, _set_of(recording, episode))
        found = [*_stage_faults(body, criteria)]
        if not found and _is_unsupported(recording, episode, criteria, body["position"]) and "valid_until" not in body:
            detail = "no decision supports this stage; say until when it holds, and it lapses by itself"
            found.append(FieldError("#/valid_until", "missing", detail))
        if found:
            raise InvalidDocumentError(INVALID_BODY, found)
        return _sign_off(recording, episode, body, {CRITERIA: criteria.digest})

    return append(context, caller, request, find=of_episode(caller, episode), make=make)


def _set_of(recording: Recording, episode: str) -> str | None:
    """Return the set that judged the episode last; where several fit its condition, that is the one meant."""
    row = recording.before["episodes"][(episode,)]
    decided = [one for one in recording.chain if one.id == row["current_decision_id"]]
    return str(decided[0].content["criteria_set"]["id"]) if decided else None


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


def _refuse_body(signed: Link, criteria: CriteriaSet, body: Mapping[str, Any], supported: str | None) -> None:
    verdict = signed.content["verdict"]
    if body["determination"] == OVERRIDE and verdict["outcome"] == PASS:
        detail = "a pass holds nothing that could be overridden; agree, or be stricter"
        raise ConflictError(CONFLICTS, detail, errors=[FieldError("#/determination", CONFLICTS, detail)])
    found = [*_override_faults(verdict, body.get("criteria_overridden", ())), *_stage_faults(body, criteria)]
    if not found:
        found += _position_faults(verdict, criteria.stages, body, supported)
    if found:
        raise InvalidDocumentError(INVALID_BODY, found)


def _override_faults(verdict: Mapping[str, Any], overridden: Sequence[str]) -> Iterator[FieldError]:
    """Yield what is to be overridden and does not hold: only a criterion asked and unmet, or a hold, can be."""
    unmet = [
        row[0] for row in verdict["reasons"] if row[1] is None and row[2] != MET and not row[6]
    ]  # criterion, part_of, status, ..., excepted
    holding = [*unmet, *dict.fromkeys(about for _kind, _code, about in verdict["holds"])]
    for place, name in enumerate(overridden):
        where = f"#/criteria_overridden/{place}"
        if name not in holding:
            yield FieldError(where, "unknown_name", f"{name!r} does not hold; what holds is {', '.join(holding)}")
        elif name in overridden[:place]:
            yield FieldError(where, "duplicate", f"{name!r} stands here twice")


def _stage_faults(body: Mapping[str, Any], criteria: CriteriaSet) -> Iterator[FieldError]:
    stage = body.get("position", {}).get("stage")
    if stage is not None and stage not in criteria.gates:
        listed = ", ".join(criteria.stages)
        detail = f"{criteria.id} has no stage {stage!r}; it has {listed}"
        yield FieldError("#/position/stage", "unknown_name", detail)


def _position_faults(
    verdict: Mapping[str, Any], stages: Sequence[str], body: Mapping[str, Any], supported: str | None
) -> Iterator[FieldError]:
    """Yield a position beyond what was decided: that is an override of a hold, or a decision of its own."""
    stage = body.get("position", {}).get("stage")
    if stage is None or body["determination"] == OVERRIDE:
        return
    target, is_pass = verdict["stage"], verdict["outcome"] == PASS
    rests = body["position"]["participation"] == _NOBODY_TRAINS
    if stages.index(stage) > _highest(verdict, stages, supported, rests=rests):
        detail = f"{stage} lies above what this {verdict['outcome']} of {target} and the passes on record support"
        mend = "ask about that stage" if is_pass else "override, or set a stage that is supported"
        yield FieldError("#/position/stage", CONFLICTS, f"{detail}; {mend}")


def _highest(verdict: Mapping[str, Any], stages: Sequence[str], supported: str | None, *, rests: bool) -> int:
    """Return the place of the highest stage that a decision supports: no higher than the passes on record do.

    The first stage needs no pass; with a finding open, not even that is supported but for who `rests` from the sport.
    Who rests may stand anywhere below the stage that holds.
    """
    target = stages.index(verdict["stage"])
    known = stages.index(supported) if supported in stages else 0
    if verdict["outcome"] == PASS:
        return min(target, known)
    if FINDING_OPEN in verdict["hold_because"]:
        return 0 if rests else -1
    if rests:
        return max(target - 1, 0)
    return min(target - 1, known)


def _is_unsupported(recording: Recording, episode: str, criteria: CriteriaSet, position: Mapping[str, Any]) -> bool:
    """Tell whether a position lets the athlete do more than the decisions on record support."""
    if position["participation"] == _NOBODY_TRAINS:
        return False
    supported = supported_stage(episode, recording.history())
    highest = criteria.stages.index(supported) if supported in criteria.stages else 0
    return criteria.stages.index(position["stage"]) > highest
