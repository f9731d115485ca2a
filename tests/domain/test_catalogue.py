"""Tests, questions and bounds as the catalogue defines them."""

from decimal import Decimal
from typing import Any

import pytest

from service.domain.catalogue import Bound, Question, quantity_text, read_catalogue, read_quantity
from service.domain.numbers import Pair
from tests.domain.small_set import QUESTIONS, SESSIONS, TESTS, resolved

CATALOGUE = read_catalogue(
    resolved(
        {
            "tests": {key: {"protocol": "As agreed.", **one} for key, one in TESTS.items()},
            "questions": QUESTIONS,
            "sessions": SESSIONS,
        }
    )
)
LIMP, REST, MEDICATION = (CATALOGUE.questions[key] for key in ("limp", "pain_at_rest", "medication_24h"))


@pytest.mark.parametrize(
    ("word", "holds"),
    [
        ("at_least", [False, True, True]),
        ("above", [False, False, True]),
        ("at_most", [True, True, False]),
        ("below", [True, False, False]),
    ],
)
def test_a_bound_holds_under_on_and_over_its_limit(word: str, holds: list[bool]) -> None:
    bound = Bound(word, Pair(Decimal(10)), "10 s")
    assert [bound.holds(Pair(Decimal(value))) for value in ("9.9", "10", "10.1")] == holds


@pytest.mark.parametrize(("test", "is_whole"), [("heel_rises", True), ("confidence", True), ("worst_pain_24h", True)])
def test_counts_scores_and_pain_are_whole(test: str, is_whole: bool) -> None:  # noqa: FBT001 - a case, no switch
    assert CATALOGUE.tests[test].is_whole is is_whole


def test_a_distance_need_not_be_whole() -> None:
    assert not CATALOGUE.tests["hop"].is_whole


def test_only_a_rating_of_pain_is_pain() -> None:
    assert [key for key, one in CATALOGUE.tests.items() if one.is_pain] == ["worst_pain_24h"]


def test_a_test_belongs_to_its_classes_and_to_loading_if_it_loads() -> None:
    hop, lunge = CATALOGUE.tests["hop"], CATALOGUE.tests["lunge"]
    assert [hop.belongs_to(name) for name in ("hops", "impact", "loading", "range")] == [True, True, True, False]
    assert [lunge.belongs_to(name) for name in ("range", "loading")] == [True, False]


def test_a_value_without_a_unit_is_in_the_tests_own() -> None:
    value = Pair(Decimal(5))
    assert CATALOGUE.tests["confidence"].in_unit(value, None) is value


@pytest.mark.parametrize(
    ("question", "answer", "takes"),
    [
        (LIMP, True, True),
        (LIMP, False, True),
        (LIMP, 1, False),
        (LIMP, "true", False),
        (MEDICATION, "none", True),
        (MEDICATION, "aspirin", False),
        (MEDICATION, True, False),
        (REST, -1, False),
        (REST, 0, True),
        (REST, 10, True),
        (REST, 11, False),
        (REST, True, False),
        (REST, "3", False),
    ],
)
def test_a_question_takes_only_its_answers(
    question: Question,
    answer: Any,
    takes: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    assert question.takes(answer) is takes


@pytest.mark.parametrize(
    ("question", "wanted"),
    [
        (LIMP, "false, true"),
        (MEDICATION, "none, paracetamol, opioid"),
        (REST, "a whole number from 0 to 10"),
    ],
)
def test_a_question_says_what_it_wants(question: Question, wanted: str) -> None:
    assert question.wanted == wanted


@pytest.mark.parametrize(
    ("question", "answers", "worst"),
    [
        (LIMP, [], None),
        (LIMP, [False], False),
        (LIMP, [True, False], True),
        (MEDICATION, ["opioid", "none", "paracetamol"], "opioid"),
        (REST, [3, 5, 4], 5),
    ],
)
def test_the_worst_answer_is_the_last_of_the_list_or_the_highest(
    question: Question, answers: list[Any], worst: Any
) -> None:
    assert question.worst(answers) == worst


def test_quantities_are_read_in_the_unit_wanted() -> None:
    assert read_quantity({"value": "1.5", "unit": "m"}, "cm").lowest_terms() == (150, 1)
    assert [read_quantity(value).lowest_terms() for value in (10, "2.5")] == [(10, 1), (5, 2)]


def test_quantities_are_written_for_people() -> None:
    assert [quantity_text(one) for one in ({"value": "1.5", "unit": "cm"}, 10)] == ["1.5 cm", "10"]


def test_an_absent_detail_of_a_question_is_nothing() -> None:
    assert (LIMP.is_about_pain, LIMP.masks_pain, LIMP.scale) == (False, frozenset(), None)
    assert (REST.is_about_pain, REST.answers) == (True, ())
