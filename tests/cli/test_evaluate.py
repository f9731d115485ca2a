"""`evaluate` judges what a file holds and says so by its exit code."""

import io
import json
import sys
from typing import Any

import pytest

from schemas.decision import DecisionSchema
from tests import builders
from tests.cli.commands import CAUTION, EXAMPLE, HELD, SET, example, run, written


def decision(out: str) -> dict[str, Any]:
    """The JSON printed, which the decision's own schema takes."""
    answer: dict[str, Any] = json.loads(out)
    DecisionSchema().load(answer)
    return answer


def test_a_pass_is_exit_code_0(capsys):
    ran = run(capsys, "evaluate", EXAMPLE)

    assert ran.code == 0
    assert ran.out.startswith("PASS: Team training\n")
    assert ran.err == ""


def test_a_hold_is_exit_code_3(capsys):
    ran = run(capsys, "evaluate", HELD)

    assert ran.code == 3
    assert ran.out.startswith("HOLD: Team training\n")


@pytest.mark.parametrize(("file", "code"), [(EXAMPLE, 0), (HELD, 3)])
@pytest.mark.parametrize("working", [(), ("--working",)])
def test_the_json_is_a_decision_by_its_own_schema(capsys, file, code, working):
    ran = run(capsys, "evaluate", file, "--json", *working)

    answer = decision(ran.out)
    assert ran.code == code
    assert all(("working" in reason) == bool(working) for reason in answer["reasons"])


def test_the_json_names_no_positions_of_the_file(capsys):
    answer = decision(run(capsys, "evaluate", EXAMPLE, "--json").out)

    inputs = [read for reason in answer["reasons"] for read in reason["inputs"]]
    assert inputs
    assert not any({"battery_id", "entry", "entries"} & set(read) for read in inputs)
    assert answer["used"] == [{"performed_at": "2026-11-20T15:30:00.000000Z"}]


def test_a_reason_carries_the_texts_of_the_set(capsys):
    answer = decision(run(capsys, "evaluate", EXAMPLE, "--json").out)

    reason = next(one for one in answer["reasons"] if one["criterion"] == "side-hop-floor")
    assert reason["test"] == "side_hop_time"
    assert reason["measured"] == {"value": "90", "unit": "%"}
    assert reason["threshold"] == {"comparator": "at_least", "value": "80", "unit": "%"}
    assert (reason["evidence"], reason["grade"], reason["sources"]) == ("practice", "C", [])
    assert "rosen-2019" in reason["see"]
    assert reason["required"]


def test_parts_are_not_required_and_say_what_they_are_part_of(capsys):
    answer = decision(run(capsys, "evaluate", EXAMPLE, "--json").out)

    part = next(one for one in answer["reasons"] if one["criterion"] == "triple-hop-85")
    assert (part["part_of"], part["required"], part["code"]) == ("hop-choice", False, "missing_test")


def test_holds_carry_their_sentence(capsys, tmp_path):
    body = example()
    body["referral"]["navicular_tender"] = True

    answer = decision(run(capsys, "evaluate", written(tmp_path / "b.json", body), "--json").out)
    assert [(one["kind"], one["about"]) for one in answer["holds"]] == [("finding_open", "navicular_tender")]
    assert "navicular" in answer["holds"][0]["statement"]
    assert answer["holds"][0]["action"] == "Radiographs of the foot before any loading."
    assert answer["next_steps"]["may_continue"] == []


def test_entries_not_read_are_told_with_the_verdict(capsys, tmp_path):
    first = builders.battery(target_stage="team_training")
    event = {"event": {"kind": "re_injury", "on": "2026-11-21"}}
    void = {"void": {"entry": "KB-1", "at": "2026-11-22T10:00:00+01:00", "reason": "wrong athlete"}}
    file = written(tmp_path / "e.json", builders.file(first, event, void))

    answer = decision(run(capsys, "evaluate", file, "--json").out)
    text = run(capsys, "evaluate", file).out
    said = "2 entries after the last battery are not read: re injury on 2026-11-21 and void on 2026-11-22"
    assert {"code": "not_read", "detail": said} in answer["data_quality"]
    assert text.splitlines()[2].startswith("But 2 entries after the last battery are not read: re")
    assert "not_read" not in run(capsys, "evaluate", file, "--json", "--as-of", "2026-11-22T12:00:00+01:00").out


def test_standard_input_is_read_for_a_dash(capsys, monkeypatch):
    class Piped:
        buffer = io.BytesIO(EXAMPLE.read_bytes())

    monkeypatch.setattr(sys, "stdin", Piped())
    assert run(capsys, "evaluate", "-").code == 0


def test_the_stage_of_the_command_goes_before_that_of_the_file(capsys):
    ran = run(capsys, "evaluate", EXAMPLE, "--stage", "protected_loading")

    assert ran.out.startswith("PASS: Protected loading\n")


def test_without_a_stage_the_stages_are_named(capsys, tmp_path):
    ran = run(capsys, "evaluate", written(tmp_path / "b.json", example(target_stage=None)))

    assert ran.code == 2
    assert "no stage was named" in ran.err
    assert "hop_and_cut, team_training, competition" in ran.err


def test_an_unknown_stage_is_answered_with_the_stages(capsys):
    ran = run(capsys, "evaluate", EXAMPLE, "--stage", "team-training")

    assert ran.code == 2
    assert "no stage 'team-training'" in ran.err
    assert "protected_loading" in ran.err


def test_the_shipped_set_for_the_condition_is_the_default(capsys, tmp_path):
    body = example(criteria_set=None)

    answer = decision(run(capsys, "evaluate", written(tmp_path / "b.json", body), "--json").out)
    assert answer["criteria_set"]["id"] == "lateral-ankle-sprain"


def test_without_a_set_for_the_condition_the_conditions_are_named(capsys, tmp_path):
    body = example(criteria_set=None)
    body["episode"]["condition"] = "hamstring_strain"

    ran = run(capsys, "evaluate", written(tmp_path / "b.json", body))
    assert ran.code == 2
    assert "'hamstring_strain'" in ran.err
    assert "lateral_ankle_sprain" in ran.err


@pytest.mark.parametrize("name", ["lateral-ankle-sprain", "lateral-ankle-sprain/1", SET / "1.yaml"])
def test_a_set_is_named_by_id_by_version_or_by_the_path_of_a_draft(capsys, name):
    assert run(capsys, "evaluate", EXAMPLE, "--set", name).code == 0


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("lateral-ankle-sprain/99", "there is no released criteria set lateral-ankle-sprain/99"),
        ("knee", "there is no released criteria set 'knee'; released are lateral-ankle-sprain"),
        ("No Such Name", "'No Such Name' names no criteria set"),
        ("missing/1.yaml", "there is no file missing/1.yaml"),
    ],
)
def test_an_unknown_set_is_refused(capsys, name, said):
    ran = run(capsys, "evaluate", EXAMPLE, "--set", name)

    assert ran.code == 2
    assert said in ran.err


@pytest.mark.parametrize(("version", "code"), [(1, 0), (99, 2)])
def test_the_version_that_a_file_names_judges_it(capsys, tmp_path, version, code):
    for named in ({"criteria_set": "lateral-ankle-sprain"}, {"criteria_set": None}):
        body = example(**named, criteria_version=version)
        assert run(capsys, "evaluate", written(tmp_path / "b.json", body)).code == code


def test_a_draft_with_faults_is_refused_with_their_places(capsys, tmp_path):
    draft = tmp_path / "lateral-ankle-sprain" / "2.yaml"
    draft.parent.mkdir()
    draft.write_text("id: lateral-ankle-sprain\n", encoding="utf-8")

    ran = run(capsys, "evaluate", EXAMPLE, "--set", draft)
    assert ran.code == 2
    assert f"{draft}:1 #/stages: this field is required" in ran.err


def test_without_as_of_a_battery_is_judged_as_just_posted(capsys, tmp_path):
    file = written(tmp_path / "e.json", builders.file(builders.battery(target_stage="competition")))
    ran = run(capsys, "evaluate", file)

    assert ran.code == 3
    assert "AWAITING AN ANSWER (1)" in ran.out
    assert "Judged on what was stored" not in ran.out


def test_with_as_of_it_is_judged_on_what_is_stored(capsys, tmp_path):
    late = {"event": {"kind": "giving_way", "on": "2026-11-21"}}
    file = written(tmp_path / "e.json", builders.file(builders.battery(target_stage="team_training"), late))

    posted = run(capsys, "evaluate", file)
    stored = run(capsys, "evaluate", file, "--as-of", "2026-11-22T09:00:00+01:00")
    assert posted.code == 0
    assert "But 1 entry after the last battery is not read: giving way on 2026-11-21. --as-of" in posted.words
    assert stored.code == 3
    assert "Judged on what was stored at 2026-11-22 08:00 UTC; today is 2026-11-22." in stored.words
    assert "was shown before the last setback" in stored.words


def test_the_as_of_of_a_file_counts_where_the_command_names_none(capsys, tmp_path):
    document = builders.file(builders.battery(target_stage="team_training")) | {"as_of": "2026-11-22T09:00:00+01:00"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert "Judged on what was stored" in ran.out


def test_the_zone_decides_the_local_date(capsys, tmp_path):
    body = example(performed_at="2026-11-20T23:30:00Z")
    file = written(tmp_path / "b.json", body)

    assert "tested on 2026-11-20" in run(capsys, "evaluate", file).words
    assert "tested on 2026-11-21" in run(capsys, "evaluate", file, "--zone", "Europe/Berlin").words


def test_a_follow_up_told_in_time_is_judged(capsys, tmp_path):
    document = builders.file() | {"target_stage": "competition"}

    assert run(capsys, "evaluate", written(tmp_path / "e.json", document)).code == 0


def test_a_follow_up_told_too_late_is_not_judged(capsys, tmp_path):
    second = builders.battery("KB-2", "2026-11-21T07:00:00+01:00")
    document = builders.file(builders.battery(), second, builders.follow_up()) | {"target_stage": "competition"}
    file = written(tmp_path / "e.json", document)

    text = run(capsys, "evaluate", file)
    answer = run(capsys, "evaluate", file, "--json")
    assert (text.code, answer.code) == (0, 0)
    assert text.out.startswith("NOT JUDGED: Competition\nLateral ankle sprain, left\n\nThe file ends with a")
    assert "Criteria: Lateral ankle sprain, lateral-ankle-sprain/1" in text.out
    assert CAUTION in text.words
    assert json.loads(answer.out)["outcome"] is None
    assert CAUTION in json.loads(answer.out)["caution"]["text"]


def test_several_athletes_are_refused(capsys, tmp_path):
    first = builders.battery(athlete={"ref": "KB-0417"})
    second = builders.battery("KB-2", "2026-11-22T16:30:00+01:00", athlete={"ref": "KB-0533"})

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", builders.file(first, second)))
    assert ran.code == 2
    assert "#/entries/1/battery/athlete/ref  conflicts: one athlete is judged at a time" in ran.err


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": "baseline", "episode": None, "referral": None, "since_last": None},
        {"kind": "follow_up", "follows": {"ref": "KB-1"}, "occasion": None, "referral": None, "setup": None},
    ],
)
def test_one_battery_that_is_no_assessment_is_refused(capsys, tmp_path, changes):
    changes |= {"criteria_set": None, "target_stage": None}
    if changes["kind"] == "follow_up":
        changes["measurements"] = None

    ran = run(capsys, "evaluate", written(tmp_path / "b.json", example(**changes)), "--stage", "competition")
    assert ran.code == 2
    assert "one battery is judged only if it is an assessment" in ran.err


def test_a_file_that_ends_with_a_baseline_is_refused(capsys, tmp_path):
    late = builders.baseline("KB-9", "2026-11-22T10:00:00+01:00", [])
    document = builders.file(builders.battery(), late) | {"target_stage": "competition"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert ran.code == 2
    assert "#/entries/1/battery/kind  conflicts: the last battery is a baseline" in ran.err


def test_an_episode_without_a_test_is_held_and_says_so(capsys, tmp_path):
    void = {"void": {"entry": "KB-1", "at": "2026-11-21T10:00:00+01:00", "reason": "wrong athlete"}}
    document = builders.file(builders.battery(), builders.follow_up(), void) | {"target_stage": "running"}
    file = written(tmp_path / "e.json", document)

    ran = run(capsys, "evaluate", file, "--as-of", "2026-11-22T09:00:00+01:00", "--working")
    answer = decision(run(capsys, "evaluate", file, "--as-of", "2026-11-22T09:00:00+01:00", "--json").out)
    assert ran.code == 3
    assert "Lateral ankle sprain, left, not tested" in ran.out
    assert answer["used"] == []


def test_the_faults_of_a_draft_are_a_problem_in_json(capsys, tmp_path):
    draft = tmp_path / "x" / "1.yaml"
    draft.parent.mkdir()
    draft.write_text("- a list\n", encoding="utf-8")

    problem = json.loads(run(capsys, "evaluate", EXAMPLE, "--set", draft, "--json").out)
    assert problem["code"] == "criteria_faults"
    assert problem["errors"][0]["pointer"].startswith(f"{draft}:1 #")
