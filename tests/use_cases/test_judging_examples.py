"""Examples that the engine answers otherwise than they expect: one fault for each cause, with the examples it fails."""

from pathlib import Path

import pytest

from service.domain.errors import CriteriaFaultsError, Fault
from service.use_cases.criteria_text import Named, Text, check_text
from tests.tiny_set import EXAMPLES, own, shipping

SECOND = """\
  pain-lower:
    {test: pain_worst_24h, metric: value, at_most: 2, within_days: 1, evidence: practice, grade: C, why: W, work_on: R}
stages:"""


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shipping(tmp_path_factory.mktemp("shipped"))


def faults(shipped: Path, more: str = "", *, source: str | None = None, **replaced: str) -> list[Fault]:
    """The faults of the tiny set with words of it replaced, and with more examples."""
    text = Text(source or own(**replaced).source, EXAMPLES + more)
    with pytest.raises(CriteriaFaultsError) as caught:
        check_text(text, Named("club-sprain", 1), shipped=shipped)
    return list(caught.value.faults)


def like_low(count: int) -> str:
    """More examples that start from the one on the line, and pass as it does."""
    return "".join(
        f"- {{id: low-{number}, title: again, from: low, expect: [{{stage: running, outcome: pass}}]}}\n"
        for number in range(1, count + 1)
    )


def an_example(expect: str, change: str = "{}") -> str:
    return f"- {{id: one, title: one, from: low, change: {change}, expect: [{expect}]}}\n"


@pytest.mark.parametrize(
    ("count", "likewise"),
    [
        (0, ""),
        (1, "; 1 more example fails likewise: low-1"),
        (5, "; 5 more examples fail likewise: low-1, low-2, low-3, low-4, low-5"),
        (6, "; 6 more examples fail likewise: low-1, low-2, low-3, low-4, low-5, ..."),
    ],
)
def test_a_changed_threshold_is_one_fault_however_many_examples_fail_by_it(
    shipped: Path, count: int, likewise: str
) -> None:
    [fault] = faults(shipped, like_low(count), **{"at_most: 2,": "at_most: 1,"})
    assert fault.path == "#/0/expect/0/outcome"
    said = "low expects outcome pass, the engine answers hold: pain-low is above; mend one of them"
    assert fault.detail == said + likewise


def test_a_changed_threshold_is_one_fault_too_where_examples_now_pass(shipped: Path) -> None:
    held = "{stage: running, outcome: hold, reasons: {pain-low: above}}"
    more = f"- {{id: higher, title: again, from: high, expect: [{held}]}}\n"
    [fault] = faults(shipped, more, **{"at_most: 2,": "at_most: 3,"})
    assert fault.detail == (
        "high expects outcome hold, the engine answers pass: pain-low is met; mend one of them; "
        "1 more example fails likewise: higher"
    )


def test_each_criterion_by_which_an_example_fails_is_a_fault(shipped: Path) -> None:
    source = own(**{"at_most: 2,": "at_most: 1,", "[pain-low]": "[pain-low, pain-lower]"}).source
    lower = SECOND.replace("at_most: 2", "at_most: 1")
    held = an_example(
        "{stage: running, outcome: hold, reasons: {pain-lower: above}}",
        "{measurements: [{test: pain_worst_24h, value: 3}]}",
    )
    found = faults(shipped, held, source=source.replace("stages:", lower, 1))
    assert [fault.detail.partition(": ")[2] for fault in found] == [
        "pain-low is above; mend one of them",
        "pain-lower is above; mend one of them",
    ]


@pytest.mark.parametrize(
    ("expect", "change", "said"),
    [
        (
            "{stage: running, outcome: pass}",
            "{since_last: null}",
            "one expects outcome pass, the engine answers hold: since_last holds (unanswered); mend one of them",
        ),
        (
            "{stage: running, outcome: hold, hold_because: [not_met], reasons: {pain-low: above}}",
            "{since_last: null, measurements: [{test: pain_worst_24h, value: 3}]}",
            (
                "one expects hold_because ['not_met'], the engine answers ['not_met', 'not_assessed']: "
                "since_last holds (unanswered); mend one of them"
            ),
        ),
        (
            "{stage: running, outcome: hold, holds: [[not_today, not_today, limp]]}",
            "{}",
            "one expects outcome hold, the engine answers pass: limp does not hold (not_today); mend one of them",
        ),
        (
            "{stage: running, outcome: hold, holds: []}",
            "{since_last: null}",
            (
                "one expects holds [], the engine answers [['not_assessed', 'unanswered', 'since_last']]: "
                "since_last holds (unanswered); mend one of them"
            ),
        ),
        (
            "{stage: running, outcome: pass, reasons: {pain-low: above}}",
            "{}",
            (
                "one expects reasons {'pain-low': 'above'}, the engine answers {'pain-low': 'met'}: "
                "pain-low is met; mend one of them"
            ),
        ),
        (
            "{stage: running, outcome: hold}",
            "{}",
            "one expects outcome hold, the engine answers pass: no criterion is named for it; mend one of them",
        ),
        (
            "{stage: running, outcome: hold}",
            (
                '{ref: KB-1, then: [{battery: {kind: assessment, performed_at: "2026-11-21T18:00:00+01:00"}}, '
                '{battery: {kind: follow_up, follows: {ref: KB-1}, performed_at: "2026-11-21T20:00:00+01:00"}}]}'
            ),
            "one expects outcome hold, the engine answers None: no criterion is named for it; mend one of them",
        ),
        (
            "{stage: running, outcome: pass}",
            "{measurements: [{test: pain_worst_25h, value: 1}]}",
            "#/entries/0/battery/measurements/1/test: there is no test 'pain_worst_25h'; there are pain_worst_24h",
        ),
    ],
)
def test_what_an_example_fails_by_is_named(shipped: Path, expect: str, change: str, said: str) -> None:
    [fault] = faults(shipped, an_example(expect, change))
    assert fault.detail == said


def test_a_name_that_many_examples_have_wrong_is_one_fault(shipped: Path) -> None:
    [fault] = faults(shipped, like_low(3).replace("running", "runing"))
    assert fault.path == "#/2/expect/0/stage"
    assert fault.detail == (
        "there is no stage 'runing'; did you mean running?; 2 more examples fail likewise: low-2, low-3"
    )


def test_a_measurement_that_many_examples_leave_out_in_vain_is_one_fault(shipped: Path) -> None:
    [fault] = faults(shipped, like_low(2).replace("expect", "change: {without: [heel_rise]}, expect"))
    assert fault.path == "#/2/change/without/0"
    assert "no measurement heel_rise to leave out" in fault.detail
    assert fault.detail.endswith("1 more example fails likewise: low-2")
