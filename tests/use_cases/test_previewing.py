"""Values while a battery is entered: what a post would come to, but for a verdict, and nothing stored."""

from collections.abc import Mapping
from typing import Any

import pytest

from schemas.battery import BatterySchema
from service.domain.errors import ConflictError, InvalidDocumentError
from service.use_cases.previewing import preview
from tests import builders
from tests.clinic import ATHLETE, EPISODE, Clinic, new_clinic, small, whole

HOPS = ("side_hop_time", "figure_of_eight_hop_time")


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def so_far(clinic: Clinic, body: Mapping[str, Any]) -> dict[str, Any]:
    """What is told of a body, and that telling it has stored nothing."""
    before = clinic.rows()
    told = preview(clinic.world.context, clinic.world.clinician, BatterySchema().load(body))
    assert clinic.rows() == before
    return told


def criteria(clinic: Clinic, body: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    return {one["criterion"]: one for one in so_far(clinic, body)["criteria"]}


def test_values_are_those_that_the_decision_then_rests_on(clinic):
    told = criteria(clinic, whole())
    decided = {one["criterion"]: one for one in clinic.post_battery(whole())["reasons"]}

    assert told.keys() == decided.keys()
    assert told["lunge-symmetry"]["value"] == "0.8 cm"
    assert decided["lunge-symmetry"]["measured"] == {"value": "0.8", "unit": "cm"}


def test_of_an_athlete_who_is_not_on_record_yet_nothing_is_made(clinic):
    assert criteria(clinic, small())["pain-24h-moderate"]["value"] == "1 of 10"
    assert clinic.rows()["athletes"] == 0


def test_what_is_missing_is_named_and_nothing_says_met_or_not_met(clinic):
    told = so_far(clinic, small(target_stage="hop_and_cut", session_check=None, referral=None, since_last=None))

    by_name = {one["criterion"]: one for one in told["criteria"]}
    assert by_name["lunge-symmetry"] == {
        "criterion": "lunge-symmetry",
        "part_of": None,
        "label": "Weight-bearing lunge, side difference",
        "value": None,
        "missing": "was not measured",
        "carried_from": None,
    }
    assert "Does the athlete limp when walking?" in told["unanswered"]
    assert told.keys() == {"criteria", "unanswered", "look_again"}


def test_a_value_of_an_earlier_occasion_says_from_when(clinic):
    clinic.post_battery(whole("first", at="2026-11-18T16:30:00+01:00"))

    told = criteria(clinic, small(target_stage="hop_and_cut"))

    assert told["lunge-symmetry"]["value"] == "0.8 cm"
    assert told["lunge-symmetry"]["carried_from"] == "2026-11-18"
    assert told["pain-24h-low"]["carried_from"] is None


def test_a_morning_of_an_earlier_occasion_says_from_when(clinic):
    evening = clinic.post_battery(whole("first", at="2026-11-18T16:30:00+01:00"))
    told = {"session_check": builders.SESSION_CHECK, "performed_at": "2026-11-19T08:00:00+01:00"}
    clinic.post_battery({"kind": "follow_up", "athlete": ATHLETE, "follows": {"id": evening["battery_id"]}, **told})

    one = criteria(clinic, small(target_stage="competition"))["morning-after-test"]

    assert (one["value"], one["carried_from"]) == ("0", "2026-11-18")


def test_parts_and_what_is_judged_in_place_of_another_stand_with_their_values(clinic):
    episode = {**EPISODE, "other_side": "previously_injured"}
    told = so_far(clinic, whole(episode=episode, target_stage="team_training"))["criteria"]

    routed = [one for one in told if one["part_of"] == "side-hop-floor"]
    assert [one["criterion"] for one in routed] == ["clean-hops"]
    assert {one["criterion"]: one["value"] for one in told if one["part_of"] == "clean-hops"} == {
        "no-failed-landing": "none",
        "side-hop-alone": "9.6 s",
        "felt-instability": "0 of 10",
        "pain-in-tests": "0 of 10",
    }
    assert next(one for one in told if one["criterion"] == "side-hop-floor")["value"] is None


def test_a_figure_against_a_baseline_says_so(clinic):
    taken = [builders.measured("t_test_time", None, "10.0", pain=None)]
    then = {"performed_at": "2026-08-01T10:00:00+02:00", "setup": builders.SETUP, "measurements": taken}
    clinic.post_battery({"kind": "baseline", "athlete": ATHLETE, **then})
    now = [*builders.passing_measurements(), builders.measured("t_test_time", None, "10.4", "10.5")]

    told = criteria(clinic, whole(target_stage="competition", measurements=now))

    assert "of the baseline" in told["agility-of-baseline"]["value"]


def test_sides_that_look_swapped_and_odd_values_are_to_be_looked_at_again(clinic):
    times = {"left": 8, "right": 10}
    odd = [builders.measured(test, side, *[time] * 3) for test in HOPS for side, time in times.items()]
    odd += [builders.measured("weight_bearing_lunge_distance", side, 30, 30, 30) for side in times]

    told = so_far(clinic, whole(measurements=odd, target_stage="competition", confirmed=None))

    assert any("swapped" in one for one in told["look_again"])
    assert any("is unusual" in one for one in told["look_again"])


def test_what_a_post_would_be_refused_for_is_refused_here(clinic):
    wrong = [builders.measured("side_hop_time", "left", 900)]
    with pytest.raises(InvalidDocumentError):
        so_far(clinic, whole(measurements=wrong))
    clinic.post_battery(whole("first", occasion="friday"))
    with pytest.raises(ConflictError):
        so_far(clinic, whole("second", occasion="friday"))
