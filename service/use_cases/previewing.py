"""What the criteria of a gate come to while a battery is being entered: values and what is missing, never a verdict."""

from collections.abc import Iterator, Mapping
from typing import Any

from service.domain.codes import IS_NOT, MET, NOT_ASSESSED, SIDES_UNCONFIRMED, STATUS, UNANSWERED
from service.domain.criteria import Criterion
from service.domain.explain import IMPLAUSIBLE, advice_of
from service.domain.judge import verdict_of
from service.domain.judging import Judging
from service.domain.readings import Reading
from service.domain.reasons import Row
from service.domain.record import Moment
from service.domain.telling import because, hold_text
from service.domain.words import answer_text, capital, figure_text, question_text, short_label
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import Caller, Context
from service.use_cases.judging_record import evidence_now
from service.use_cases.naming import revision_of, subject_of
from service.use_cases.posting import Posting
from service.use_cases.recording import looked_at


def preview(context: Context, caller: Caller, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return what each criterion of the gate comes to as a battery stands now; nothing is stored.

    The battery is checked and laid beside the record as if it were posted. Whoever shows a form for it has noted that
    the record was read; no note is left here.

    Args:
        context: the service.
        caller: who enters it.
        body: an assessment with a stage, as `schemas.battery.BatterySchema` loads it.

    Returns:
        `{criteria: [{criterion, part_of, label, value, missing, carried_from}], unanswered, look_again}`: no status,
        no outcome, and no threshold to be measured against.

    Raises:
        InvalidDocumentError: every fault against catalogue, criteria set and record.
        ConflictError: what is on record stands against it.
        NoCriteriaInForceError: no version judges this condition on that day.
        UnknownStageError: the set in force has no such stage.
    """

    def work(tx: Tx) -> dict[str, Any]:
        now = context.clock()
        subject = subject_of(tx, caller, body, now, is_kept=False)
        recording = looked_at(tx, context, caller, subject.athlete)
        revision = revision_of(tx, caller, body, recording.chain)
        posting = Posting(recording, caller, body, subject, revision, context.service_version)
        battery, criteria = posting.checked(new_id(now))
        assert battery.episode is not None, "an assessment belongs to an episode"
        assert criteria is not None, "a battery with a stage is judged"
        as_of = Moment(battery.occurred_at, battery.occurred_on)
        evidence = evidence_now(recording, battery.episode, as_of, posted=True)
        assert evidence is not None, "an assessment makes evidence"
        return _so_far(Judging(evidence, criteria), body["target_stage"])

    return context.database.read(work)


def _so_far(judging: Judging, stage: str) -> dict[str, Any]:
    verdict = verdict_of(judging, stage)
    advice = advice_of(verdict, judging)
    rows = [Row(*row) for row in verdict["reasons"]]
    holds = [(code, about) for _kind, code, about in verdict["holds"]]
    swapped = [hold_text(judging, code, about) for code, about in holds if code == SIDES_UNCONFIRMED]
    unusual = [one["detail"] for one in advice["data_quality"] if one["code"] == IMPLAUSIBLE]
    return {
        "criteria": [_value(judging, row, said) for row, said in zip(rows, advice["reasons"], strict=True)],
        "unanswered": [question_text(about, judging.criteria) for code, about in holds if code == UNANSWERED],
        "look_again": [capital(one) for one in (*swapped, *unusual)],
    }


def _value(judging: Judging, row: Row, said: Mapping[str, Any]) -> dict[str, Any]:
    """Return one criterion; a group, and one in whose place another is judged, leaves its value to what follows."""
    one = judging.criteria.criteria[row.criterion]
    shown = {"criterion": row.criterion, "part_of": row.part_of, "label": short_label(row.criterion, judging.criteria)}
    if not isinstance(one, Criterion) or said["route"] is not None:
        return {**shown, "value": None, "missing": None, "carried_from": None}
    reading = judging.reading(one)
    value = _figure(one, reading)
    lacks = value is None or STATUS[reading.code] == NOT_ASSESSED
    return {
        **shown,
        "value": value,
        "missing": because(judging, one, reading) if lacks else None,
        "carried_from": next(_carried_from(judging, said), None),
    }


def _figure(one: Criterion, reading: Reading) -> str | None:
    if reading.measured is not None:
        of = " of the baseline" if reading.against == "baseline" else ""
        return f"{figure_text(one, reading.measured)}{of}"
    if one.question is not None and reading.code in (MET, IS_NOT):
        return answer_text(reading.uses[0][1][1])
    return None


def _carried_from(judging: Judging, said: Mapping[str, Any]) -> Iterator[str]:
    """Yield the date of the earlier occasion that a value comes from."""
    if said["carried_from"] is not None:
        yield said["carried_from"]
    judged = judging.evidence.judged
    today = None if judged is None else judged.on.isoformat()
    yield from (one["on"] for one in said["inputs"] if one["role"] == "answer" and one["on"] != today)
