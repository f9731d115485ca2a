"""Examples: how a change is laid over another example, and what is counted."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.criteria_files import Example, derive, example_faults, examples_beside, load_examples, load_set
from service.domain.errors import CriteriaFaultsError

MINI = Path(__file__).parent / "mini"
SET = MINI / "mini-sprain" / "1.yaml"


def examples() -> dict[str, Example]:
    return {example.id: example for example in load_examples(examples_beside(SET))}


def base(**battery: Any) -> dict[str, Any]:
    """Return a file of two batteries, the last one with these keys."""
    return {
        "athlete": {"birth_year": 2000},
        "episode": {"condition": "mini_sprain", "other_side": "healthy"},
        "entries": [{"battery": {"ref": "KB-1"}}, {"event": {}}, {"battery": {"ref": "KB-2", **battery}}],
    }


def last(document: dict[str, Any]) -> dict[str, Any]:
    """Return the last battery of a file."""
    battery: dict[str, Any] = [entry["battery"] for entry in document["entries"] if "battery" in entry][-1]
    return battery


def measured(measurement: dict[str, Any], overlay: dict[str, Any]) -> Any:
    """Return a measurement with another laid over it."""
    changed = derive(base(measurements=[measurement]), {"measurements": [overlay]})
    (one,) = last(changed)["measurements"]
    return one


HOP = {"test": "side_hop", "side": "left"}


def test_every_example_is_a_whole_file_of_entries() -> None:
    for example in examples().values():
        assert set(example.document) == {"athlete", "episode", "entries", "expect"}
        assert example.expect


def test_an_example_may_start_from_one_further_down() -> None:
    found = examples()

    assert list(found) == ["whole", "second-step", "first-step"]
    assert last(found["second-step"].document)["session_check"] == {"limp": True, "pain_at_rest": 7}
    assert last(found["first-step"].document)["session_check"] == {"limp": True, "pain_at_rest": 0}


def test_a_change_reaches_athlete_episode_battery_and_entries() -> None:
    document = examples()["first-step"].document

    assert document["athlete"] == {"birth_month": 3}
    assert document["episode"]["other_side"] == "unknown"
    assert [next(iter(entry)) for entry in document["entries"]] == ["event", "battery", "event", "void"]
    assert document["entries"][0] == {"event": {"kind": "giving_way", "on": "2026-11-01"}}
    assert set(last(document)) == {"kind", "performed_at", "session_check", "measurements"}
    assert last(document)["measurements"] == [
        {**HOP, "unit": "s", "instability": 2, "trials": [{"value": Decimal("10.1")}]},
        {"test": "heel_rise", "side": "left", "result": "unable", "because": "pain"},
        {"test": "heel_rise", "side": "right", "value": 25},
    ]


def test_only_the_last_battery_changes_and_the_base_stays_as_it_is() -> None:
    before = base(setup={"support": "none"})

    after = derive(before, {"setup": {"support": "tape"}})

    assert before == base(setup={"support": "none"})
    assert after["entries"][:2] == before["entries"][:2]
    assert last(after) == {"ref": "KB-2", "setup": {"support": "tape"}}


def test_entries_are_put_in_front_of_the_last_battery_and_behind_all() -> None:
    after = derive(base(), {"before": [{"void": {}}], "then": [{"exception": {}}]})

    assert [next(iter(entry)) for entry in after["entries"]] == ["battery", "event", "void", "battery", "exception"]


def test_a_battery_behind_all_is_what_the_next_change_is_laid_over() -> None:
    follow_up = {"battery": {"kind": "follow_up", "session_check": {"pain_at_rest": 1}}}

    after = derive(derive(base(), {"then": [follow_up]}), {"session_check": {"pain_at_rest": 2}})

    assert last(after) == {"kind": "follow_up", "session_check": {"pain_at_rest": 2}}


def test_maps_merge_null_removes_and_lists_are_replaced() -> None:
    battery = {"since_last": {"events": [], "sessions": [{"kind": "walk"}]}, "referral": {"cannot_step": False}}

    after = last(derive(base(**battery), {"since_last": {"events": None, "sessions": []}, "referral": None}))

    assert after == {"ref": "KB-2", "since_last": {"sessions": []}}


def test_null_inside_what_is_new_is_left_out() -> None:
    after = last(derive(base(setup="none"), {"setup": {"support": "tape", "arms": None}}))

    assert after["setup"] == {"support": "tape"}


@pytest.mark.parametrize("without", ["side_hop", "side_hop/left"])
def test_a_measurement_is_left_out_by_test_or_by_side(without: str) -> None:
    right = {"test": "side_hop", "side": "right"}
    kept = last(derive(base(measurements=[HOP, right]), {"without": [without]}))["measurements"]

    assert kept == ([] if without == "side_hop" else [right])


def test_a_measurement_that_was_not_there_is_added_without_its_nulls() -> None:
    after = derive(base(), {"measurements": [{**HOP, "value": 9, "pain": None}]})

    assert last(after)["measurements"] == [{**HOP, "value": 9}]


def test_trials_are_replaced_as_a_whole() -> None:
    assert measured({**HOP, "trials": [{"value": 1}, {"value": 2}]}, {**HOP, "trials": [{"value": 3}]}) == {
        **HOP,
        "trials": [{"value": 3}],
    }


def test_a_value_replaces_trials_and_trials_a_value() -> None:
    assert measured({**HOP, "trials": [{"value": 1}], "pain": 1}, {**HOP, "value": 3}) == {**HOP, "value": 3, "pain": 1}
    assert measured({**HOP, "value": 3, "trials_summarised": 2}, {**HOP, "trials": [{"value": 1}]}) == {
        **HOP,
        "trials": [{"value": 1}],
    }


def test_a_value_keeps_how_many_trials_it_sums_up() -> None:
    assert measured({**HOP, "value": 3, "trials_summarised": 2}, {**HOP, "value": 4}) == {
        **HOP,
        "value": 4,
        "trials_summarised": 2,
    }


def test_another_result_than_measured_takes_the_figures_away_unless_given() -> None:
    unable = {**HOP, "result": "unable", "because": "pain"}

    assert measured({**HOP, "trials": [{"value": 1}], "pain": 6}, unable) == {**unable, "pain": 6}
    assert measured({**HOP, "value": 1, "trials_summarised": 2}, {**unable, "value": 3}) == {**unable, "value": 3}
    assert measured({**HOP, "value": 1}, {**HOP, "result": "measured"}) == {**HOP, "value": 1, "result": "measured"}


def test_the_side_belongs_to_the_name_of_a_measurement() -> None:
    after = derive(base(measurements=[{**HOP, "value": 1}]), {"measurements": [{"test": "side_hop", "value": 2}]})

    assert last(after)["measurements"] == [{**HOP, "value": 1}, {"test": "side_hop", "value": 2}]


def example(*expect: dict[str, Any]) -> Example:
    """Return an example that expects this; it stands where the first one of the small set does."""
    first = examples()["whole"]
    return Example("invented", "invented", {**first.document, "expect": list(expect)}, 0, first.file)


def counted(*expect: dict[str, Any]) -> list[str]:
    document = load_set(SET, MINI / "catalogue").document
    faults = example_faults(document, [example(*expect)], "1.examples.yaml")
    return [fault.detail for fault in faults]


def test_what_has_no_example_is_counted() -> None:
    details = counted({"stage": "sport", "outcome": "pass"})

    assert sum("passes the stage" in detail for detail in details) == 1
    assert sum("held by the criterion" in detail for detail in details) == 14
    assert sum("held by the referral question" in detail for detail in details) == 3
    assert sum("held by the not-today rule" in detail for detail in details) == 3


@pytest.mark.parametrize(
    ("expected", "details"),
    [
        ({"stage": "running", "outcome": "pass"}, "no example passes the stage running"),
        ({"stage": "sport", "outcome": "hold", "reasons": {"hop-choice": "below"}}, "held by the criterion hop-choice"),
        (
            {"stage": "sport", "outcome": "hold", "holds": [["finding_open", "finding_open", "cannot_step"]]},
            "held by the referral question cannot_step",
        ),
        (
            {"stage": "sport", "outcome": "hold", "holds": [["not_today", "not_today", "giving_way"]]},
            "held by the not-today rule on giving_way",
        ),
    ],
)
def test_an_example_counts_for_what_it_shows(expected: dict[str, Any], details: str) -> None:
    without = counted({"stage": "sport", "outcome": "hold"})
    with_it = counted({"stage": "sport", "outcome": "hold"}, expected)

    assert any(details in detail for detail in without)
    assert not any(details in detail for detail in with_it)


def test_a_met_criterion_of_a_hold_and_a_criterion_of_a_pass_do_not_count() -> None:
    details = counted(
        {"stage": "sport", "outcome": "hold", "reasons": {"hop-choice": "met"}},
        {"stage": "sport", "outcome": "pass", "reasons": {"hop-choice": "below"}},
    )

    assert any("held by the criterion hop-choice" in detail for detail in details)


def test_names_that_the_set_has_not_are_faults_where_they_stand() -> None:
    document = load_set(SET, MINI / "catalogue").document
    invented = example({"stage": "sports", "outcome": "hold", "reasons": {"hop-choise": "below"}})

    faults = {fault.path: fault for fault in example_faults(document, [invented], "1.examples.yaml")}

    assert "did you mean sport?" in faults["#/0/expect/0/stage"].detail
    assert "did you mean hop-choice?" in faults["#/0/expect/0/reasons/hop-choise"].detail
    assert faults["#/0/expect/0/stage"].line > 1


def test_an_id_that_stands_twice_is_told_once_and_no_circle_is_looked_for(tmp_path: Path) -> None:
    text = examples_beside(SET).read_text(encoding="utf-8")
    twice = "- id: whole\n  title: again\n  from: second-step\n  expect: [{stage: sport, outcome: pass}]\n"
    file = tmp_path / "1.examples.yaml"
    file.write_text(text + twice, encoding="utf-8")

    with pytest.raises(CriteriaFaultsError) as raised:
        load_examples(file)

    assert [fault.detail for fault in raised.value.faults] == ["whole stands twice; give each example its own id"]
