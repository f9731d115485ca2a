"""What stands behind a code without a figure: the reading, the limit, the question."""

from typing import Any

import pytest

from service.domain.judge import judge
from service.domain.judging import Judging
from service.domain.telling import hold_text
from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    Draft,
    assessment,
    both,
    evidence,
    follow_up,
    measured,
    not_measured,
    session,
    told,
)
from tests.domain.small_set import GATE, small_set
from tests.domain.test_explain import first_reason

INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
WORST = {"tests": "loading", "metric": "worst_pain", "at_most": 2}
FELT = {"tests": "loading", "metric": "worst_instability", "at_most": 2}
HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
PAIN_24H = {"test": "worst_pain_24h", "metric": "value", "at_most": 2}
AT_REST = {"question": "pain_at_rest", "metric": "value", "at_most": 2}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}
DRILL = {"sessions": ["drill"], "take": "latest", "metric": "worst_pain", "at_most": 2}
DRILL_RISE = {"sessions": ["drill"], "take": "latest", "metric": "rise", "at_most": 2}

OPIOID = {**QUIET, "medication_24h": "opioid"}
NO_MEDICATION = {"limp": False, "pain_at_rest": 0}
HOPPED = measured("hop", LEFT, 120)


def drilled(**changes: Any) -> Draft:
    return assessment(since_last=told(sessions=[session("drill", "2026-11-18", efforts=3, **changes)]))


def mornings(*checks: dict[str, Any]) -> list[Draft]:
    start, morning = checks
    return [assessment(HOPPED, ref="B1", session_check=start), follow_up("B1", session_check=morning)]


@pytest.mark.parametrize(
    ("criterion", "drafts", "words"),
    [
        (WORST, [assessment(measured("hop", LEFT, 120, pain=7))], "pain 7 in hop, left, the limit is 5"),
        (
            WORST,
            [assessment(measured("hop", LEFT, 120, pain=7), measured("sprint", None, 9, pain=8))],
            "pain 7 in hop, left, the limit is 5 and pain 8 in sprint, the limit is 5",
        ),
        (HOP, [assessment(measured("hop", LEFT, 120, "pain", pain=3))], "pain ended hop, left (pain 3)"),
        (HOP, [assessment(measured("hop", LEFT, 120, "pain", pain=None))], "pain ended hop, left"),
        (HOP, [assessment(measured("hop", LEFT, 120, "giving_way"))], "the joint gave way in hop, left"),
        (WORST, [assessment(measured("hop", LEFT, 120, pain=None))], "pain was not answered in hop, left"),
        (FELT, [assessment(measured("hop", LEFT, 120, instability=None))], "instability was not answered in hop, left"),
        (
            WORST,
            [assessment(HOPPED, session_check=NO_MEDICATION)],
            "medication was not answered on 2026-11-20",
        ),
        (
            PAIN_24H,
            [assessment(measured("worst_pain_24h", None, 1), session_check=NO_MEDICATION)],
            "medication was not answered on 2026-11-20",
        ),
        (AT_REST, [assessment(session_check=NO_MEDICATION)], "medication was not answered on 2026-11-20"),
        (
            AT_REST,
            [assessment(session_check={"limp": False, "medication_24h": "none"})],
            "pain at rest was not answered on 2026-11-20",
        ),
        (
            MORNING,
            mornings({"limp": False, "medication_24h": "none"}, QUIET),
            "pain at rest was not answered at the start on 2026-11-20",
        ),
        (
            MORNING,
            mornings(QUIET, {"pain_at_rest": 0}),
            "medication was not answered on the morning after 2026-11-20",
        ),
        (DRILL, [drilled(worst_pain=None)], "pain was not answered in drill of 2026-11-18"),
        (DRILL, [drilled(medication=None)], "medication was not answered for drill of 2026-11-18"),
        (DRILL_RISE, [drilled(worst_pain=None, medication=None)], "medication was not answered for drill of 2026"),
        (WORST, [assessment(HOPPED, session_check=OPIOID)], "medication (opioid) masks pain"),
        (AT_REST, [assessment(session_check=OPIOID)], "medication (opioid) masks pain"),
        (MORNING, mornings(QUIET, OPIOID), "medication (opioid) masks pain"),
        (DRILL, [drilled(medication="paracetamol")], "medication (paracetamol) masks pain"),
    ],
)
def test_a_sentence_names_what_stands_behind_its_code(
    criterion: dict[str, Any], drafts: list[Draft], words: str
) -> None:
    assert words in first_reason(criterion, *drafts)["statement"]


def test_what_does_not_mask_is_not_named() -> None:
    entries = [assessment(HOPPED, on="2026-11-19"), assessment(measured("strength", LEFT, 9), session_check=OPIOID)]
    sentence = first_reason({**WORST, "within_days": 7}, *entries)["statement"]
    assert sentence.endswith(": medication (opioid) masks pain.")


@pytest.mark.parametrize(
    ("other", "facts", "words"),
    [
        (measured("hop", RIGHT, 120), {"other_side": "unknown"}, "stated as unknown; say whether it is healthy"),
        (not_measured("hop", RIGHT, "unable", "could_not"), {}, "no reference: it could not be done"),
        (measured("hop", RIGHT, 0), {}, "no reference: its value is 0"),
        (measured("hop", RIGHT, 120, pain=7), {}, "no reference: pain 7, the limit is 5"),
        (measured("hop", RIGHT, 120, "pain"), {}, "no reference: pain ended the test"),
        (measured("hop", RIGHT, 120, "giving_way"), {}, "no reference: the joint gave way"),
    ],
)
def test_an_unreliable_other_side_says_why(other: Any, facts: dict[str, Any], words: str) -> None:
    assert words in first_reason(INDEX, assessment(HOPPED, other, facts=facts))["statement"]


# Holds


def holds(criterion: dict[str, Any], *drafts: Draft, **changes: Any) -> list[str]:
    criteria = small_set({"asked": criterion}, **changes)
    seen = evidence(*drafts)
    judging = Judging(seen, criteria)
    return [hold_text(judging, code, about) for _kind, code, about in judge(seen, criteria, GATE)["holds"]]


@pytest.mark.parametrize(
    ("drafts", "text"),
    [
        ([assessment(measured("hop", LEFT, 120, pain=7))], "Stopped: pain 7 in hop, left, the limit is 5."),
        ([assessment(measured("hop", LEFT, 120, "giving_way"))], "Stopped: the joint gave way in hop, left."),
        ([assessment(measured("moon_walk", LEFT, 1, pain=8))], "Stopped: pain 8 in moon walk, left, the limit is 5."),
        (
            [assessment(measured("hop", LEFT, 120, pain=7), on="2026-11-18"), assessment()],
            "Stopped: pain 7 in hop, left, the limit is 5 on 2026-11-18.",
        ),
        (
            [
                assessment(measured("hop", LEFT, 120, pain=9), on="2026-11-17"),
                assessment(measured("hop", LEFT, 120, pain=7), on="2026-11-18"),
                assessment(),
            ],
            "Stopped: pain 7 in hop, left, the limit is 5 on 2026-11-18.",
        ),
        (
            mornings(QUIET, {**QUIET, "pain_at_rest": 3}),
            "Stopped: pain at rest rose from 0 to 3 on the morning after 2026-11-20, a rise of 1 is the limit.",
        ),
        (
            [assessment(HOPPED, session_check={**QUIET, "pain_at_rest": 10})],
            "Not today: pain at rest 10, above 5 is too much.",
        ),
        ([assessment(HOPPED, session_check={**QUIET, "limp": True})], "Not today: limp yes."),
        ([assessment(HOPPED, since_last=told(("giving_way", "2026-11-19")))], "Not today: giving way."),
    ],
)
def test_a_hold_names_the_reading_and_the_limit(drafts: list[Draft], text: str) -> None:
    assert text in holds(HOP, *drafts)


def test_only_the_answer_that_forbids_is_named() -> None:
    worse_morning = mornings({**QUIET, "pain_at_rest": 1}, {**QUIET, "pain_at_rest": 6})
    assert "Not today: pain at rest 6, above 5 is too much." in holds(HOP, *worse_morning)


def test_a_limit_that_forbids_itself_says_or_more() -> None:
    rules = [{"question": "pain_at_rest", "at_least": 4}]
    painful = assessment(both("hop", 120, 120), session_check={**QUIET, "pain_at_rest": 4})
    assert holds(HOP, painful, not_today=rules) == ["Not today: pain at rest 4, 4 or more is too much."]
