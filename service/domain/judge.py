"""Evidence + criteria set + stage -> verdict: outcome, holds and reasons, as codes and exact figures."""

from collections.abc import Iterator, Sequence
from typing import Any

from service.domain.codes import (
    HOLD,
    HOLD_RANK,
    MET,
    PASS,
    STATUS,
    kind_of,
)
from service.domain.criteria import (
    CriteriaSet,
    Group,
)
from service.domain.evidence import Evidence
from service.domain.holds import holds_of
from service.domain.judging import Judged, Judging

Verdict = dict[str, Any]


def judge(evidence: Evidence, criteria: CriteriaSet, stage: str) -> Verdict:
    """Return the verdict on a stage's gate.

    Returns:
        `{engine, criteria, episode, stage, as_of, through, posted, today, outcome, hold_because, holds, reasons}` of
        JSON values: holds are `[kind, code, about]`, reasons `[criterion, part_of, status, code, numerator,
        denominator, excepted]` with whole numbers as text, in the threshold's unit.

    Raises:
        UnknownStageError: the set has no such stage.
    """
    return verdict_of(Judging(evidence, criteria), stage)


def verdict_of(judging: Judging, stage: str) -> Verdict:
    """Return what `judge` does; who goes on to explain keeps the judging, so that nothing is read twice."""
    evidence, criteria = judging.evidence, judging.criteria
    gate = criteria.gate(stage)
    excepted = {
        waiver.criterion for waiver in evidence.waivers if waiver.stage == stage and evidence.today <= waiver.until
    }
    asked = [(key, judging.asked(key)) for key in gate.asks]
    holds = sorted(set(holds_of(judging, gate)), key=lambda hold: (HOLD_RANK[hold[0]], *hold[1:]))
    kinds = {hold[0] for hold in holds} | {
        kind_of(one.code) for key, one in asked if one.code != MET and key not in excepted
    }
    return {
        "engine": criteria.engine,
        "criteria": criteria.digest,
        "episode": evidence.episode,
        "stage": stage,
        "as_of": evidence.as_of,
        "through": evidence.through,
        "posted": evidence.posted,
        "today": evidence.today.isoformat(),
        "outcome": HOLD if kinds else PASS,
        "hold_because": sorted(kinds, key=HOLD_RANK.__getitem__),
        "holds": [list(hold) for hold in holds],
        "reasons": list(_rows(judging, asked, excepted)),
    }


def _rows(judging: Judging, asked: Sequence[tuple[str, Judged]], excepted: set[str]) -> Iterator[list[Any]]:
    """Yield a row for each criterion asked, each followed by its parts, a criterion's parts at its first row only."""
    shown: set[str] = set()
    for key, one in asked:
        if one.target is None:
            yield [key, None, one.status, one.code, *one.figure(), key in excepted]
            yield from _part_rows(judging, key, shown)
        else:
            yield [key, None, one.status, one.code, None, None, key in excepted]
            yield [one.target, key, one.status, one.code, *one.figure(), False]
            yield from _part_rows(judging, one.target, shown)


def _part_rows(judging: Judging, key: str, shown: set[str]) -> Iterator[list[Any]]:
    one = judging.criteria.criteria[key]
    if isinstance(one, Group) and key not in shown:
        shown.add(key)
        for part in one.parts:
            reading = judging.part(part)
            yield [part, key, STATUS[reading.code], reading.code, *reading.figure(), False]
