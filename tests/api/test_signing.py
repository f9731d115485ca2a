"""Sign-offs: what a named professional makes of a decision, and where it puts the athlete."""

from collections.abc import Iterator
from typing import Any

import pytest

from schemas.appending import AddedSchema
from schemas.faults import load
from service.use_cases.context import ADMINISTRATOR, SUBMITTER
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import ATHLETE, EPISODE, Clinic, created, new_clinic, send, small, whole

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


def test_what_holds_besides_criteria_is_overridden_by_name(clinic):
    held = clinic.post_battery(small("A", since_last=None))

    assert held["hold_because"] == ["not_assessed"]
    added = clinic.post(sign_offs(held), override(held, criteria_overridden=["since_last"]))
    assert added["kind"] == "sign_off"


@pytest.mark.parametrize("named", [["walks-without-limp"], ["walks-without-limp", "pain-24h-moderate"], ["since_last"]])
def test_an_override_names_all_that_holds(clinic, named):
    painful = [{"test": "pain_worst_24h", "value": 8}]
    held = clinic.post_battery(small("A", session_check=LIMPING, measurements=painful, since_last=None))
    every = ["walks-without-limp", "pain-24h-moderate", "since_last"]

    refused = clinic.refused(sign_offs(held), override(held, criteria_overridden=named))

    [fault] = assert_problem(refused, 422, "invalid_body")["errors"]
    assert (fault["pointer"], fault["code"]) == ("#/criteria_overridden", "missing")
    assert [name for name in every if name in fault["detail"]] == [name for name in every if name not in named]
    clinic.post(sign_offs(held), override(held, criteria_overridden=every))


def test_what_was_waived_needs_no_override(clinic):
    painful = [{"test": "pain_worst_24h", "value": 8}]
    held = clinic.post_battery(small("A", session_check=LIMPING, measurements=painful))
    waiver = {"stage": "rebuild", "criterion": "pain-24h-moderate", "until": "2026-12-20", "reason": "an old complaint"}
    clinic.post(f"/v1/episodes/{held['episode_id']}/exceptions", waiver)
    again = clinic.decide(held["episode_id"])

    assert clinic.post(sign_offs(again), override(again))["kind"] == "sign_off"


@pytest.mark.parametrize(
    ("because", "about", "body"),
    [
        ("finding_open", "navicular_tender", {"referral": builders.referral_answers() | {"navicular_tender": True}}),
        ("not_today", "limp", {"session_check": LIMPING, "target_stage": "running"}),
        ("outside_scope", "age", {"athlete": ATHLETE | {"birth_year": 2016}}),
    ],
)
def test_what_is_to_be_resolved_is_not_overridden(clinic, because, about, body):
    held = clinic.post_battery(small("A", **body))
    every = [one["criterion"] for one in held["reasons"] if one["status"] != "met" and one["part_of"] is None]
    every += [one["about"] for one in held["holds"]]

    refused = clinic.refused(sign_offs(held), override(held, criteria_overridden=every))

    problem = assert_problem(refused, 409, "conflicts")
    assert because in held["hold_because"]
    assert places(problem) == [("#/determination", "conflicts")]
    assert f"{because} ({about}) can't be overridden" in problem["detail"]


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


@pytest.mark.parametrize("participation", ["restricted_competition", "competition"])
@pytest.mark.parametrize("determination", ["agree", "stricter"])
def test_nobody_competes_by_a_pass_of_a_stage_before_the_last(clinic, passed, determination, participation):
    body = said(passed, determination, "rebuild", rationale="why")
    position = {"stage": "rebuild", "participation": participation}

    refused = clinic.refused(sign_offs(passed), body | {"position": position})

    [fault] = assert_problem(refused, 422, "invalid_body")["errors"]
    assert (fault["pointer"], fault["code"]) == ("#/position/participation", "conflicts")
    assert "competition" in fault["detail"]
    clinic.post(sign_offs(passed), body | {"position": position | {"participation": "full_training"}})


def test_an_override_may_let_an_athlete_compete_until_a_date(clinic, held):
    position = {"stage": "rebuild", "participation": "competition"}

    clinic.post(sign_offs(held), override(held, position=position))

    assert position_of(clinic, held) == ("rebuild", "competition", "2026-11-27")


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


def test_who_rests_at_the_last_stage_and_was_never_let_there_does_so_until_a_date(clinic, passed):
    rests = {"position": {"stage": "competition", "participation": "none"}, "rationale": "flu"}
    until = {"valid_until": "2026-11-27"}

    for _ in range(2):
        problem = assert_problem(clinic.refused(positions(passed), rests), 422, "invalid_body")
        assert places(problem) == [("#/valid_until", "missing")]
        clinic.post(positions(passed), rests | until)


def test_who_rests_below_the_last_stage_or_is_taken_out_of_it_needs_no_end(clinic):
    tested = clinic.post_battery(whole("A", target_stage="competition"))
    rests = {"rationale": "hurt", "position": {"stage": "team_training", "participation": "none"}}
    clinic.post(positions(tested), rests)
    clinic.at("2026-11-21T18:00:00+01:00")
    returned = clinic.post_battery({**builders.follow_up("A")["battery"], "athlete": {"ref": "KB-1"}})
    clinic.post(sign_offs(returned), said(returned, "agree", "competition"))
    clinic.post(f"/v1/episodes/{tested['episode_id']}/events", {"kind": "re_injury", "on": "2026-11-21"})

    clinic.post(positions(tested), rests | {"position": {"stage": "competition", "participation": "none"}})

    assert position_of(clinic, tested) == ("competition", "none", None)


def test_to_compete_at_a_stage_before_the_last_ends(clinic, passed):
    body = {"position": {"stage": "rebuild", "participation": "restricted_competition"}, "rationale": "the final"}

    problem = assert_problem(clinic.refused(positions(passed), body), 422, "invalid_body")

    assert places(problem) == [("#/valid_until", "missing")]
    clinic.post(positions(passed), body | {"valid_until": "2026-11-27"})


def test_with_a_finding_open_nobody_moves_up_and_anybody_may_be_taken_out(clinic, passed):
    clinic.post(sign_offs(passed), said(passed, "agree", "rebuild"))
    told = builders.referral_answers() | {"navicular_tender": True}
    clinic.at("2026-11-21T18:00:00+01:00")
    clinic.post_battery(small("B", "2026-11-21T17:00:00+01:00", referral=told))
    until = {"rationale": "why", "valid_until": "2026-11-27"}

    def at(stage: str, participation: str) -> dict[str, Any]:
        return {"position": {"stage": stage, "participation": participation}, **until}

    for higher in (at("running", TRAINS), at("rebuild", "full_training")):
        [fault] = assert_problem(clinic.refused(positions(passed), higher), 422, "invalid_body")["errors"]
        assert (fault["pointer"], fault["code"]) == ("#/position", "conflicts")
        assert "navicular_tender" in fault["detail"]
        assert "(rebuild, modified_training)" in fault["detail"]
    clinic.post(positions(passed), at("rebuild", TRAINS))
    clinic.post(positions(passed), at("protected_loading", "none"))
    assert_problem(clinic.refused(positions(passed), at("protected_loading", TRAINS)), 422, "invalid_body")


def test_a_finding_of_another_open_episode_keeps_the_athlete_down_too(clinic, passed):
    other = EPISODE | {"ref": "KB-1-2", "involved_side": "right"}
    told = builders.referral_answers() | {"navicular_tender": True}
    found = clinic.post_battery(small("B", "2026-11-20T17:00:00+01:00", episode=other, referral=told))
    body = {"position": {"stage": "rebuild", "participation": TRAINS}, "rationale": "why", "valid_until": "2026-11-27"}

    refused = clinic.refused(positions(passed), body)

    assert places(assert_problem(refused, 422, "invalid_body")) == [("#/position", "conflicts")]
    resolution = f"/v1/episodes/{found['episode_id']}/findings/navicular_tender/resolution"
    clinic.post(resolution, {"as": "ruled_out", "rationale": "radiograph"})
    clinic.post(positions(passed), body)


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
