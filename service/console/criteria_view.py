"""A criteria version in the words of its page: stages, criteria, screens, rules and sources as plain values."""

from collections.abc import Iterator, Mapping
from typing import Any

from service.domain.catalogue import quantity_text
from service.domain.criteria import (
    COUNT,
    FAILED_LANDINGS,
    WITHOUT_EQUIPMENT,
    WITHOUT_REFERENCE,
    CriteriaSet,
    Criterion,
    Group,
)
from service.domain.numbers import ZERO, Pair
from service.domain.units import NO_UNIT, of_dimension
from service.domain.words import INTERVAL_WORDS, answer_text, days_text, listed, required, short_label, title_of

PRACTICE = "practice"
NO_SOURCE = "common practice, no published source"
SHOWN_ONLY = "shown only, decides nothing"
AFTER_OVERRIDE = "after_override"

UNIT_WORDS = {
    "m": "metres",
    "cm": "centimetres",
    "mm": "millimetres",
    "[in_i]": "inches",
    "[ft_i]": "feet",
    "s": "seconds",
    "ms": "milliseconds",
    "min": "minutes",
    "kg": "kilograms",
    "g": "grams",
    "[lb_av]": "pounds",
    "N": "newtons",
    "kN": "kilonewtons",
    "kgf": "kilogram-force",
    "[lbf_av]": "pound-force",
}

View = dict[str, Any]

_NONE = Pair(ZERO)
_INTERVALS = {**INTERVAL_WORDS, AFTER_OVERRIDE: "somebody decided against the hold"}
_BOUNDS = {"at_least": "from {}", "above": "more than {}", "at_most": "up to {}", "below": "less than {}"}


def version_view(criteria: CriteriaSet) -> View:
    """Return all that the page of a version shows."""
    document = criteria.document
    return {
        "stages": [_stage(one, criteria) for one in document["stages"]],
        "criteria": [criterion_view(key, criteria) for key in _in_order_of_asking(criteria)],
        "referral": [_referral(one, criteria) for one in document["referral"]],
        "not_today": [_not_today(one, criteria) for one in document["not_today"]],
        "pain_rule": {**document["pain_rule"], "support": support(document["pain_rule"], criteria)},
        "retest": [
            {"because": because, "days": _interval(document["retest"][key])} for key, because in _INTERVALS.items()
        ],
        "bounds": document["retest"]["bounds"],
        "rules": list(_rules(criteria)),
        "sources": [_source(key, one) for key, one in sorted(document["catalogue"]["sources"].items())],
    }


def _in_order_of_asking(criteria: CriteriaSet) -> list[str]:
    """Return the criteria as a reader meets them: stage by stage, each followed by its parts and routes."""
    asked = [key for gate in criteria.gates.values() for key in (*gate.asks, *gate.shows)]
    return list(dict.fromkeys(key for one in asked for key in _with_parts(one, criteria)))


def _with_parts(key: str, criteria: CriteriaSet) -> Iterator[str]:
    yield key
    one = criteria.criteria[key]
    parts = one.parts if isinstance(one, Group) else ()
    for other in (*parts, one.without_reference, one.without_equipment):
        if other is not None:
            yield from _with_parts(other, criteria)


def _stage(stage: Mapping[str, Any], criteria: CriteriaSet) -> View:
    return {
        "id": stage["id"],
        "title": stage["title"],
        "asks": [_line(key, criteria) for key in stage["asks"]],
        "shows": [_line(key, criteria) for key in stage.get("shows", ())],
        **{key: [_text(one, criteria) for one in stage.get(key, ())] for key in ("may_continue", "not_yet", "on_pass")},
    }


def _text(line: Any, criteria: CriteriaSet) -> View:
    if isinstance(line, str):
        return {"text": line, "support": None}
    return {"text": line["text"], "support": support(line, criteria)}


def _line(key: str, criteria: CriteriaSet) -> View:
    one = criteria.criteria[key]
    return {"id": key, "title": short_label(key, criteria), "required": requirement(one), "age": _age(one)}


def requirement(one: Criterion | Group) -> str:
    """Return what a criterion requires."""
    if isinstance(one, Group):
        return f"all {len(one.parts)} of these" if one.word == "all" else f"{one.needed} of these {len(one.parts)}"
    if one.comparator is None:
        return SHOWN_ONLY
    if one.comparator == "is":
        return f"the answer is {answer_text(one.answer)}"
    is_none = one.comparator == "at_most" and one.threshold == _NONE and one.metric in {COUNT, FAILED_LANDINGS}
    return "none" if is_none else required(one)


def _age(one: Criterion | Group) -> str | None:
    """Return how old its evidence may be; the parts of a group say it for themselves."""
    if isinstance(one, Group):
        return None
    if one.within_days is None:
        return "of the same occasion"
    return (
        f"the last {days_text(one.within_days)}" if one.metric == COUNT else f"up to {days_text(one.within_days)} old"
    )


def criterion_view(key: str, criteria: CriteriaSet) -> View:
    """Return one criterion as its card says it."""
    one, said = criteria.criteria[key], criteria.document["criteria"][key]
    tests = () if isinstance(one, Group) else (*one.tests, *one.after)
    routes = {WITHOUT_REFERENCE: one.without_reference, WITHOUT_EQUIPMENT: one.without_equipment}
    return {
        **_line(key, criteria),
        "asked_at": [gate.title for gate in criteria.gates.values() if key in gate.asks],
        "shown_at": [gate.title for gate in criteria.gates.values() if key in gate.shows],
        "tests": [{"id": test.id, "title": test.title} for test in tests],
        "parts": [_line(part, criteria) for part in one.parts] if isinstance(one, Group) else [],
        "routes": {route: _line(other, criteria) for route, other in routes.items() if other is not None},
        "why": said.get("why"),
        "work_on": said.get("work_on"),
        "support": support(said, criteria),
    }


def support(said: Mapping[str, Any], criteria: CriteriaSet) -> View:
    """Return what a figure rests on: publications with their grade, or common practice; `see` gives no figure."""
    known = criteria.document["catalogue"]["sources"]
    return {
        "practice": NO_SOURCE if said.get("evidence") == PRACTICE else None,
        "kind": None if said.get("evidence") in {None, PRACTICE} else answer_text(said["evidence"]),
        "grade": said.get("grade"),
        "sources": [_source(key, known[key]) for key in said.get("sources", ())],
        "see": [_source(key, known[key]) for key in said.get("see", ())],
    }


def _source(key: str, source: Mapping[str, Any]) -> View:
    return {
        "id": key,
        "citation": source["citation"],
        "doi": source.get("doi"),
        "kind": answer_text(source["kind"]),
        "note": source.get("note"),
        "from_memory": source["status"] == "memory",
    }


def _referral(one: Mapping[str, Any], criteria: CriteriaSet) -> View:
    return {**one, "when": _when(one.get("when", {})), "support": support(one, criteria)}


def _when(when: Mapping[str, Any]) -> str | None:
    age, since = when.get("age", {}), when.get("days_since_onset")
    if since is not None:
        return f"in the first {days_text(since['at_most'])} after the injury"
    ends = [
        f"from {age['at_least']}" if "at_least" in age else "",
        f"up to {age['at_most']}" if "at_most" in age else "",
    ]
    return f"at the age {' '.join(filter(None, ends))}" if age else None


def _not_today(one: Mapping[str, Any], criteria: CriteriaSet) -> View:
    about = title_of(one.get("question") or one["event"], criteria)
    return {"about": about, "when": _forbids(one), "support": support(one, criteria)}


def _forbids(one: Mapping[str, Any]) -> str:
    if "event" in one:
        return f"in the last {days_text(one['within_days'])}"
    if "is" in one:
        return answer_text(one["is"])
    return f"above {one['above']}" if "above" in one else f"{one['at_least']} or more"


def _interval(one: Mapping[str, int]) -> str:
    first, last = one["after_days"], one["after_days"] + one["window_days"]
    return f"after {days_text(first)}" if first == last else f"after {first} to {days_text(last)}"


def _rules(criteria: CriteriaSet) -> Iterator[View]:
    document = criteria.document
    said = {
        "baseline": f"A baseline is good for {days_text(criteria.baseline_days)}.",
        "stands": f"A pass stands for {days_text(criteria.pass_days)} from the day of the test.",
        "follow_up": f"The morning after is asked from {days_text(criteria.follow_up_after)} after the test on, "
        f"until {days_text(criteria.follow_up_days)} after it.",
        "sides_check": f"Where the injured side reaches {quantity_text(document['sides_check']['index'])} of the other "
        f"in {criteria.sides_tests} tests, left and right look swapped: it holds until they are confirmed.",
    }
    return ({"text": text, "support": support(document[key], criteria)} for key, text in said.items())


# One test


def test_view(key: str, criteria: CriteriaSet) -> View:
    """Return one test of a version's catalogue as its page says it."""
    said, test = criteria.document["catalogue"]["tests"][key], criteria.catalogue.tests[key]
    read_by = [
        name
        for name in _in_order_of_asking(criteria)
        if isinstance(one := criteria.criteria[name], Criterion) and test in (*one.tests, *one.after)
    ]
    return {
        "id": key,
        "title": test.title,
        "protocol": test.protocol,
        "units": [] if test.unit == NO_UNIT else _units(test.unit),
        "quantity": test.quantity,
        "better": "higher" if test.higher_is_better else "lower",
        "sides": "each side" if test.is_sided else "the person, not a side",
        "trials": _trials(said["trials"]),
        "possible": _range(said["possible"]),
        "plausible": _range(said.get("plausible", {})),
        "setup": [_setup(name, criteria) for name in test.must_match],
        "after": [{"id": one, "title": criteria.catalogue.tests[one].title} for one in test.after],
        "rest_days": test.rest_days,
        "error": _error(said.get("measurement_error"), criteria),
        "support": support(said, criteria),
        "criteria": [_line(name, criteria) for name in read_by],
    }


def _units(unit: str) -> list[str]:
    return [UNIT_WORDS[unit], *(UNIT_WORDS[other] for other in of_dimension(unit) if other != unit)]


def _trials(trials: Mapping[str, Any]) -> str:
    least, most, scored = trials["minimum"], trials["maximum"], trials["scored"]
    sent = f"{least}" if least == most else f"{least} to {most}"
    counted = f"; the {trials['summary']} of the first {scored} valid ones counts" if scored > 1 else ""
    return f"{sent} {'trial' if most == 1 else 'trials'}{counted}"


def _range(ends: Mapping[str, Any]) -> str:
    return " ".join(_BOUNDS[word].format(quantity_text(ends[word])) for word in _BOUNDS if word in ends)


def _setup(name: str, criteria: CriteriaSet) -> View:
    question = criteria.document["catalogue"]["questions"][name]
    answers = listed([answer_text(one) for one in question["answers"]], "or")
    return {"title": question["title"], "ask": question["ask"], "answers": answers}


def _error(error: Mapping[str, Any] | None, criteria: CriteriaSet) -> View | None:
    if error is None:
        return None
    source = criteria.document["catalogue"]["sources"][error["source"]]
    return {"amount": quantity_text(error["sem"]), "source": _source(error["source"], source)}


# Two versions


def beside_view(one: CriteriaSet, other: CriteriaSet) -> list[View]:
    """Return two versions of a set stage by stage, each criterion with what either requires and what differs."""
    titles = {gate.id: gate.title for criteria in (other, one) for gate in criteria.gates.values()}
    stages = dict.fromkeys((*one.stages, *other.stages))
    return [{"title": titles[stage], "rows": list(_beside(stage, one, other))} for stage in stages]


def _beside(stage: str, one: CriteriaSet, other: CriteriaSet) -> Iterator[View]:
    mine, theirs = _asks(stage, one), _asks(stage, other)
    for key in dict.fromkeys((*mine, *theirs)):
        yield {
            "title": short_label(key, one if key in mine else other),
            "required": [
                requirement(one.criteria[key]) if key in mine else None,
                requirement(other.criteria[key]) if key in theirs else None,
            ],
            "differs": _difference(key, one, other) if key in mine and key in theirs else "asked in one of them only",
        }


def _asks(stage: str, criteria: CriteriaSet) -> tuple[str, ...]:
    return criteria.gates[stage].asks if stage in criteria.gates else ()


def _difference(key: str, one: CriteriaSet, other: CriteriaSet) -> str:
    mine, theirs = one.document["criteria"][key], other.document["criteria"][key]
    changed = [answer_text(name) for name in {**mine, **theirs} if mine.get(name) != theirs.get(name)]
    return f"differs in {listed(changed)}" if changed else "the same"
