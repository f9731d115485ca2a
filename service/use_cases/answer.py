"""A decision as it is answered: verdict, advice and the texts of the criteria set, joined."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.domain.criteria import CriteriaSet, subject_of
from service.domain.evidence import Evidence
from service.domain.judging import Judging
from service.domain.record import EVENT
from service.domain.words import listed
from service.domain.working import working
from service.use_cases.evaluate import Evaluation

NOT_JUDGED = (
    "Not judged: the file ends with a follow-up of an occasion that is no longer the latest, so it came too late to be "
    "judged. Judge the later occasion, or say as of when to judge."
)
NOT_READ = "not_read"
_PLACES_IN_A_FILE = ("battery_id", "entry", "entries")


def decision_answer(verdict: Mapping[str, Any], advice: Mapping[str, Any], criteria: CriteriaSet) -> dict[str, Any]:
    """Return a decision as clients see it, without what only the store knows.

    Args:
        verdict: what `judge` returned.
        advice: what `explain` returned for it.
        criteria: the criteria set that judged.
    """
    return {
        "outcome": verdict["outcome"],
        "hold_because": verdict["hold_because"],
        "target_stage": verdict["stage"],
        "supported_stage": advice["supported_stage"],
        "summary": advice["summary"],
        "holds": list(_holds(verdict["holds"], advice["holds"])),
        "reasons": [
            _reason(row, said, criteria) for row, said in zip(verdict["reasons"], advice["reasons"], strict=True)
        ],
        "shown": [_shown(said, criteria) for said in advice["shown"]],
        **{key: advice[key] for key in ("data_quality", "next_steps", "retest", "follow_up")},
        **_of_set(criteria),
        **{key: verdict[key] for key in ("as_of", "through", "engine")},
    }


def evaluation_answer(
    evaluation: Evaluation, *, service_version: str, entries: Sequence[Mapping[str, Any]] = ()
) -> dict[str, Any]:
    """Return the decision of an evaluation; batteries are told by their time, as they have no ids of ours.

    Args:
        evaluation: what was judged.
        service_version: the release that judged.
        entries: those of the file; what came after the last battery and was not read is flagged.
    """
    answer = decision_answer(evaluation.verdict, evaluation.advice, evaluation.criteria)
    for one in (*answer["reasons"], *answer["shown"]):
        one["inputs"] = [_without_places(read) for read in one["inputs"]]
    performed_at = sorted(set(_moments_used(evaluation.evidence, evaluation.advice)))
    unread = not_read(evaluation, entries)
    if unread is not None:
        answer["data_quality"] = [{"code": NOT_READ, "detail": unread}, *answer["data_quality"]]
    return answer | {
        "used": [{"performed_at": moment} for moment in performed_at],
        "service_version": service_version,
    }


def not_read(evaluation: Evaluation, entries: Sequence[Mapping[str, Any]]) -> str | None:
    """Return which entries of a file the verdict on its last battery did not read, None where it read all."""
    unread = entries[evaluation.verdict["through"] :] if evaluation.verdict["posted"] else ()
    if not unread:
        return None
    how_many = "1 entry" if len(unread) == 1 else f"{len(unread)} entries"
    verb = "is" if len(unread) == 1 else "are"
    return f"{how_many} after the last battery {verb} not read: {listed([_entry_text(one) for one in unread])}"


def _entry_text(entry: Mapping[str, Any]) -> str:
    [(kind, body)] = entry.items()
    named = str(body["kind"] if kind == EVENT else kind).replace("_", " ")
    when = body["on"] if "on" in body else body["at"]
    return f"{named} on {when:%Y-%m-%d}"


def with_working(answer: Mapping[str, Any], evaluation: Evaluation) -> dict[str, Any]:
    """Return the answer with every reason's arithmetic, line by line, under `working`."""
    judging = Judging(evaluation.evidence, evaluation.criteria)
    reasons = [one | {"working": working(judging, one["criterion"])} for one in answer["reasons"]]
    return {**answer, "reasons": reasons}


def answer_not_judged(criteria: CriteriaSet, stage: str, *, service_version: str) -> dict[str, Any]:
    """Return what is answered where a file ends with a follow-up told too late: no outcome, and why."""
    return {
        "outcome": None,
        "target_stage": criteria.gate(stage).id,
        "summary": NOT_JUDGED,
        **_of_set(criteria),
        "engine": criteria.engine,
        "service_version": service_version,
    }


def _of_set(criteria: CriteriaSet) -> dict[str, Any]:
    return {
        "caution": criteria.document["caution"],
        "criteria_set": {"id": criteria.id, "version": criteria.version, "digest": criteria.digest},
    }


def _holds(holds: Sequence[Sequence[str]], said: Sequence[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    for (kind, code, about), one in zip(holds, said, strict=True):
        yield {"kind": kind, "code": code, "about": about, **one}


def _reason(row: Sequence[Any], said: Mapping[str, Any], criteria: CriteriaSet) -> dict[str, Any]:
    criterion, part_of, status, code, _numerator, _denominator, excepted = row
    asked = criteria.document["criteria"][criterion]
    return {
        "criterion": criterion,
        "part_of": part_of,
        "status": status,
        "code": code,
        "required": part_of is None,
        **subject_of(asked),
        **said,
        "excepted": excepted,
        "evidence": asked.get("evidence"),
        "grade": asked.get("grade"),
        "sources": asked.get("sources", []),
        "see": asked.get("see", []),
        "work_on": asked.get("work_on"),
    }


def _shown(said: Mapping[str, Any], criteria: CriteriaSet) -> dict[str, Any]:
    shown = criteria.document["criteria"][said["criterion"]]
    return {**said, **subject_of(shown), "sources": shown.get("sources", []), "see": shown.get("see", [])}


def _without_places(read: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in read.items() if key not in _PLACES_IN_A_FILE}


def _moments_used(evidence: Evidence, advice: Mapping[str, Any]) -> Iterator[str]:
    """Yield when the batteries of the judged occasion, and those whose measurements were read, were performed."""
    if evidence.judged is not None:
        yield from evidence.judged.performed_at.values()
    for one in advice["reasons"]:
        for read in one["inputs"]:
            if "performed_at" in read:
                yield read["performed_at"]
