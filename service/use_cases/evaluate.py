"""Judge a battery, or a file of entries, without a server and without a database."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.battery import LATENESS
from service.domain.criteria import CriteriaSet
from service.domain.errors import INVALID_BATTERY, INVALID_EVALUATION, TARGET_STAGE, FieldError, InvalidDocumentError
from service.domain.evidence import Evidence
from service.domain.explain import Advice, advice_of
from service.domain.fold import fold
from service.domain.judge import Verdict, verdict_of
from service.domain.judging import Judging
from service.domain.record import BASELINE, Moment, instant
from service.use_cases.reading_entries import JUDGED, Clock, battery_bodies, read_entries


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What was judged and what it came to."""

    criteria: CriteriaSet
    evidence: Evidence
    verdict: Verdict
    advice: Advice


def as_file(battery: Mapping[str, Any]) -> dict[str, Any]:
    """Return one loaded battery body as a file of one entry.

    Raises:
        InvalidDocumentError: a baseline or a follow-up by itself has nothing to judge.
    """
    if "episode" not in battery or battery["kind"] == BASELINE or "follows" in battery:
        detail = "one battery is judged only if it is an assessment; send the others in a file of entries"
        raise InvalidDocumentError(INVALID_BATTERY, [FieldError("#/kind", "conflicts", detail)])
    body = {key: value for key, value in battery.items() if key != "episode"}
    return {"athlete": battery["athlete"], "episode": battery["episode"], "entries": [{"battery": body}]}


def target_stage(file: Mapping[str, Any]) -> str | None:
    """Return the stage that a file asks about: its own, else that of its last battery that names one."""
    named = [body["target_stage"] for _, body in battery_bodies(file) if "target_stage" in body]
    stage: str | None = file.get("target_stage") or (named[-1] if named else None)
    return stage


def _place_of_stage(file: Mapping[str, Any]) -> str:
    """Return where the stage is named, as `target_stage` reads it; where it belongs if it is nowhere."""
    named = [place for place, body in battery_bodies(file) if "target_stage" in body]
    is_in_battery = named and "target_stage" not in file
    return f"#/entries/{named[-1] - 1}/battery/target_stage" if is_in_battery else TARGET_STAGE


def evaluate(
    file: Mapping[str, Any], criteria: CriteriaSet, *, stage: str | None, clock: Clock, as_of: datetime | None = None
) -> Evaluation | None:
    """Judge a loaded file of entries for its episode.

    Args:
        file: the document that `schemas.entries.EvaluationSchema` loads.
        criteria: the criteria set that judges.
        stage: the stage asked about.
        clock: now and the zone.
        as_of: judge what is stored at this moment; without it the last battery is judged as just posted.

    Returns:
        The evaluation, or None where the file ends with a follow-up told too late to be judged.

    Raises:
        UnknownStageError: no stage, or none of the set.
        InvalidDocumentError: every fault against the catalogue and the other entries; a moment in the future.
    """
    gate = criteria.gate(stage, pointer=_place_of_stage(file))
    entries = read_entries(file, criteria, clock)
    if as_of is None:
        through, last = _last_battery(file)
        moment = Moment(instant(last["performed_at"]), clock.local_date(last["performed_at"]))
    else:
        if clock.now is not None and as_of > clock.now + LATENESS:
            raise _in_the_future(clock.now)
        moment = Moment(instant(as_of), clock.local_date(as_of))
        through = max((entry.sequence for entry in entries if entry.occurred_at <= moment.at), default=0)
    evidence = fold(entries, episode=JUDGED, through=through, as_of=moment, posted=as_of is None)
    if evidence is None:
        if as_of is not None:
            raise _nothing_stored(moment)
        return None
    judging = Judging(evidence, criteria)
    verdict = verdict_of(judging, gate.id)
    passed = gate.id if verdict["outcome"] == "pass" else None
    return Evaluation(criteria, evidence, verdict, advice_of(verdict, judging, supported_stage=passed))


def _last_battery(file: Mapping[str, Any]) -> tuple[int, Mapping[str, Any]]:
    place, last = max(battery_bodies(file), key=lambda one: one[0], default=(0, {}))
    if not last:
        detail = "the file has no battery; say as of when to judge, or add one"
        raise InvalidDocumentError(INVALID_EVALUATION, [FieldError("#/entries", "missing", detail)])
    episode = last.get("episode")
    ref = episode.get("ref") if isinstance(episode, Mapping) else episode
    is_other = ref is not None and ref != file["episode"].get("ref")
    if is_other or last["kind"] == BASELINE:
        what = "belongs to another episode" if is_other else "is a baseline, which is not judged"
        detail = f"the last battery {what}; put it before the others, or say as of when to judge"
        where = f"#/entries/{place - 1}/battery/{'episode' if is_other else 'kind'}"
        raise InvalidDocumentError(INVALID_EVALUATION, [FieldError(where, "conflicts", detail)])
    return place, last


def _nothing_stored(moment: Moment) -> InvalidDocumentError:
    detail = f"no battery of the episode is stored at {moment.at}; choose a later moment"
    return InvalidDocumentError(INVALID_EVALUATION, [FieldError("#/as_of", "out_of_range", detail)])


def _in_the_future(now: datetime) -> InvalidDocumentError:
    detail = f"this lies after now, {now.isoformat(timespec='seconds')}; only what is stored can be judged"
    return InvalidDocumentError(INVALID_EVALUATION, [FieldError("#/as_of", "in_the_future", detail)])
