"""The closed lists of codes: each is reached, has a status, and has words."""

import re
from pathlib import Path

import pytest

from service.domain.codes import (
    HOLD_CODES,
    HOLD_KINDS,
    MET,
    NOT_ASSESSED,
    NOT_MET,
    RANK,
    REASON_CODES,
    STATUS,
    kind_of,
)

HERE = Path(__file__).parent
EXPECTED = [path.read_text(encoding="utf-8") for path in sorted(HERE.glob("test_*.py")) if path != Path(__file__)]


@pytest.mark.parametrize("code", REASON_CODES)
def test_some_test_expects_each_code_of_a_reason(code: str) -> None:
    assert any(re.search(rf'"{code}"', text) for text in EXPECTED)


@pytest.mark.parametrize("code", HOLD_CODES)
def test_some_test_expects_each_code_of_a_hold(code: str) -> None:
    holds = (HERE / "test_holds.py").read_text(encoding="utf-8") + (HERE / "test_stops.py").read_text(encoding="utf-8")
    assert f'"{code}"' in holds


def test_the_codes_win_in_the_order_of_the_list() -> None:
    assert REASON_CODES == (
        "before_setback",
        "too_old",
        "gave_way",
        "pain_beyond_limit",
        "unable",
        "missing_test",
        "too_few_trials",
        "reference_unreliable",
        "setup_differs",
        "missing_reference",
        "awaiting_response",
        "below_baseline",
        "below",
        "above",
        "is_not",
        "unanswered",
        "masked",
        "undecided",
        "too_few_met",
        "met",
    )
    assert sorted(REASON_CODES, key=RANK.__getitem__) == list(REASON_CODES)


def test_each_code_has_one_of_three_statuses() -> None:
    not_met = {
        "gave_way",
        "pain_beyond_limit",
        "unable",
        "below_baseline",
        "below",
        "above",
        "is_not",
        "too_few_met",
    }
    assert {code for code in REASON_CODES if STATUS[code] == NOT_MET} == not_met
    assert {code for code in REASON_CODES if STATUS[code] == MET} == {"met"}
    assert {code for code in REASON_CODES if STATUS[code] == NOT_ASSESSED} == set(REASON_CODES) - not_met - {"met"}


@pytest.mark.parametrize(
    ("code", "kind"), [("below", "not_met"), ("masked", "not_assessed"), ("awaiting_response", "awaiting_response")]
)
def test_the_kind_of_a_reason_is_its_status_but_for_an_answer_awaited(code: str, kind: str) -> None:
    assert kind_of(code) == kind


def test_the_kinds_of_holds_stand_in_their_order() -> None:
    assert HOLD_KINDS == (
        "finding_open",
        "not_today",
        "outside_scope",
        "not_met",
        "not_assessed",
        "awaiting_response",
    )
