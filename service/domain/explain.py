"""Verdict + evidence + criteria set -> advice: figures as text, sentences, next steps, when to test again."""

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

from service.domain.catalogue import LEFT, CatalogueTest
from service.domain.codes import (
    AGE_UNKNOWN,
    AWAITING_RESPONSE,
    FINDING_OPEN,
    GAVE_WAY,
    IS_NOT,
    MET,
    NOT_ASSESSED,
    NOT_MET,
    NOT_TODAY,
    OUTSIDE_SCOPE,
    PAIN_BEYOND_LIMIT,
    PASS,
    SHORT,
    SIDES_UNCONFIRMED,
    STATUS,
    TOO_FEW_MET,
    UNABLE,
    UNANSWERED,
)
from service.domain.corrected import corrected_away
from service.domain.criteria import (
    CriteriaSet,
    Gate,
    Group,
)
from service.domain.evidence import Evidence, Measurement
from service.domain.judging import Judging
from service.domain.numbers import Pair, number
from service.domain.reasons import Row, reason_json, shown_json
from service.domain.record import MEASURED
from service.domain.retest import propose_follow_up, propose_retest, unmet_readings
from service.domain.telling import because, hold_action, hold_text, must_state_other_side
from service.domain.words import capital, inside, question_text

Advice = dict[str, Any]

REFERRAL_FIRST = "Anything that loads the joint: resolve the referral sign first."
STATE_OTHER_SIDE = (
    "State whether the other side is healthy, previously injured or symptomatic; nothing need be tested again for that."
)

IMPLAUSIBLE = "implausible"

_STOPS = (GAVE_WAY, PAIN_BEYOND_LIMIT)


def explain(
    verdict: Mapping[str, Any], evidence: Evidence, criteria: CriteriaSet, *, supported_stage: str | None = None
) -> Advice:
    """Return what a verdict means in words.

    Args:
        verdict: what `judge` returned for the same evidence and criteria set.
        evidence: the evidence judged.
        criteria: the criteria set.
        supported_stage: the highest stage with a pass that still stands, this decision included.

    Returns:
        `{summary, supported_stage, holds, reasons, shown, data_quality, next_steps, retest, follow_up}`: `holds` and
        `reasons` stand beside those of the verdict, in the same order.
    """
    return advice_of(verdict, Judging(evidence, criteria), supported_stage=supported_stage)


def advice_of(verdict: Mapping[str, Any], judging: Judging, *, supported_stage: str | None = None) -> Advice:
    """Return what `explain` does, from the judging that made the verdict."""
    criteria = judging.criteria
    gate = criteria.gate(verdict["stage"])
    rows = [Row(*row) for row in verdict["reasons"]]
    reasons = [reason_json(judging, row) for row in rows]
    holds = [
        {"statement": hold_text(judging, code, about), "action": hold_action(judging, code, about)}
        for _, code, about in verdict["holds"]
    ]
    quality = [*_data_quality(judging), *_corrected_away(judging)]
    return {
        "summary": " ".join([_summary(verdict, rows, reasons, holds), *_unusual(quality)]),
        "supported_stage": supported_stage,
        "holds": holds,
        "reasons": reasons,
        "shown": list(shown_json(judging, gate)),
        "data_quality": quality,
        "next_steps": _next_steps(judging, verdict, rows, gate, supported_stage),
        "retest": propose_retest(judging, verdict),
        "follow_up": propose_follow_up(judging),
    }


# The first sentence


def _unusual(quality: Sequence[Mapping[str, str]]) -> Iterator[str]:
    """Yield a warning where a value looks misread: a verdict on it is worth no more than the value."""
    found = [one["detail"] for one in quality if one["code"] == IMPLAUSIBLE]
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        yield f"Look again: {found[0]}{more}."


def _summary(
    verdict: Mapping[str, Any],
    rows: Sequence[Row],
    reasons: Sequence[Mapping[str, Any]],
    holds: Sequence[Mapping[str, str | None]],
) -> str:
    """Return the worst news first, then the counts: nobody reads first how much is met beside an open finding."""
    asked = [row for row in rows if row.part_of is None]
    if verdict["outcome"] == PASS:
        return f"Pass: {_counts(asked)}."
    news = [
        (_gravity_of_hold(hold), Fraction(0), " ".join(filter(None, (one["statement"], one["action"]))))
        for hold, one in zip(verdict["holds"], holds, strict=True)
    ]
    news += [
        (_gravity(row), -_miss(one), str(one["statement"]))
        for row, one in zip(rows, reasons, strict=True)
        if row.part_of is None and row.status != MET and not row.excepted
    ]
    worst = min(news, key=lambda one: one[:2])
    return f"Hold: {worst[2]} {capital(_counts(asked))}."


def _gravity_of_hold(hold: Sequence[str]) -> int:
    return {FINDING_OPEN: 0, NOT_MET: 1, NOT_TODAY: 2, OUTSIDE_SCOPE: 3, NOT_ASSESSED: 6}[hold[0]]


def _gravity(row: Row) -> int:
    if row.code in _STOPS:
        return 1
    if row.code == UNABLE:
        return 4
    if row.code in SHORT or row.code in (IS_NOT, TOO_FEW_MET):
        return 5
    return 7 if row.code == AWAITING_RESPONSE else 6


def _miss(reason: Mapping[str, Any]) -> Fraction:
    """Return by how much a criterion is missed, as a share of its threshold: a clear miss is told before a near one."""
    if reason["margin"] is None:
        return Fraction(0)
    threshold = Fraction(reason["threshold"]["value"])
    missed = -Fraction(reason["margin"]["value"])
    return missed / threshold if threshold else missed


def _counts(asked: Sequence[Row]) -> str:
    if not asked:
        return "this stage asks no criterion of its own"
    met = sum(row.status == MET for row in asked)
    everything = {1: "the one required criterion is met", 2: "both required criteria are met"}
    words = (
        everything.get(met, f"all {met} required criteria are met")
        if met == len(asked)
        else f"{met} of {len(asked)} required criteria are met"
    )
    open_ = [row for row in asked if row.status != MET and not row.excepted]
    told = {
        "not met": sum(row.status == NOT_MET for row in open_),
        "not assessed": sum(row.status == NOT_ASSESSED and row.code != AWAITING_RESPONSE for row in open_),
        "awaiting an answer": sum(row.code == AWAITING_RESPONSE for row in open_),
        "excepted": sum(row.excepted and row.status != MET for row in asked),
    }
    return words + "".join(f"; {count} {what}" for what, count in told.items() if count)


# Flags and next steps


def _data_quality(judging: Judging) -> list[dict[str, str]]:
    """Return what is worth a second look, each flag once."""
    flags = dict.fromkeys(_flags(judging))
    return [{"code": code, "detail": detail} for code, detail in flags]


def _corrected_away(judging: Judging) -> list[dict[str, str]]:
    """Return what corrections of the judged occasion took back of what holds."""
    return [one for line in judging.evidence.corrected for one in corrected_away(line, judging.criteria)]


def _flags(judging: Judging) -> Iterator[tuple[str, str]]:
    evidence = judging.evidence
    adult_from = judging.criteria.adult_from
    if adult_from is not None and evidence.ages is not None and evidence.ages[0] < adult_from:
        yield "adult_figures", f"under {adult_from}: the figures used are adult figures"
    for one in evidence.judged.measurements.values() if evidence.judged is not None else ():
        if one.result == MEASURED and one.test in judging.criteria.catalogue.tests:
            yield from _flags_of(judging, one)


def _flags_of(judging: Judging, one: Measurement) -> Iterator[tuple[str, str]]:
    test = judging.criteria.catalogue.tests[one.test]
    name = test.title if one.side is None else f"{test.title}, {one.side}"
    for bound in test.plausible if one.values else ():
        value = min(one.values) if bound.is_lower else max(one.values)
        if not bound.holds(test.in_unit(Pair(value), one.unit)):
            amount = f"{number(value)} {one.unit or ''}".strip()
            expected = f"{bound.word.replace('_', ' ')} {bound.text}"
            yield IMPLAUSIBLE, f"{name}: {amount} is unusual; {expected} is expected"
    if one.summarised is not None:
        yield "summarised_by_sender", f"{name}: one value that sums up {one.summarised} trials"
    other = judging.opposite(one)
    if one.side == LEFT and other is not None and other.result == MEASURED and _trials_differ(test, one, other):
        yield "trial_numbers_differ", _trials_text(test, one, other)
    for before in test.after:
        if not judging.was_shown(before):
            title = judging.criteria.catalogue.tests[before].title
            yield "not_shown_before", f"{test.title} was done; what should come before was never shown: {inside(title)}"


def _trials_text(test: CatalogueTest, one: Measurement, other: Measurement) -> str:
    return f"{test.title}: valid trials are {one.trials_valid} {one.side} and {other.trials_valid} {other.side}"


def _trials_differ(test: CatalogueTest, one: Measurement, other: Measurement) -> bool:
    return min(one.trials_valid, test.trials.scored) != min(other.trials_valid, test.trials.scored)


def _next_steps(
    judging: Judging, verdict: Mapping[str, Any], rows: Sequence[Row], gate: Gate, supported_stage: str | None
) -> dict[str, Any]:
    is_pass = verdict["outcome"] == PASS
    stage = _stage_of_lines(judging, verdict, gate, supported_stage)
    kinds = verdict["hold_because"]
    return {
        "now": list(dict.fromkeys(_now(judging, verdict))),
        "work_on": list(dict.fromkeys(_work_on(judging, rows))),
        "stage": None if stage is None else stage.id,
        "may_continue": [] if stage is None else _lines(stage, "may_continue"),
        "not_yet": [REFERRAL_FIRST] if FINDING_OPEN in kinds else [] if stage is None else _lines(stage, "not_yet"),
        "on_pass": _lines(gate, "on_pass") if is_pass else [],
    }


def _stage_of_lines(
    judging: Judging, verdict: Mapping[str, Any], gate: Gate, supported_stage: str | None
) -> Gate | None:
    """Return the stage whose lines of what may go on fit.

    None beside an open finding, where every line may contradict its action, and outside the scope, where the set
    knows nothing of the athlete. A supported stage of another version may not be in this one: then the first one's,
    which allow least.
    """
    if verdict["outcome"] == PASS:
        return gate
    if any(code in (FINDING_OPEN, OUTSIDE_SCOPE) for _kind, code, _about in verdict["holds"]):
        return None
    known = supported_stage if supported_stage in judging.criteria.gates else judging.criteria.stages[0]
    return judging.criteria.gate(known)


def _lines(gate: Gate, key: str) -> list[str]:
    return [one if isinstance(one, str) else one["text"] for one in gate.document.get(key, ())]


def _work_on(judging: Judging, rows: Sequence[Row]) -> Iterator[str]:
    for row in rows:
        if row.part_of is None and row.status == NOT_MET and not row.excepted:
            target = judging.asked(row.criterion).target
            yield from _work(judging, row.criterion) if target is None else _work_of_route(judging, target)


def _work(judging: Judging, key: str) -> Iterator[str]:
    text = judging.criteria.document["criteria"][key].get("work_on")
    if text is not None:
        yield text


def _work_of_route(judging: Judging, target: str) -> Iterator[str]:
    """Yield the work on what failed of the criterion judged in place of another; without any, its own."""
    one = judging.criteria.criteria[target]
    failed = (
        [part for part in one.parts if STATUS[judging.part(part).code] == NOT_MET] if isinstance(one, Group) else []
    )
    found = [text for part in failed for text in _work(judging, part)]
    yield from found or _work(judging, target)


# What ends a hold without testing


def _now(judging: Judging, verdict: Mapping[str, Any]) -> Iterator[str]:
    """Yield what can be mended at once: a fact, an answer, the sides."""
    for _kind, code, about in verdict["holds"]:
        if code == AGE_UNKNOWN:
            yield "Send the birth year."
        elif code == SIDES_UNCONFIRMED:
            yield f"Confirm or correct the sides of {about}."
        elif code == UNANSWERED:
            yield f"Answer: {question_text(about, judging.criteria)}"
    for one in unmet_readings(judging, verdict):
        reading = judging.reading(one)
        if must_state_other_side(judging, reading):
            yield STATE_OTHER_SIDE
        elif reading.code == UNANSWERED:
            told = because(judging, one, reading)
            yield f"If it was asked and only left out, send the battery again with the answer: {told}."
