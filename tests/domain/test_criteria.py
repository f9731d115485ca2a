"""A resolved document as the engine reads it: criteria, gates, rules, intervals."""

from fractions import Fraction
from typing import Any

import pytest

from service.domain.canonical import canonical, digest
from service.domain.criteria import Criterion, Group, read_criteria_set, subject_of
from service.domain.errors import UnknownStageError
from service.domain.numbers import Pair
from tests.domain.small_set import GATE, document, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
LUNGE = {"test": "lunge", "metric": "side_difference", "at_most": "1.5 cm"}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s"}
WALK = {"sessions": ["walk"], "take": "latest", "minutes": 30, "metric": "worst_pain", "at_most": 2}
LIMP = {"question": "limp", "metric": "value", "is": False}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}
GAVE_WAY = {"events": ["giving_way"], "metric": "count", "within_days": 7, "at_most": 0}


def criterion(one: dict[str, Any]) -> Criterion:
    found = small_set({"asked": one}).criteria["asked"]
    assert isinstance(found, Criterion)
    return found


def group(one: dict[str, Any]) -> Group:
    found = small_set({"asked": one, "hop": HOP, "index": INDEX, "sprint": SPRINT}).criteria["asked"]
    assert isinstance(found, Group)
    return found


def exact(pair: Pair | None) -> Fraction:
    assert pair is not None
    return Fraction(*pair.lowest_terms())


# Criteria


@pytest.mark.parametrize(
    ("one", "subject"),
    [
        (HOP, "test"),
        ({"tests": "hops", "metric": "worst_pain", "at_most": 2}, "tests"),
        (WALK, "sessions"),
        (GAVE_WAY, "events"),
        (LIMP, "question"),
    ],
)
def test_a_criterion_has_one_subject(one: dict[str, Any], subject: str) -> None:
    assert criterion(one).subject == subject


@pytest.mark.parametrize(
    ("one", "unit", "threshold"),
    [
        (HOP, "cm", 100),
        ({**HOP, "at_least": "1 m"}, "m", 1),
        (INDEX, "%", 90),
        (LUNGE, "cm", Fraction(3, 2)),
        ({"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"}, "%", 90),
        ({"test": "confidence", "metric": "value", "at_least": 7}, "1", 7),
        (WALK, "1", 2),
        (GAVE_WAY, "1", 0),
    ],
)
def test_a_threshold_stands_in_its_own_unit(one: dict[str, Any], unit: str, threshold: Fraction) -> None:
    found = criterion(one)
    assert (found.unit, exact(found.threshold)) == (unit, threshold)


@pytest.mark.parametrize(
    ("one", "unit"),
    [
        ({"test": "hop", "metric": "value"}, "cm"),
        ({"test": "hop", "metric": "limb_symmetry_index"}, "%"),
        ({"test": "lunge", "metric": "side_difference"}, "cm"),
        ({"test": "side_hop", "metric": "failed_landings"}, "1"),
        ({"question": "pain_at_rest", "metric": "value"}, "1"),
    ],
)
def test_what_is_only_shown_has_a_unit_and_no_threshold(one: dict[str, Any], unit: str) -> None:
    found = criterion(one)
    assert (found.unit, found.comparator, found.threshold) == (unit, None, None)
    assert found.meets(Pair(10**6))  # type: ignore[arg-type]


def test_an_answer_that_is_asked_is_no_threshold() -> None:
    found = criterion(LIMP)
    assert (found.comparator, found.answer, found.threshold) == ("is", False, None)


def test_a_dose_is_minutes_or_efforts() -> None:
    drill = {"sessions": ["drill"], "take": "latest", "efforts": 3, "metric": "worst_pain", "at_most": 2}
    assert [(one.dose, one.dose_unit) for one in map(criterion, (WALK, drill, LIMP))] == [
        (30, "minutes"),
        (3, "efforts"),
        (None, None),
    ]


def test_a_class_stands_for_its_tests() -> None:
    worst = criterion({"tests": "impact", "metric": "worst_pain", "at_most": 2})
    assert ([test.id for test in worst.tests], worst.is_class, worst.class_name) == (["hop", "sprint"], True, "impact")


def test_tests_by_name_are_no_class() -> None:
    worst = criterion({"tests": ["sprint", "hop"], "metric": "worst_pain", "at_most": 2})
    assert ([test.id for test in worst.tests], worst.is_class) == (["sprint", "hop"], False)


def test_loading_is_asked_like_a_class() -> None:
    worst = criterion({"tests": "loading", "metric": "worst_pain", "at_most": 2})
    assert {test.id for test in worst.tests} == {"hop", "side_hop", "strength", "heel_rises", "sprint"}


def test_a_rise_comes_after_tests() -> None:
    found = criterion(MORNING)
    assert (found.after_named, [test.id for test in found.after]) == ("hops", ["hop", "side_hop"])


@pytest.mark.parametrize(
    ("one", "worse"),
    [
        (HOP, False),
        (SPRINT, True),
        (LUNGE, True),
        (INDEX, False),
        ({"test": "hop", "metric": "value"}, False),
        ({"test": "sprint", "metric": "value"}, True),
        ({"test": "lunge", "metric": "side_difference"}, True),
        ({"test": "hop", "metric": "limb_symmetry_index"}, False),
        ({"question": "pain_at_rest", "metric": "value"}, False),
    ],
)
def test_the_worse_figure_is_that_of_the_comparator_or_else_of_the_test(
    one: dict[str, Any],
    worse: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    assert criterion(one).larger_is_worse is worse


@pytest.mark.parametrize(
    ("one", "needed"),
    [
        ({"all": ["hop", "index", "sprint"]}, 3),
        ({"any": ["hop", "index", "sprint"]}, 1),
        ({"any": ["hop", "index", "sprint"], "needed": 2}, 2),
    ],
)
def test_a_group_needs_all_or_some_of_its_parts(one: dict[str, Any], needed: int) -> None:
    found = group(one)
    assert (found.parts, found.needed) == (("hop", "index", "sprint"), needed)


def test_groups_and_criteria_may_have_routes() -> None:
    routes = {"without_reference": "sprint", "without_equipment": "hop"}
    found = group({"all": ["hop"], **routes})
    assert (found.without_reference, found.without_equipment) == ("sprint", "hop")


# Gates


def test_a_gate_reads_the_tests_of_its_criteria_parts_and_routes() -> None:
    criteria = small_set(
        {
            "asked": {**LUNGE, "without_reference": "group", "without_equipment": "sprint"},
            "group": {"all": ["hop", "morning"]},
            "hop": HOP,
            "morning": MORNING,
            "sprint": SPRINT,
            "strong": {"test": "strength", "metric": "value", "at_least": "1 N"},
        },
        stages={GATE: ["asked"], "later": ["strong"]},
    )
    gate = criteria.gate(GATE)
    assert gate.members == {"asked", "group", "hop", "morning", "sprint"}
    assert gate.reads == {"lunge", "hop", "side_hop", "sprint"}
    assert gate.classes == {"range", "hops", "impact"}
    assert gate.reads_loading
    assert [one.id for one in gate.compares] == ["asked"]


def test_a_gate_that_reads_no_loading_test_says_so() -> None:
    assert not small_set({"lunge": LUNGE}).gate(GATE).reads_loading


def test_stages_stand_in_their_order() -> None:
    criteria = small_set({"hop": HOP}, stages={"second": [], "first": ["hop"]})
    assert criteria.stages == ("second", "first")


@pytest.mark.parametrize("stage", [None, "moon"])
def test_a_stage_that_is_not_there_is_refused_with_those_that_are(stage: str | None) -> None:
    criteria = small_set({"hop": HOP}, stages={"one": [], "two": ["hop"]})
    with pytest.raises(UnknownStageError) as refused:
        criteria.gate(stage)
    assert refused.value.stages == ("one", "two")


# The whole


def test_the_digest_is_that_of_the_canonical_document() -> None:
    whole = document({"hop": HOP}, {GATE: ["hop"]})
    assert read_criteria_set(whole).digest == digest(canonical(whole))


def test_another_threshold_is_another_digest() -> None:
    assert small_set({"hop": HOP}).digest != small_set({"hop": {**HOP, "at_least": "101 cm"}}).digest


def test_referral_questions_know_when_they_are_asked() -> None:
    numb, growth, squeeze = small_set({"hop": HOP}).referral
    assert (numb.is_by_age, numb.days_since_onset) == (False, None)
    assert (growth.is_by_age, growth.age_at_most, growth.age_at_least) == (True, 17, None)
    assert (squeeze.is_by_age, squeeze.days_since_onset) == (False, 14)


def test_intervals_are_read_and_the_bounds_kept_apart() -> None:
    rule = small_set({"hop": HOP}).retest
    assert rule.classes["hops"] == (5, 1)
    assert "bounds" not in rule.classes
    assert (rule.earliest_days, rule.latest_days) == (1, 14)


def test_the_scope_may_leave_the_age_open() -> None:
    scope = {"conditions": ["lateral_ankle_sprain"], "bilateral": False}
    criteria = small_set({"hop": HOP}, scope=scope)
    assert (criteria.age_at_least, criteria.age_at_most, criteria.accepts_bilateral) == (None, None, False)


# For people


def test_a_subject_stands_under_its_own_key() -> None:
    assert [subject_of(one) for one in (HOP, {"any": ["hop"], "needed": 1})] == [{"test": "hop"}, {"any": ["hop"]}]
