"""Over HTTP two forms of one text are one ref, and what can't be seen makes no ref of its own."""

from collections.abc import Callable
from typing import Any

import pytest

from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import EPISODE, Clinic, new_clinic, small

COMPOSED, DECOMPOSED = "\N{LATIN CAPITAL LETTER O WITH DIAERESIS}zil 7", "O\N{COMBINING DIAERESIS}zil 7"


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def sent(ref: str, battery: str = "A", **more: Any) -> dict[str, Any]:
    """A battery of an athlete, an episode and a ref that all have this text in theirs."""
    episode = {"ref": f"{ref}-1", "new": True, **builders.EPISODE}
    return small(f"{ref} {battery}", athlete={"ref": ref, "new": True}, episode=episode, **more)


def test_two_forms_of_a_ref_name_one_athlete(clinic: Clinic) -> None:
    first = clinic.post_battery(sent(COMPOSED))
    second = clinic.post_battery(sent(DECOMPOSED, "B", at="2026-11-20T17:00:00+01:00"))

    assert (second["athlete_id"], second["episode_id"]) == (first["athlete_id"], first["episode_id"])
    assert second["created"] == []
    assert [row["ref"] for row in clinic.found("athletes")] == [COMPOSED]


def test_one_ref_in_two_forms_is_taken(clinic: Clinic) -> None:
    clinic.post_battery(sent(COMPOSED))

    refused = clinic.refused("/v1/batteries", sent(DECOMPOSED))

    assert [one["pointer"] for one in assert_problem(refused, 409, "ref_taken")["errors"]] == ["#/ref"]


@pytest.mark.parametrize("ref", [COMPOSED, DECOMPOSED])
def test_either_form_finds_what_the_other_made(clinic: Clinic, ref: str) -> None:
    made = clinic.post_battery(sent(DECOMPOSED))

    def asked(path: str, **query: str) -> Any:
        response = clinic.clinician.get(path, query_string=query)
        assert response.status_code == 200, response.text
        return response.json

    assert asked("/v1/athletes", ref=ref)["id"] == made["athlete_id"]
    assert asked("/v1/batteries", ref=f"{ref} A")["id"] == made["battery_id"]
    assert [one["id"] for one in asked("/v1/decisions", athlete_ref=ref)["items"]] == [made["id"]]


def test_a_ref_is_changed_to_its_composed_form(clinic: Clinic) -> None:
    made = clinic.post_battery(small())

    clinic.post(f"/v1/athletes/{made['athlete_id']}/events", {"kind": "ref_changed", "ref": DECOMPOSED})

    assert clinic.row("athletes", id=made["athlete_id"])["ref"] == COMPOSED


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda ref: {"ref": ref}, "#/ref"),
        (lambda ref: {"athlete": {"ref": ref, "new": True}}, "#/athlete/ref"),
        (lambda ref: {"episode": EPISODE | {"ref": ref}}, "#/episode/ref"),
    ],
)
@pytest.mark.parametrize("character", ["\N{ZERO WIDTH SPACE}", "\N{RIGHT-TO-LEFT MARK}", "\N{NO-BREAK SPACE}", "\x07"])
def test_a_ref_with_what_can_not_be_seen_is_refused_and_nothing_is_kept(
    clinic: Clinic, change: Callable[[str], dict[str, Any]], where: str, character: str
) -> None:
    refused = clinic.refused("/v1/batteries", small(**change(f"KB{character}-1")))

    [error] = assert_problem(refused, 422, "invalid_battery")["errors"]
    assert (error["pointer"], error["code"]) == (where, "bad_text")
    assert f"U+{ord(character):04X}" in error["detail"]


def test_nobody_is_looked_up_by_what_can_not_be_seen(clinic: Clinic) -> None:
    refused = clinic.clinician.get("/v1/athletes", query_string={"ref": "KB\N{ZERO WIDTH SPACE}-1"})

    [error] = assert_problem(refused, 400, "invalid_query")["errors"]
    assert (error["pointer"], error["code"]) == ("?ref", "bad_text")
