"""Sentences: every code has one, figures agree with their verdict, labels say what is read."""

from decimal import Decimal
from typing import Any

import pytest

from service.domain.codes import HOLD_CODES, REASON_CODES
from service.domain.numbers import Pair
from service.domain.words import (
    INTERVAL_WORDS,
    about_text,
    capital,
    days_text,
    group_statement,
    hold_statement,
    inside,
    label,
    listed,
    retest_because,
    routed_statement,
    short_label,
    statement,
    with_unit,
)
from tests.domain.small_set import GATE, TESTS, small_set

CRITERIA = small_set(
    {
        "hop": {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 7},
        "today": {"test": "hop", "metric": "value", "at_least": "100 cm"},
        "index": {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"},
        "sprint": {"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"},
        "lunge": {"test": "lunge", "metric": "side_difference", "at_most": "1.5 cm"},
        "landings": {"test": "side_hop", "metric": "failed_landings", "at_most": 0},
        "pain": {"tests": "loading", "metric": "worst_pain", "at_most": 2},
        "hop-pain": {"tests": ["hop", "lunge", "sprint"], "metric": "worst_pain", "at_most": 2},
        "felt": {"tests": "hops", "metric": "worst_instability", "at_most": 2},
        "walk": {"sessions": ["walk"], "take": "latest", "minutes": 30, "metric": "worst_pain", "at_most": 2},
        "walk-morning": {"sessions": ["walk"], "take": "latest", "metric": "rise", "at_most": 1},
        "days": {
            "sessions": ["training", "match_training"],
            "metric": "count",
            "minutes": 30,
            "within_days": 21,
            "at_least": 3,
        },
        "events": {"events": ["giving_way", "setback"], "metric": "count", "within_days": 7, "at_most": 0},
        "limp": {"question": "limp", "metric": "value", "is": False},
        "medication": {"question": "medication_24h", "metric": "value", "is": "none"},
        "morning": {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7},
        "confidence": {"test": "confidence", "metric": "value", "at_least": 7},
        "shown": {"test": "hop", "metric": "value"},
        "every-hop": {"all": ["hop", "index"]},
        "one-hop": {"any": ["hop", "index"]},
    },
    stages={GATE: ["hop"]},
)


def said(key: str, code: str, measured: str | None = None) -> str:
    above, _, below = (measured or "").partition("/")
    figure = None if measured is None else Pair(Decimal(above), Decimal(below or "1"))
    return statement(key, code, figure, CRITERIA)


# Reasons

OF_GROUPS = {"undecided", "too_few_met"}
WITH_FIGURES = {"below", "above", "below_baseline"}


@pytest.mark.parametrize("code", [code for code in REASON_CODES if code not in OF_GROUPS | {"met", "is_not"}])
def test_every_code_of_a_criterion_has_a_sentence_of_its_own(code: str) -> None:
    sentence = said("index", code, "80" if code in WITH_FIGURES else None)
    assert sentence.startswith("Hop, limb symmetry index")
    assert sentence.endswith(".")
    others = {
        said("index", one) for one in REASON_CODES if one not in OF_GROUPS | WITH_FIGURES | {"met", "is_not", code}
    }
    assert sentence not in others


@pytest.mark.parametrize(("code", "words"), [("met", "as required"), ("is_not", "that is not the answer")])
def test_an_answer_has_a_sentence(code: str, words: str) -> None:
    sentence = said("limp", code)
    assert sentence.startswith("Limp: no")
    assert words in sentence


def test_an_answer_that_is_a_word_is_written_without_its_code() -> None:
    assert said("medication", "met") == "Medication: none, as required."


@pytest.mark.parametrize("code", ["met", "undecided", "too_few_met"])
def test_a_group_has_a_sentence_for_each_of_its_codes(code: str) -> None:
    sentence = group_statement("Two hops", code, "1 met, 2 needed", ["hop", "side hop"])
    assert sentence.startswith("Two hops: ")
    assert "1 met, 2 needed" in sentence


def test_a_group_that_can_not_be_decided_says_what_would_decide_it() -> None:
    sentence = group_statement("Two hops", "undecided", "1 met, 2 needed", ["hop", "side hop", "sprint"])
    assert "hop, side hop or sprint would decide it" in sentence


@pytest.mark.parametrize(
    ("measured", "printed"),
    [("85", "85 %"), ("89.96", "89.96 %"), ("89.94", "89.9 %"), ("200/3", "66.7 %"), ("89.99999", "89.99999 %")],
)
def test_a_figure_is_printed_so_that_it_agrees_with_not_met(measured: str, printed: str) -> None:
    assert f" {printed};" in said("index", "below", measured)


@pytest.mark.parametrize(("measured", "printed"), [("90", "90 %"), ("90.04", "90.04 %"), ("95.06", "95.1 %")])
def test_a_figure_is_printed_so_that_it_agrees_with_met(measured: str, printed: str) -> None:
    assert f" {printed};" in said("index", "met", measured)


def test_a_figure_stands_beside_what_is_required_and_by_how_much_it_is_missed() -> None:
    sentence = said("index", "below", "85.8")
    assert "85.8 %" in sentence
    assert "at least 90 % is required" in sentence
    assert "4.2 points short" in sentence


def test_a_figure_above_a_limit_is_too_much() -> None:
    sentence = said("lunge", "above", "1.75")
    assert "at most 1.5 cm is allowed" in sentence
    assert "0.2 cm too much" in sentence


def test_a_miss_is_never_printed_as_nothing() -> None:
    assert "0.01 points short" in said("index", "below", "89.99")


def test_a_figure_that_is_met_misses_nothing() -> None:
    assert said("lunge", "met", "1.5").endswith("at most 1.5 cm is allowed.")


def test_short_of_the_baseline_says_so() -> None:
    assert "of the baseline" in said("index", "below_baseline", "80")


def test_counts_and_scores_have_no_unit() -> None:
    assert "6 of 10; at least 7 is required, 1 short" in said("confidence", "below", "6")


@pytest.mark.parametrize(
    ("key", "measured", "words"),
    [
        ("pain", "2", "worst pain in loading tests: 2 of 10;"),
        ("felt", "3", "3 of 10;"),
        ("landings", "0", "failed landings: none;"),
        ("landings", "1", "failed landings: 1;"),
        ("events", "0", "none;"),
    ],
)
def test_a_rating_says_its_scale_and_a_count_of_nothing_is_none(key: str, measured: str, words: str) -> None:
    assert words.lower() in said(key, "met", measured).lower()


def test_one_per_cent_is_one_point() -> None:
    assert "1 point short" in said("index", "below", "89")


def test_a_score_without_an_upper_end_says_no_scale() -> None:
    endless = {"score": {**TESTS["confidence"], "possible": {"at_least": 0}}}
    score = {"test": "score", "metric": "value", "at_least": 7}
    criteria = small_set({"asked": score}, tests=endless)
    assert "6; at least" in statement("asked", "below", Pair(Decimal(6)), criteria)


def test_a_session_that_is_missing_was_not_reported() -> None:
    assert said("walk", "missing_test").endswith("was not reported.")


@pytest.mark.parametrize(("days", "text"), [(1, "1 day"), (2, "2 days")])
def test_days_are_counted(days: int, text: str) -> None:
    assert days_text(days) == text


def test_what_stands_behind_a_code_goes_into_the_sentence() -> None:
    why = "pain 7 in hop, left, the limit is 5"
    sentence = statement("index", "pain_beyond_limit", None, CRITERIA, because=why)
    assert sentence == f"Hop, limb symmetry index: {why}."


def test_what_is_only_shown_is_compared_with_nothing() -> None:
    assert said("shown", "met", "123.45") == "Hop: 123.4 cm."


@pytest.mark.parametrize(("key", "words"), [("hop", "more than 7 days ago"), ("today", "not shown on this occasion")])
def test_too_old_says_how_old_it_may_be(key: str, words: str) -> None:
    assert words in said(key, "too_old")


@pytest.mark.parametrize("route", ["without_reference", "without_equipment"])
def test_a_route_says_what_was_judged_in_its_place(route: str) -> None:
    sentence = routed_statement("index", route, "Side hop", CRITERIA)
    assert sentence.startswith("Hop, limb symmetry index: ")
    assert "side hop was judged in its place" in sentence


# Labels


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("hop", "Hop"),
        ("index", "Hop, limb symmetry index"),
        ("sprint", "Sprint, per cent of baseline"),
        ("lunge", "Lunge, side difference"),
        ("landings", "Side hop, failed landings"),
        ("pain", "worst pain in loading tests"),
        ("felt", "worst felt instability in hops"),
        ("limp", "Limp"),
        ("days", "days with Training or Match training of 30 minutes or more within 21 days"),
        ("events", "giving way or a setback within 7 days"),
        ("morning", "Pain at rest, rise on the morning after hops"),
    ],
)
def test_a_criterion_is_called_by_its_subject_and_metric(key: str, words: str) -> None:
    assert label(key, CRITERIA).replace(":", ",").lower() == words.lower()


@pytest.mark.parametrize(
    "key", ["walk", "walk-morning", "hop-pain", "every-hop", "one-hop", "medication", "confidence"]
)
def test_every_criterion_has_a_label_and_a_short_one(key: str) -> None:
    assert label(key, CRITERIA)
    assert short_label(key, CRITERIA)


def test_tests_by_name_are_listed() -> None:
    assert label("hop-pain", CRITERIA).lower().endswith("hop, lunge and sprint")


def test_a_session_says_how_long_it_must_be() -> None:
    assert "30 minutes or more" in label("walk", CRITERIA)
    assert "minutes" not in label("walk-morning", CRITERIA)


# Holds


@pytest.mark.parametrize("code", [code for code in HOLD_CODES if code not in ("gave_way", "pain_beyond_limit")])
def test_every_hold_has_a_sentence(code: str) -> None:
    about = {"unanswered": "numb", "outside_scope": "age"}.get(code, "hop")
    sentence = hold_statement(code, about, CRITERIA)
    assert sentence[-1] in ".?"
    assert "{" not in sentence
    assert "None" not in sentence


@pytest.mark.parametrize(
    ("about", "words"),
    [
        ("numb", "Is the foot numb?"),
        ("limp", "Does the athlete limp?"),
        ("since_last", "What happened since last time?"),
        ("moon_phase", "moon phase"),
    ],
)
def test_an_unanswered_question_is_asked_again(about: str, words: str) -> None:
    assert words in hold_statement("unanswered", about, CRITERIA)


@pytest.mark.parametrize("about", ["conditions", "age", "bilateral"])
def test_each_way_outside_the_scope_has_words(about: str) -> None:
    assert "None" not in hold_statement("outside_scope", about, CRITERIA)


@pytest.mark.parametrize(
    ("code", "about", "words"),
    [
        ("not_today", "giving_way", "giving way"),
        ("not_today", "limp", "limp"),
        ("deferred", "side_hop", "side hop"),
        ("finding_open", "numb", '"is the foot numb?" was answered yes'),
        ("finding_open", "moon_phase", "moon phase"),
        ("sides_unconfirmed", "2026-11-20", "2026-11-20"),
    ],
)
def test_a_hold_says_what_it_is_about(code: str, about: str, words: str) -> None:
    assert words in hold_statement(code, about, CRITERIA).lower()


# Small words


@pytest.mark.parametrize(("words", "text"), [([], ""), (["lunge"], "lunge"), (["lunge", "hop"], "lunge and hop")])
def test_words_are_listed(words: list[str], text: str) -> None:
    assert listed(words) == text


def test_a_list_may_end_with_or() -> None:
    assert listed(["a", "b", "c"], "or") == "a, b or c"


@pytest.mark.parametrize(("text", "word"), [("Side hop", "side hop"), ("T-test", "T-test"), ("", "")])
def test_a_title_inside_a_sentence_begins_small(text: str, word: str) -> None:
    assert inside(text) == word


@pytest.mark.parametrize(("text", "word"), [("side hop", "Side hop"), ("", "")])
def test_a_sentence_begins_with_a_capital(text: str, word: str) -> None:
    assert capital(text) == word


@pytest.mark.parametrize(("unit", "text"), [("cm", "3 cm"), ("1", "3")])
def test_only_what_has_a_unit_shows_one(unit: str, text: str) -> None:
    assert with_unit("3", unit) == text


@pytest.mark.parametrize(
    ("about", "words"), [("hop", "hop"), ("limp", "limp"), ("giving_way", "giving way"), ("numb", "is the foot numb?")]
)
def test_what_a_retest_is_about_is_named(about: str, words: str) -> None:
    assert words in about_text(about, CRITERIA).lower()


@pytest.mark.parametrize("interval", [key for key in CRITERIA.retest.classes if key != "after_override"])
def test_every_interval_says_why_it_waits(interval: str) -> None:
    assert interval in INTERVAL_WORDS
    assert retest_because(interval, "hop").endswith("hop")


def test_an_answer_that_is_true_is_yes() -> None:
    limping: dict[str, Any] = {"question": "limp", "metric": "value", "is": True}
    assert statement("limping", "met", None, small_set({"limping": limping})).startswith("Limp: yes")
