"""An override asks for a review within 72 hours, and lapses by itself."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.api.problem import assert_problem
from tests.api.test_signing import LIMPING, TRAINS, override, said, sign_offs
from tests.clinic import Clinic, new_clinic, small

RESTS = {"stage": "protected_loading", "participation": "none"}


@pytest.fixture
def clinic(database_url: str) -> Iterator[Clinic]:
    """A clinic whose record, whatever is told in a test, is sound at its end."""
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def held(clinic: Clinic) -> dict[str, Any]:
    return clinic.post_battery(small("A", session_check=LIMPING))


@pytest.fixture
def overridden(clinic: Clinic, held: dict[str, Any]) -> dict[str, Any]:
    """The sign-off that overrides the hold on the evening of 20 November."""
    return clinic.post(sign_offs(held), override(held))


def reviews(clinic: Clinic, state: str = "open") -> list[dict[str, Any]]:
    asked = {"kind": "override_review", "state": state}
    return list(clinic.clinician.get("/v1/retests", query_string=asked).json["items"])


def closed_because(clinic: Clinic) -> list[str]:
    assert reviews(clinic) == []
    return [one["closed_because"] for one in reviews(clinic, "closed")]


@pytest.mark.usefixtures("overridden")
def test_an_override_is_due_for_review_within_72_hours(clinic, held):
    [task] = reviews(clinic)

    assert (task["due_on"], task["last_day"]) == ("2026-11-22", "2026-11-23")
    assert (task["decision_id"], task["episode_id"], task["state"]) == (held["id"], held["episode_id"], "open")
    shown = clinic.clinician.get(f"/v1/episodes/{held['episode_id']}").json["open_tasks"]
    assert task["id"] in [one["id"] for one in shown]


@pytest.mark.usefixtures("overridden")
def test_after_72_hours_the_review_is_overdue_and_stays(clinic):
    clinic.at("2026-11-23T23:00:00+01:00")
    assert [one["overdue"] for one in reviews(clinic)] == [False]
    clinic.at("2026-12-24T00:30:00+01:00")
    assert [one["overdue"] for one in reviews(clinic)] == [True]


@pytest.mark.parametrize("determination", ["agree", "stricter", "defer"])
def test_nothing_but_an_override_asks_for_a_review(clinic, held, determination):
    stage = None if determination == "defer" else "protected_loading"
    clinic.post(sign_offs(held), said(held, determination, stage, rationale="why"))

    assert reviews(clinic) == reviews(clinic, "closed") == []


@pytest.mark.usefixtures("overridden")
@pytest.mark.parametrize("determination", ["agree", "stricter"])
def test_who_signs_off_later_has_reviewed_it(clinic, held, determination):
    clinic.post(sign_offs(held), said(held, determination, "protected_loading", rationale="looked again"))

    assert closed_because(clinic) == ["done"]


@pytest.mark.usefixtures("overridden")
def test_a_position_set_later_without_a_decision_is_a_review_too(clinic, held):
    body = {"position": {"stage": "protected_loading", "participation": TRAINS}, "rationale": "looked again"}
    clinic.post(f"/v1/episodes/{held['episode_id']}/sign-offs", body)

    assert closed_because(clinic) == ["done"]


@pytest.mark.usefixtures("overridden")
def test_who_defers_has_not_reviewed_it(clinic, held):
    clinic.post(sign_offs(held), said(held, "defer", rationale="the surgeon is asked"))

    assert len(reviews(clinic)) == 1


@pytest.mark.usefixtures("overridden")
def test_another_override_asks_for_a_review_of_its_own(clinic, held):
    clinic.at("2026-11-22T09:00:00+01:00")
    clinic.post(sign_offs(held), override(held))

    assert [one["due_on"] for one in reviews(clinic)] == ["2026-11-24"]
    assert [one["closed_because"] for one in reviews(clinic, "closed")] == ["done"]


def test_a_void_override_is_not_reviewed(clinic, overridden):
    clinic.post(f"/v1/entries/{overridden['id']}/void", {"reason": "another athlete's"})

    assert closed_because(clinic) == ["void"]


@pytest.mark.usefixtures("overridden")
def test_a_review_that_was_made_in_error_leaves_it_due(clinic, held):
    later = clinic.post(sign_offs(held), said(held, "stricter", "protected_loading", rationale="why"))
    clinic.post(f"/v1/entries/{later['id']}/void", {"reason": "another athlete's"})

    assert len(reviews(clinic)) == 1


@pytest.mark.usefixtures("overridden")
def test_a_closed_episode_has_no_review_left(clinic, held):
    clinic.at("2026-11-21T09:00:00+01:00")
    closing = {"kind": "closed", "on": "2026-11-21", "cause": "moved away"}
    clinic.post(f"/v1/episodes/{held['episode_id']}/events", closing)

    assert closed_because(clinic) == ["episode_closed"]


@pytest.mark.usefixtures("overridden")
@pytest.mark.parametrize(("what", "body"), [("reschedule", {"due_on": "2026-11-30"}), ("cancel", {})])
def test_a_review_is_neither_put_off_nor_called_off(clinic, held, what, body):
    [task] = reviews(clinic)

    refused = clinic.refused(f"/v1/retests/{task['id']}/{what}", {**body, "reason": "no time"})

    assert_problem(refused, 409, "not_put_off")
    assert f"/v1/decisions/{held['id']}" in refused.headers["Link"]


@pytest.mark.usefixtures("overridden")
def test_an_override_lapses_by_itself_and_is_still_to_be_reviewed(clinic, held):
    clinic.at("2026-11-27T23:00:00+01:00")
    assert position(clinic, held)["lapsed"] is False
    assert position(clinic, held)["determination"] == "override"
    clinic.at("2026-11-28T00:30:00+01:00")
    assert position(clinic, held)["lapsed"] is True
    assert len(reviews(clinic)) == 1


def lapses(clinic: Clinic, of: dict[str, Any]) -> list[tuple[str, str]]:
    told = clinic.clinician.get(f"/v1/episodes/{of['episode_id']}").json["timeline"]
    return [(one["occurred_on"], one["sentence"]) for one in told if one["kind"] == "lapse"]


@pytest.mark.usefixtures("overridden")
def test_the_end_of_an_override_stands_in_the_time_line_of_the_day_after_and_nobody_recorded_it(clinic, held):
    clinic.at("2026-11-27T23:59:59+01:00")
    assert lapses(clinic, held) == []

    clinic.at("2026-11-28T00:00:00+01:00")

    ended = "The override of 2026-11-20 ended by itself after 2026-11-27: Rebuilding range, balance and strength, "
    rest = "holds no more, and no position is in force until somebody sets one."
    assert lapses(clinic, held) == [("2026-11-28", f"{ended}modified training {rest}")]
    [line] = [one for one in clinic.clinician.get(episode(held)).json["timeline"] if one["kind"] == "lapse"]
    assert line["occurred_at"] == "2026-11-27T23:00:00.000000Z"
    assert {line[key] for key in ("id", "sequence", "by", "recorded_at")} == {None}


@pytest.mark.usefixtures("overridden")
def test_a_position_that_another_took_the_place_of_in_time_does_not_lapse(clinic, held):
    clinic.at("2026-11-27T23:00:00+01:00")
    clinic.post(f"{episode(held)}/sign-offs", {"position": RESTS, "rationale": "Rest."})
    clinic.at("2026-12-24T08:00:00+01:00")

    assert lapses(clinic, held) == []


def test_what_was_set_on_the_day_after_comes_below_the_lapse(clinic, held, overridden):
    clinic.at("2026-11-28T08:00:00+01:00")
    until = {"valid_until": "2026-11-30"}
    clinic.post(f"{episode(held)}/sign-offs", {"position": RESTS, "rationale": "Rest."} | until)
    clinic.at("2026-12-24T08:00:00+01:00")

    told = clinic.clinician.get(episode(held)).json["timeline"]
    assert [one["kind"] for one in told][-4:] == ["sign_off", "lapse", "sign_off", "lapse"]
    assert told[-1]["sentence"].startswith("The position of 2026-11-28 ended by itself after 2026-11-30: ")
    clinic.post(f"/v1/entries/{overridden['id']}/void", {"reason": "the wrong athlete"})
    assert [on for on, _ in lapses(clinic, held)] == ["2026-12-01"]


def episode(of: dict[str, Any]) -> str:
    return f"/v1/episodes/{of['episode_id']}"


def position(clinic: Clinic, of: dict[str, Any]) -> dict[str, Any]:
    shown: dict[str, Any] = clinic.clinician.get(f"/v1/episodes/{of['episode_id']}").json["position"]
    return shown
