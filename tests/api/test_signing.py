"""Sign-offs: what a named professional makes of a decision, and where it puts the athlete."""

from collections.abc import Iterator
from typing import Any

import pytest

from schemas.appending import AddedSchema
from schemas.faults import load
from service.use_cases.context import ADMINISTRATOR, SUBMITTER
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import Clinic, created, new_clinic, send, small

LIMPING = builders.SESSION_CHECK | {"limp": True}
TRAINS = "modified_training"


@pytest.fixture
def clinic(database_url: str) -> Iterator[Clinic]:
    """A clinic whose record, whatever is told in a test, is sound at its end."""
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def passed(clinic: Clinic) -> dict[str, Any]:
    return clinic.post_battery(small("A"))


@pytest.fixture
def held(clinic: Clinic) -> dict[str, Any]:
    """A hold at the second stage, for a limp."""
    return clinic.post_battery(small("A", session_check=LIMPING))


def sign_offs(of: dict[str, Any]) -> str:
    return f"/v1/decisions/{of['id']}/sign-offs"


def positions(of: dict[str, Any]) -> str:
    return f"/v1/episodes/{of['episode_id']}/sign-offs"


def said(of: dict[str, Any], determination: str, stage: str | None = None, **more: Any) -> dict[str, Any]:
    position = {"position": {"stage": stage, "participation": TRAINS}} if stage else {}
    return {"decision_digest": of["digest"], "determination": determination, **position, **more}


def override(of: dict[str, Any], **changes: Any) -> dict[str, Any]:
    body = said(of, "override", "rebuild", rationale="an old limp", valid_until="2026-11-27")
    told = {"criteria_overridden": ["walks-without-limp"], "conditions": "no contact", "informed": ["head coach"]}
    return body | told | changes


def places(problem: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["pointer"], one["code"]) for one in problem["errors"]]


def position_of(clinic: Clinic, of: dict[str, Any]) -> tuple[Any, ...]:
    row = clinic.row("episodes", id=of["episode_id"])
    return row["stage"], row["participation"], row["position_until"] and str(row["position_until"])


def test_who_agrees_signs_what_was_seen(clinic, passed):
    body = said(passed, "agree", "rebuild", conditions="with a brace", informed=["coach"])

    added = clinic.post(sign_offs(passed), body)

    entry = clinic.chain(passed["athlete_id"])[-1]
    assert load(AddedSchema(), added)[1] == []
    assert (added["kind"], added["caution"]) == ("sign_off", passed["caution"])
    assert entry.content == {
        "decision": passed["id"],
        "decision_digest": passed["digest"],
        "determination": "agree",
        "position": {"stage": "rebuild", "participation": TRAINS},
        "criteria": passed["criteria_set"]["digest"],
    }
    assert entry.people == {
        "conditions": "with a brace",
        "informed": ["coach"],
        "signed_by": {"name": "Invented Clinician", "profession": "physiotherapist"},
    }
    assert position_of(clinic, passed) == ("rebuild", TRAINS, None)
    assert clinic.decision(passed["id"])["standing"]["awaiting_sign_off"] is False
    clinic.assert_intact(passed["athlete_id"])


def test_to_agree_needs_no_position_and_moves_none(clinic, passed):
    clinic.post(sign_offs(passed), said(passed, "agree"))

    assert position_of(clinic, passed) == (None, None, None)


def test_who_defers_moves_nothing_and_leaves_it_waiting(clinic, passed):
    clinic.post(sign_offs(passed), said(passed, "agree", "rebuild"))
    newer = clinic.decide(passed["episode_id"])

    clinic.post(sign_offs(newer), said(newer, "defer", rationale="the surgeon is asked"))

    assert position_of(clinic, passed) == ("rebuild", TRAINS, None)
    assert clinic.decision(newer["id"])["standing"]["awaiting_sign_off"] is True


def test_who_is_stricter_keeps_the_athlete_back(clinic, passed):
    clinic.post(sign_offs(passed), said(passed, "stricter", "protected_loading", rationale="swollen since"))

    assert position_of(clinic, passed) == ("protected_loading", TRAINS, None)


def test_an_override_names_what_it_overrides_and_ends(clinic, held):
    clinic.post(sign_offs(held), override(held))

    entry = clinic.chain(held["athlete_id"])[-1]
    assert entry.content["criteria_overridden"] == ["walks-without-limp"]
    assert entry.content["valid_until"] == "2026-11-27"
    assert position_of(clinic, held) == ("rebuild", TRAINS, "2026-11-27")
    assert clinic.decision(held["id"])["outcome"] == "hold"


def test_what_holds_besides_criteria_can_be_overridden_by_name(clinic):
    told = builders.referral_answers() | {"navicular_tender": True}
    held = clinic.post_battery(small("A", referral=told))

    assert clinic.post(sign_offs(held), override(held, criteria_overridden=["navicular_tender"]))["kind"] == "sign_off"


def test_an_override_counts_for_no_gate(clinic, held):
    clinic.post(sign_offs(held), override(held))

    assert clinic.decide(held["episode_id"])["outcome"] == "hold"


def test_a_void_sign_off_gives_the_position_back(clinic, passed):
    clinic.post(sign_offs(passed), said(passed, "agree", "rebuild"))
    stricter = clinic.post(sign_offs(passed), said(passed, "stricter", "protected_loading", rationale="swollen since"))

    clinic.post(f"/v1/entries/{stricter['id']}/void", {"reason": "another athlete's"})

    assert position_of(clinic, passed) == ("rebuild", TRAINS, None)


def test_a_sign_off_is_made_once(clinic, passed):
    body = said(passed, "agree", "rebuild")

    first = created(send(clinic.clinician, sign_offs(passed), body, key="one"))

    assert created(send(clinic.clinician, sign_offs(passed), body, key="one")) == first
    assert len(clinic.chain(passed["athlete_id"])) == 3


# What can't be signed


def test_another_decision_than_the_one_seen_is_not_signed(clinic, passed):
    other = "sha256:" + "0" * 64

    refused = clinic.refused(sign_offs(passed), said(passed, "agree") | {"decision_digest": other})

    assert places(assert_problem(refused, 409, "digest_differs")) == [("#/decision_digest", "conflicts")]


def test_what_was_superseded_is_not_signed_and_the_current_one_is_named(clinic, passed):
    newer = clinic.decide(passed["episode_id"])

    refused = clinic.refused(sign_offs(passed), said(passed, "agree"))

    assert_problem(refused, 409, "not_standing")
    assert refused.headers["Link"] == f'</v1/decisions/{newer["id"]}>; rel="related"'


def test_what_was_withdrawn_is_not_signed(clinic, passed):
    clinic.post(f"/v1/episodes/{passed['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})

    refused = clinic.refused(sign_offs(passed), said(passed, "agree"))

    assert "withdrawn" in assert_problem(refused, 409, "not_standing")["detail"]
    assert "Link" not in refused.headers


def test_what_is_void_is_not_signed(clinic, passed):
    clinic.post(f"/v1/entries/{passed['id']}/void", {"reason": "asked by mistake"})

    assert_problem(clinic.refused(sign_offs(passed), said(passed, "agree")), 409, "not_standing")


def test_what_has_expired_is_not_signed(clinic, passed):
    clinic.at("2026-11-27T18:00:00+01:00")
    clinic.post(sign_offs(passed), said(passed, "agree"))
    clinic.at("2026-11-28T18:00:00+01:00")

    assert_problem(clinic.refused(sign_offs(passed), said(passed, "agree")), 409, "not_standing")


def test_a_pass_is_not_overridden(clinic, passed):
    refused = clinic.refused(sign_offs(passed), override(passed))

    assert places(assert_problem(refused, 409, "conflicts")) == [("#/determination", "conflicts")]


@pytest.mark.parametrize("determination", ["agree", "stricter"])
def test_a_hold_supports_no_stage_at_or_above_it(clinic, held, determination):
    at_it = said(held, determination, "rebuild", rationale="he feels well")

    refused = clinic.refused(sign_offs(held), at_it)

    assert places(assert_problem(refused, 422, "invalid_body")) == [("#/position/stage", "conflicts")]
    clinic.post(sign_offs(held), at_it | {"position": {"stage": "protected_loading", "participation": TRAINS}})


def test_a_pass_supports_no_stage_above_it(clinic, passed):
    refused = clinic.refused(sign_offs(passed), said(passed, "agree", "running"))

    assert places(assert_problem(refused, 422, "invalid_body")) == [("#/position/stage", "conflicts")]


def test_what_holds_at_the_first_stage_lets_nobody_train(clinic):
    told = builders.referral_answers() | {"navicular_tender": True}
    held = clinic.post_battery(small("A", referral=told, target_stage="protected_loading"))

    assert_problem(clinic.refused(sign_offs(held), said(held, "agree", "protected_loading")), 422, "invalid_body")
    rests = {"position": {"stage": "protected_loading", "participation": "none"}}
    clinic.post(sign_offs(held), said(held, "agree") | rests)


@pytest.mark.parametrize(
    ("changes", "where", "code"),
    [
        ({"criteria_overridden": ["pain-24h-moderate"]}, "#/criteria_overridden/0", "unknown_name"),
        ({"criteria_overridden": ["no-such-criterion"]}, "#/criteria_overridden/0", "unknown_name"),
        ({"criteria_overridden": ["walks-without-limp"] * 2}, "#/criteria_overridden/1", "duplicate"),
        ({"criteria_overridden": []}, "#/criteria_overridden", "missing"),
        ({"informed": []}, "#/informed", "missing"),
        ({"position": {"stage": "match", "participation": "none"}}, "#/position/stage", "unknown_name"),
        ({"position": {"stage": "rebuild", "participation": "some"}}, "#/position/participation", "unknown_name"),
        ({"valid_until": "2026-11-19"}, "#/valid_until", "out_of_range"),
        ({"valid_until": "2028-01-01"}, "#/valid_until", "out_of_range"),
        ({"decision_digest": "abc"}, "#/decision_digest", "bad_text"),
        ({"determination": "approve"}, "#/determination", "unknown_name"),
        ({"signed_by": "Dr Invented"}, "#/signed_by", "unknown_field"),
    ],
)
def test_a_faulty_override_is_refused(clinic, held, changes, where, code):
    refused = clinic.refused(sign_offs(held), override(held, **changes))

    assert (where, code) in places(assert_problem(refused, 422, "invalid_body"))


@pytest.mark.parametrize(
    ("determination", "left_out"),
    [
        ("override", "position"),
        ("override", "criteria_overridden"),
        ("override", "rationale"),
        ("override", "valid_until"),
        ("override", "conditions"),
        ("override", "informed"),
        ("stricter", "position"),
        ("stricter", "rationale"),
        ("defer", "rationale"),
    ],
)
def test_a_sign_off_says_what_it_must(clinic, held, determination, left_out):
    body = override(held, determination=determination)
    body = {key: value for key, value in body.items() if key != left_out}

    problem = assert_problem(clinic.refused(sign_offs(held), body), 422, "invalid_body")

    assert (f"#/{left_out}", "missing") in places(problem)


@pytest.mark.parametrize(
    ("determination", "sent"),
    [("agree", "criteria_overridden"), ("stricter", "criteria_overridden"), ("defer", "position")],
)
def test_a_sign_off_says_no_more_than_it_may(clinic, held, determination, sent):
    problem = assert_problem(
        clinic.refused(sign_offs(held), override(held, determination=determination)), 422, "invalid_body"
    )

    assert (f"#/{sent}", "conflicts") in places(problem)


@pytest.mark.parametrize("role", [SUBMITTER, ADMINISTRATOR])
def test_clinicians_sign(clinic, passed, role):
    assert_problem(clinic.refused(sign_offs(passed), said(passed, "agree"), role), 403, "forbidden")


def test_a_battery_is_no_decision(clinic, passed):
    path = f"/v1/decisions/{passed['battery_id']}/sign-offs"

    assert_problem(clinic.refused(path, said(passed, "agree")), 404, "not_found")


# Without a decision


def test_a_position_is_set_without_a_decision(clinic):
    told = clinic.post_battery(small("A", target_stage=None))
    body = {"position": {"stage": "protected_loading", "participation": "none"}, "rationale": "fresh"}

    added = clinic.post(positions(told), body)

    assert added["caution"]["text"]
    assert position_of(clinic, told) == ("protected_loading", "none", None)


def test_above_what_decisions_support_a_position_ends(clinic, passed):
    body = {"position": {"stage": "running", "participation": TRAINS}, "rationale": "he runs well"}

    problem = assert_problem(clinic.refused(positions(passed), body), 422, "invalid_body")

    assert places(problem) == [("#/valid_until", "missing")]
    clinic.post(positions(passed), body | {"position": {"stage": "rebuild", "participation": TRAINS}})
    clinic.post(positions(passed), body | {"valid_until": "2026-11-27"})
    assert position_of(clinic, passed) == ("running", TRAINS, "2026-11-27")


def test_a_position_names_a_stage_of_the_set(clinic, passed):
    body = {"position": {"stage": "match", "participation": TRAINS}, "rationale": "why not"}

    problem = assert_problem(clinic.refused(positions(passed), body), 422, "invalid_body")

    assert places(problem) == [("#/position/stage", "unknown_name")]


@pytest.mark.parametrize("determination", ["agree", "stricter"])
def test_a_hold_of_a_high_stage_supports_no_more_than_the_passes_on_record(clinic, determination):
    held = clinic.post_battery(small("A", target_stage="competition"))
    asked = said(held, determination, "team_training", rationale="he feels well")

    refused = clinic.refused(sign_offs(held), asked)

    assert places(assert_problem(refused, 422, "invalid_body")) == [("#/position/stage", "conflicts")]
