"""The reasons of a verdict in figures and sentences: what was measured, required, and what it rests on."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from service.domain.codes import IS_NOT, MET, NOT_ASSESSED, STATUS
from service.domain.criteria import DIFFERENCE, INDEX, PERCENT_OF_BASELINE, Criterion, Gate, Group
from service.domain.evidence import Measurement, Occasion, Session, Setback
from service.domain.judging import Judging
from service.domain.numbers import ONE, Pair, ends, figure, figure_of
from service.domain.readings import Reading, Use
from service.domain.telling import because
from service.domain.units import NO_UNIT
from service.domain.words import KEPT, capital, group_statement, label, routed_statement, short_label, statement

FORMULAS = {
    (INDEX, True): "100 x involved / uninvolved",
    (INDEX, False): "100 x uninvolved / involved",
    (DIFFERENCE, True): "uninvolved - involved",
    (DIFFERENCE, False): "involved - uninvolved",
    (PERCENT_OF_BASELINE, True): "100 x now / baseline",
    (PERCENT_OF_BASELINE, False): "100 x baseline / now",
}


class Row(NamedTuple):
    """One reason of a verdict, as it stands there."""

    criterion: str
    part_of: str | None
    status: str
    code: str
    numerator: str | None
    denominator: str | None
    excepted: bool

    @property
    def measured(self) -> Pair | None:
        """Return the figure of a plain criterion."""
        if self.numerator is None or self.denominator is None:
            return None
        return Pair(Decimal(self.numerator), ONE if self.denominator == "1" else Decimal(self.denominator))


def reason_json(judging: Judging, row: Row) -> dict[str, Any]:
    """Return what a reason says beside its row: figures, inputs, formula, route and sentence."""
    one = judging.criteria.criteria[row.criterion]
    asked = judging.asked(row.criterion) if row.part_of is None else None
    if asked is not None and asked.route is not None:
        return _routed(judging, row, asked.route, str(asked.target))
    if isinstance(one, Group):
        return _group(judging, row, one)
    reading, measured = judging.reading(one), row.measured
    return {
        "route": None,
        "metric": one.metric,
        "measured": measured_json(measured, one.unit),
        "threshold": dict(_threshold(one)),
        "margin": _margin(one, measured),
        "inputs": [_input(judging, use) for use in reading.uses],
        "carried_from": _carried_from(judging, reading),
        "formula": _formula(one, reading),
        "statement": _plain_statement(judging, row.criterion, reading),
    }


def _routed(judging: Judging, row: Row, route: str, target: str) -> dict[str, Any]:
    words = routed_statement(row.criterion, route, short_label(target, judging.criteria), judging.criteria)
    failed = _failed(judging, target, row.status)
    return _empty(judging, row.criterion) | {"route": route, "statement": " ".join([words, *failed])}


def _failed(judging: Judging, target: str, status: str) -> list[str]:
    """Return the sentence of the first part, of what was judged in another's place, that gave it its status."""
    one = judging.criteria.criteria[target]
    parts = one.parts if isinstance(one, Group) else (target,)
    found = [(part, judging.part(part)) for part in parts if status != MET]
    failed = [(part, reading) for part, reading in found if STATUS[reading.code] == status]
    return [_plain_statement(judging, part, reading) for part, reading in failed[:1]]


def _plain_statement(judging: Judging, key: str, reading: Reading) -> str:
    one = judging.criteria.criteria[key]
    assert isinstance(one, Criterion)
    has_answer = reading.measured is not None or reading.code in (MET, IS_NOT)
    why = None if has_answer else because(judging, one, reading)
    return statement(key, reading.code, reading.measured, judging.criteria, because=why)


def _empty(judging: Judging, key: str) -> dict[str, Any]:
    one = judging.criteria.criteria[key]
    return {
        "route": None,
        "metric": None if isinstance(one, Group) else one.metric,
        "measured": None,
        "threshold": _group_threshold(one) if isinstance(one, Group) else dict(_threshold(one)),
        "margin": None,
        "inputs": [],
        "carried_from": None,
        "formula": None,
    }


def _group(judging: Judging, row: Row, one: Group) -> dict[str, Any]:
    met, needed = int(row.numerator or 0), int(row.denominator or 0)
    name = capital(label(one.id, judging.criteria))
    open_parts = [
        label(part, judging.criteria) for part in one.parts if STATUS[judging.part(part).code] == NOT_ASSESSED
    ]
    return _empty(judging, one.id) | {
        "measured": {"value": str(met), "unit": NO_UNIT},
        "margin": {"value": str(met - needed), "unit": NO_UNIT},
        "statement": group_statement(name, row.code, f"{met} met, {needed} needed", open_parts),
    }


def _group_threshold(one: Group) -> dict[str, str]:
    return {"comparator": "at_least", "value": str(one.needed), "unit": NO_UNIT}


def measured_json(measured: Pair | None, unit: str) -> dict[str, str] | None:
    """Return a figure for programs; one that does not end has numerator and denominator beside it."""
    if measured is None:
        return None
    numerator, denominator = measured.lowest_terms()
    shown = {"value": figure_of(numerator, denominator), "unit": unit}
    if not ends(denominator):
        shown |= {"numerator": str(numerator), "denominator": str(denominator)}
    return shown


@lru_cache(maxsize=KEPT)
def _threshold(one: Criterion) -> Mapping[str, str]:
    assert one.comparator is not None
    if one.threshold is None:
        answer = str(one.answer).lower() if isinstance(one.answer, bool) else str(one.answer)
        return {"comparator": one.comparator, "value": answer, "unit": NO_UNIT}
    return {"comparator": one.comparator, "value": figure(one.threshold), "unit": one.unit}


def _margin(one: Criterion, measured: Pair | None) -> dict[str, str] | None:
    if measured is None or one.threshold is None:
        return None
    above = measured.minus(one.threshold)
    margin = Pair(-above.numerator, above.denominator) if one.comparator == "at_most" else above
    return measured_json(margin, one.unit)


def _formula(one: Criterion, reading: Reading) -> str | None:
    if one.metric not in (INDEX, DIFFERENCE, PERCENT_OF_BASELINE):
        return None
    formula = FORMULAS[one.metric, one.test.higher_is_better]
    return formula.replace("uninvolved", "baseline") if reading.against == "baseline" else formula


def _carried_from(judging: Judging, reading: Reading) -> str | None:
    """Return the date of the oldest occasion that a reading rests on, None where that is the judged one."""
    occasions = {one.occasion for _role, one in reading.uses if isinstance(one, Measurement)}
    carried = [one.on for one in occasions if one is not None and one is not judging.evidence.judged]
    return min(carried).isoformat() if carried else None


def _input(judging: Judging, use: Use) -> dict[str, Any]:
    role, one = use
    if isinstance(one, Measurement):
        return _measurement_input(judging, role, one)
    if isinstance(one, Session):
        return _session_input(judging, one)
    if isinstance(one, Setback):
        return {"role": role, "kind": one.kind, "on": one.on.isoformat(), "entries": sorted(one.entries)}
    return _answer_input(*one)


def _measurement_input(judging: Judging, role: str, one: Measurement) -> dict[str, Any]:
    test = judging.criteria.catalogue.tests[one.test]
    value = judging.value(test, one)
    shown: dict[str, Any] = {"role": role, "test": one.test, "side": one.side, "result": one.result}
    if one.because is not None:
        shown["because"] = one.because
    if value is not None:
        shown |= {"value": figure(value), "unit": test.unit}
    shown |= {
        "trials_used": min(one.trials_valid, max(test.trials.scored, one.summarised or 0)),
        "trials_invalid": len(one.invalid),
    }
    for rating in ("pain", "instability"):
        if getattr(one, rating) is not None:
            shown[rating] = getattr(one, rating)
    return shown | {"battery_id": one.battery, "performed_at": one.performed_at}


def _session_input(judging: Judging, one: Session) -> dict[str, Any]:
    takes = judging.criteria.catalogue.sessions[one.kind].takes
    told = {
        takes: one.dose,
        "worst_pain": one.worst_pain,
        "next_morning_rise": one.next_morning_rise,
        "medication": ", ".join(one.medication) or None,
    }
    shown = {"role": "session", "kind": one.kind, "on": one.on.isoformat()}
    return shown | {key: value for key, value in told.items() if value is not None}


def _answer_input(question: str, answer: Any, occasion: Occasion) -> dict[str, Any]:
    shown = {"role": "answer", "question": question, "on": occasion.on.isoformat()}
    if isinstance(answer, tuple):
        start, morning = answer
        return shown | {"start": start, "morning": morning}
    return shown | {"answer": answer}


def shown_json(judging: Judging, gate: Gate) -> Iterator[dict[str, Any]]:
    """Yield what a stage shows and does not ask, where it was measured."""
    for key in gate.shows:
        one = judging.criteria.criteria[key]
        assert isinstance(one, Criterion)
        reading = judging.reading(one)
        if reading.measured is not None:
            yield {
                "criterion": key,
                "metric": one.metric,
                "measured": measured_json(reading.measured, one.unit),
                "inputs": [_input(judging, use) for use in reading.uses],
                "statement": statement(key, reading.code, reading.measured, judging.criteria),
            }
