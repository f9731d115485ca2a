"""The working of what the lateral ankle sprain set does not ask: other units, other summaries, other subjects."""

from collections.abc import Mapping
from typing import Any

import pytest

from service.domain.judging import Judging
from service.domain.working import working
from tests.cli.test_working import agree
from tests.domain.small_record import QUIET, assessment, baseline, both, event, evidence, measured, session, told
from tests.domain.small_set import small_set

LEFT = "left"


def lines(criterion: Mapping[str, Any], *drafts: Any) -> list[str]:
    found = working(Judging(evidence(*drafts), small_set({"asked": criterion})), "asked")
    assert all(agree(line) for line in found)
    return found


def test_a_threshold_in_another_unit_converts_the_figure():
    hop = {"test": "hop", "metric": "value", "at_least": "1 m"}

    assert "In m: 105 x 0.01 = 1.05 m." in lines(hop, assessment(measured("hop", LEFT, 105)))


def test_a_difference_is_converted_inside_its_formula():
    hop = {"test": "hop", "metric": "side_difference", "at_most": "0.1 m"}

    told_ = lines(hop, assessment(both("hop", 95, 100)))
    assert "Side difference = uninvolved - involved = (100 - 95) x 0.01 = 0.05 m." in told_


@pytest.mark.parametrize(
    ("test", "values", "comparator", "summary"),
    [
        ("lunge", (9, 10, 10), {"at_least": "9 cm"}, "Mean = (9 + 10 + 10) / 3 = 9.66667 cm (rounded)."),
        ("reach", (20, 21), {"at_least": "40 cm"}, "Total = 20 + 21 = 41 cm."),
        ("foot_lifts", (3, 1, 2), {"at_most": 3}, "Median of 3, 1, 2: 2."),
    ],
)
def test_every_summary_is_shown(test, values, comparator, summary):
    criterion = {"test": test, "metric": "value", **comparator}

    assert summary in lines(criterion, assessment(measured(test, LEFT, *values)))


def test_a_share_of_the_baseline_names_now_and_then():
    sprint = {"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"}

    told_ = lines(sprint, baseline(measured("sprint", None, 9)), assessment(measured("sprint", None, 10)))
    assert "Per cent of baseline = 100 x baseline / now = 100 x 9 / 10 = 90 %." in told_


def test_without_a_limit_of_days_it_must_be_of_the_judged_occasion():
    hop = {"test": "hop", "metric": "value", "at_least": "1 m"}

    told_ = lines(hop, assessment(measured("hop", LEFT, 105), on="2026-11-19"), assessment())
    assert "2026-11-19 lies 1 day before 2026-11-20; it must be of the judged occasion." in told_
    assert told_[-1] == "No figure is judged: was not shown on this occasion."


def test_a_setback_after_it_is_said():
    hop = {"test": "hop", "metric": "value", "at_least": "1 m"}
    first = assessment(measured("hop", LEFT, 105), on="2026-11-17")

    told_ = lines(hop, first, event("setback", "2026-11-18"), assessment())
    assert "2026-11-17 lies 3 days before 2026-11-20, and a setback came after it." in told_


def test_sessions_and_events_without_a_limit_of_days():
    drill = {"sessions": ["drill"], "take": "latest", "metric": "worst_pain", "at_most": 2}
    none = {"events": ["giving_way"], "metric": "count", "at_most": 0}
    draft = assessment(since_last=told(sessions=[session("drill", "2026-11-10", efforts=3)]))

    assert lines(drill, draft)[0].startswith("Drill, 2026-11-10: 3 efforts")
    assert lines(none, draft)[0] == "Reports of giving way: 0."


def test_a_score_of_pain_at_rest_tells_its_medication():
    quiet = {"question": "pain_at_rest", "metric": "value", "at_most": 3}

    told_ = lines(quiet, assessment(session_check=QUIET))
    assert told_[:2] == ["Pain at rest, 2026-11-20: 0.", "Medication on 2026-11-20: none."]


def test_an_answer_that_is_only_shown_is_told_and_no_more():
    assert lines({"question": "limp", "metric": "value"}, assessment()) == ["Limp, 2026-11-20: no."]


@pytest.mark.parametrize(
    ("criterion", "margin"),
    [
        ({"at_least": "90 %"}, "Margin = 100 x 80 / 90 - 90 = -1.11111 % (rounded)."),
        ({"at_most": "90 %"}, "Margin = 90 - (100 x 80 / 90) = 1.11111 % (rounded)."),
    ],
)
def test_a_margin_continues_the_formula_above_it(criterion, margin):
    index = {"test": "hop", "metric": "limb_symmetry_index", **criterion}

    assert lines(index, assessment(both("hop", 80, 90)))[-1].endswith(margin)
