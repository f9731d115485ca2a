"""`record ...`: a named person adds to the record at the command line, with a key of their own."""

import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.cli import at_database
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests import builders
from tests.api.test_signing import LIMPING
from tests.cli.commands import CAUTION, Ran, run
from tests.clinic import Clinic, new_clinic, small
from tests.databases import Databases
from tests.world import World, new_key

TRAINS = "modified_training"
FINDING = "navicular_tender"


class Person:
    """Runs `record` with the key of a role in a file."""

    def __init__(self, capsys: pytest.CaptureFixture[str], clinic: Clinic, folder: Path) -> None:
        self._capsys, self._clinic, self._folder = capsys, clinic, folder

    def key_file(self, key: str) -> Path:
        file = self._folder / "key"
        file.write_text(f"{key}\n", encoding="utf-8")
        return file

    def run(self, *arguments: object, role: str = CLINICIAN, key: str | None = None) -> Ran:
        file = self.key_file(key or self._clinic.world.keys[role])
        at = ("--database", self._clinic.world.url, "--key-file", file)
        return run(self._capsys, "record", *arguments, *at)

    def added(self, *arguments: object) -> dict[str, Any]:
        ran = self.run(*arguments, "--json")
        assert ran.code == 0, ran.out + ran.err
        answer: dict[str, Any] = json.loads(ran.out)
        return answer

    def refused(self, *arguments: object, **more: Any) -> dict[str, Any]:
        """The problem, where nothing was stored."""
        before = self._clinic.rows()
        ran = self.run(*arguments, "--json", **more)
        assert ran.code == 2, ran.out
        assert self._clinic.rows() == before
        problem: dict[str, Any] = json.loads(ran.out)
        return problem


@pytest.fixture
def clinic(databases: Databases, monkeypatch: pytest.MonkeyPatch) -> Iterator[Clinic]:
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        monkeypatch.setattr(at_database, "_now", clinic.world.clock)
        yield clinic
        clinic.assert_sound()
        clinic.world.context.database.close()


@pytest.fixture
def person(capsys: pytest.CaptureFixture[str], clinic: Clinic, tmp_path: Path) -> Person:
    return Person(capsys, clinic, tmp_path)


@pytest.fixture
def passed(clinic: Clinic) -> dict[str, Any]:
    return clinic.post_battery(small("A"))


@pytest.fixture
def held(clinic: Clinic) -> dict[str, Any]:
    """A hold at the second stage, for a limp and a finding."""
    told = builders.referral_answers() | {FINDING: True}
    return clinic.post_battery(small("A", session_check=LIMPING, referral=told))


def episode(clinic: Clinic, of: dict[str, Any]) -> dict[str, Any]:
    shown: dict[str, Any] = clinic.clinician.get(f"/v1/episodes/{of['episode_id']}").json
    return shown


def sign(of: dict[str, Any], determination: str, *more: object) -> tuple[object, ...]:
    return ("sign-off", of["id"], "--digest", of["digest"], "--determination", determination, *more)


def test_a_decision_is_signed_off_by_the_person_of_the_key(clinic, person, passed):
    position = ("--stage", "rebuild", "--participation", TRAINS, "--conditions", "with a brace")

    said = person.run(*sign(passed, "agree", *position, "--informed", "coach", "--informed", "athlete"))

    assert said.code == 0, said.err
    assert "sign off, recorded by Invented Clinician, physiotherapist" in said.words
    assert CAUTION in said.words
    entry = clinic.chain(passed["athlete_id"])[-1]
    assert entry.people["informed"] == ["coach", "athlete"]
    assert entry.actor == clinic.world.clinician.actor
    shown = episode(clinic, passed)["position"]
    assert (shown["stage"], shown["participation"], shown["conditions"]) == ("rebuild", TRAINS, "with a brace")


def test_an_override_says_all_that_an_override_says(clinic, person):
    held = clinic.post_battery(small("A", session_check=LIMPING, since_last=None))
    told = ("--stage", "rebuild", "--participation", TRAINS, "--rationale", "an old limp", "--until", "2026-11-27")
    named = ("--overrides", "walks-without-limp", "--overrides", "since_last")

    lacking = person.refused(*sign(held, "override", *told, *named))

    assert {(one["pointer"], one["code"]) for one in lacking["errors"]} == {
        ("--conditions", "missing"),
        ("--informed", "missing"),
    }
    whole = (*told, *named, "--conditions", "no contact", "--informed", "coach")
    assert person.added(*sign(held, "override", *whole))["kind"] == "sign_off"


def test_what_the_record_refuses_names_the_option(person, held):
    refused = person.refused(*sign(held, "agree", "--stage", "running", "--participation", TRAINS))

    assert [(one["pointer"], one["code"]) for one in refused["errors"]] == [("--stage, --participation", "conflicts")]


def test_what_was_not_seen_is_not_signed(person, passed):
    other = {**passed, "digest": "sha256:" + "0" * 64}

    assert person.refused(*sign(other, "agree"))["code"] == "digest_differs"


def test_a_position_is_set_without_a_decision(clinic, person, passed):
    where = ("--stage", "protected_loading", "--participation", "none")

    person.added("position", passed["episode_id"], *where, "--rationale", "swollen")

    assert episode(clinic, passed)["position"]["participation"] == "none"


def test_a_criterion_is_excepted(clinic, person, held):
    what = ("--stage", "rebuild", "--criterion", "walks-without-limp", "--until", "2026-11-27", "--reason", "old limp")

    person.added("exception", held["episode_id"], *what)

    [one] = episode(clinic, held)["exceptions"]
    assert (one["criterion"], one["until"], one["reason"], one["in_force"]) == (
        "walks-without-limp",
        "2026-11-27",
        "old limp",
        True,
    )


def test_a_finding_is_resolved(clinic, person, held):
    person.added("finding", held["episode_id"], FINDING, "--as", "ruled_out", "--rationale", "Radiographs.")

    [one] = episode(clinic, held)["findings"]
    assert (one["resolved"]["as"], one["resolved"]["rationale"]) == ("ruled_out", "Radiographs.")


def test_a_finding_that_nobody_raised_is_not_found(person, passed):
    said = ("finding", passed["episode_id"], FINDING, "--as", "ruled_out", "--rationale", "x")

    assert person.refused(*said)["code"] == "not_found"


def test_an_event_names_the_decisions_that_it_takes_away(clinic, person, passed):
    said = person.run("event", passed["episode_id"], "--kind", "setback", "--on", "2026-11-20")

    assert said.code == 0, said.err
    assert f"{passed['id']} does not stand any more" in said.out
    assert CAUTION in said.words
    assert clinic.state_of(passed["id"]) == "withdrawn"


def test_an_episode_is_closed_with_its_cause(clinic, person, passed):
    clinic.at("2026-11-22T09:00:00+01:00")

    assert "missing" in person.run("close", passed["episode_id"], "--on", "2026-11-22").err
    person.added("close", passed["episode_id"], "--on", "2026-11-22", "--cause", "back in the team")

    shown = episode(clinic, passed)
    assert shown["closed_on"] == "2026-11-22"
    assert "Episode closed: back in the team." in [one["sentence"] for one in shown["timeline"]]


# Who may


@pytest.mark.parametrize("role", [SUBMITTER, ADMINISTRATOR])
def test_only_a_clinician_adds(person, passed, role):
    assert person.refused(*sign(passed, "agree"), role=role)["code"] == "forbidden"


def test_a_clinicians_system_signs_nothing(clinic, person, passed):
    world: World = clinic.world
    told = {"kind": "system", "display_name": "Invented clinic system"}
    key = new_key(world.context, world.organisation, roles=[CLINICIAN], **told)

    assert person.refused(*sign(passed, "agree"), key=key)["code"] == "forbidden"


@pytest.mark.parametrize("key", ["nothing", "rts_" + "0" * 32 + "_" + "x" * 43])
def test_what_is_no_key_opens_nothing(person, passed, key):
    assert person.refused(*sign(passed, "agree"), key=key)["code"] == "unauthenticated"


def test_the_key_can_come_from_standard_input_and_is_never_repeated(capsys, clinic, monkeypatch, passed):
    key = clinic.world.keys[CLINICIAN]
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{key}\n"))
    at = ("--database", clinic.world.url, "--key-file")

    said = run(capsys, "record", *sign(passed, "agree"), *at, "-")
    mistaken = run(capsys, "record", *sign(passed, "agree"), *at, key)
    monkeypatch.setattr(sys, "stdin", None)
    closed = run(capsys, "record", *sign(passed, "agree"), *at, "-")

    assert (said.code, mistaken.code, closed.code) == (0, 2, 2)
    assert key not in said.out + said.err + mistaken.out + mistaken.err


def test_an_id_that_is_none_is_told(person):
    refused = person.refused("position", "KB-1", "--rationale", "x")

    assert [(one["pointer"], one["code"]) for one in refused["errors"]] == [("EPISODE", "bad_text")]
