"""How high a sign-off may put the athlete: as the decisions on record support, and up only while nothing forbids it."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from schemas.signing import OVERRIDE, PARTICIPATION
from service.domain.adoption import in_force, is_retired
from service.domain.codes import FINDING_OPEN, PASS
from service.domain.criteria import CriteriaSet
from service.domain.errors import FieldError, NoCriteriaInForceError
from service.domain.standing import supported_stage
from service.domain.words import listed
from service.store import criteria as store
from service.use_cases.in_force import by_digest
from service.use_cases.lapses import has_lapsed
from service.use_cases.naming import CONFLICTS
from service.use_cases.overruling import criteria_today
from service.use_cases.recording import Recording

Position = Mapping[str, Any]

NONE, COMPETES = "none", ("restricted_competition", "competition")
_POSITION, _STAGE, _PARTICIPATION = "#/position", "#/position/stage", "#/position/participation"


def criteria_to_sign(recording: Recording, episode: str) -> CriteriaSet:
    """Return the version whose stages a position without a decision names: the one in force today.

    Where none is, an athlete can still be taken out of sport: by the one that judged last, else the newest for the
    condition.

    Raises:
        NoCriteriaInForceError: no version was ever adopted for the condition.
        AmbiguousCriteriaSetError: several are in force, and none of them judged last.
    """
    row = recording.before["episodes"][(episode,)]
    judged = next((one.content for one in recording.chain if one.id == row["current_decision_id"]), None)
    own = None if judged is None else str(judged["criteria_set"]["id"])
    for set_id in dict.fromkeys((own, None)):
        with suppress(NoCriteriaInForceError):
            return criteria_today(recording, episode, set_id)
    if judged is not None:
        return recording.criteria(judged["verdict"]["criteria"])
    return _newest(recording, row["condition"]) or criteria_today(recording, episode, None)


def _newest(recording: Recording, condition: str) -> CriteriaSet | None:
    tx, organisation = recording.tx, recording.caller.organisation
    adopted = [by_digest(tx, organisation, one) for one in store.in_order_of_publication(tx, organisation)]
    return next((one for one in reversed(adopted) if condition in one.conditions), None)


def stage_faults(position: Position, criteria: CriteriaSet) -> Iterator[FieldError]:
    """Yield a stage that the set has not."""
    if position["stage"] not in criteria.gates:
        detail = f"{criteria.id} has no stage {position['stage']!r}; it has {', '.join(criteria.stages)}"
        yield FieldError(_STAGE, "unknown_name", detail)


# Up, while nothing lets anybody up


def not_in_force(recording: Recording, criteria: CriteriaSet) -> Iterator[str]:
    """Yield why nobody moves up by a version: it is retired, or nothing of its set is in force."""
    versions = store.adopted(recording.tx, recording.caller.organisation, criteria.id)
    own = next(one for one in versions if one.digest == criteria.digest)
    if is_retired(own, recording.today):
        yield f"{own.name} is retired from {own.retired_from} on ({own.reason})"
    elif in_force(versions, recording.today) is None:
        yield f"no version of {criteria.id} is in force on {recording.today}"


def open_findings(recording: Recording, episode: str) -> Iterator[str]:
    """Yield why nobody moves up with a finding open, of this episode or of another open one."""
    closed = {row["id"] for row in recording.before["episodes"].values() if row["closed_on"] is not None}
    rows = [row for row in recording.before["findings"].values() if row["resolved_by"] is None]
    names = {row["finding"] for row in rows if row["episode_id"] == episode or row["episode_id"] not in closed}
    if names:
        yield f"{listed(sorted(names))} is open until a named person resolves it"


def climbing_faults(
    recording: Recording, episode: str, criteria: CriteriaSet, position: Position, because: Iterator[str]
) -> Iterator[FieldError]:
    """Yield a position above the present one while something forbids to move up."""
    reasons = list(because)
    present = _present(recording, episode)
    if reasons and position["participation"] != NONE and _is_higher(position, present, criteria.stages):
        now = "none is set" if present is None else f"{present['stage']}, {present['participation']}"
        mend = f"set participation {NONE}, or a position no higher than the present one ({now})"
        yield FieldError(_POSITION, CONFLICTS, f"{'; '.join(reasons)}; until then nobody moves up: {mend}")


def _present(recording: Recording, episode: str) -> Position | None:
    """Return the position in force today, None where there is none or it has lapsed."""
    row = recording.before["episodes"][(episode,)]
    return None if row["stage"] is None or has_lapsed(row["position_until"], recording.today) else row


def _is_higher(position: Position, present: Position | None, stages: Sequence[str]) -> bool:
    if present is None or present["stage"] not in stages:
        return True
    asked, now = (
        (stages.index(one["stage"]), PARTICIPATION.index(one["participation"])) for one in (position, present)
    )
    return asked[0] > now[0] or asked[1] > now[1]


# Above what decisions support


def support_faults(
    verdict: Mapping[str, Any], criteria: CriteriaSet, body: Mapping[str, Any], supported: str | None
) -> Iterator[FieldError]:
    """Yield a position beyond what was decided: that is an override of a hold, or a decision of its own."""
    if body["determination"] == OVERRIDE:
        return
    stages, position = criteria.stages, body["position"]
    target, is_pass = verdict["stage"], verdict["outcome"] == PASS
    rests = position["participation"] == NONE
    if stages.index(position["stage"]) > _highest(verdict, stages, supported, rests=rests):
        detail = f"{position['stage']} lies above what this {verdict['outcome']} of {target} and the passes on record"
        mend = "ask about that stage" if is_pass else "override, or set a stage that is supported"
        yield FieldError(_STAGE, CONFLICTS, f"{detail} support; {mend}")
    elif _competes_early(position, stages):
        detail = f"{position['participation']} goes with the last stage, {stages[-1]}, and with no other"
        yield FieldError(_PARTICIPATION, CONFLICTS, f"{detail}; set full_training or less, or ask about that stage")


def is_unsupported(recording: Recording, episode: str, criteria: CriteriaSet, position: Position) -> bool:
    """Tell whether a position lies above what the decisions on record support.

    Who rests may stand anywhere below the last stage, and keep that one where it had no end.
    """
    stages, present = criteria.stages, recording.before["episodes"][(episode,)]
    free = [supported_stage(episode, recording.history())]
    if position["participation"] == NONE:
        free += [*stages[:-1], present["stage"] if present["position_until"] is None else None]
    highest = max((stages.index(one) for one in free if one in stages), default=0)
    return stages.index(position["stage"]) > highest or _competes_early(position, stages)


def _competes_early(position: Position, stages: Sequence[str]) -> bool:
    return position["participation"] in COMPETES and position["stage"] != stages[-1]


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
