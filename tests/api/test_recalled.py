"""A criteria version that was recalled, and no other in force: it judges nothing again, and nobody moves up by it."""

from typing import Any

import pytest

from service.domain.criteria import read_criteria_set
from tests import builders
from tests.clinic import SET, Clinic, adopt, ankle_set, new_clinic, whole


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def retire(clinic: Clinic, from_: str, version: int = 1) -> None:
    said = {"retired_from": from_, "reason": "a limit was mistyped"}
    answer = clinic.administrator.post(f"/v1/criteria-sets/{SET}/versions/{version}/retire", said)
    assert answer.status_code == 201, answer.text


def morning(clinic: Clinic) -> dict[str, Any]:
    clinic.at("2026-11-21T09:00:00+01:00")
    return clinic.post_battery(builders.follow_up("A")["battery"] | {"athlete": {"ref": "KB-1"}})


def test_the_morning_is_judged_by_the_version_of_its_evening_where_that_was_retired_overnight(clinic):
    clinic.post_battery(whole("A"))
    retire(clinic, "2026-11-21")

    assert morning(clinic)["criteria_set"]["version"] == 1


@pytest.mark.parametrize("from_", ["2020-01-01", "2026-11-01", "2026-11-20"])
def test_the_morning_is_kept_only_where_the_version_of_its_evening_was_recalled(clinic, from_):
    clinic.post_battery(whole("A"))
    retire(clinic, from_)

    assert "outcome" not in morning(clinic)


def test_the_morning_is_judged_by_the_version_left_where_that_of_its_evening_never_began(clinic):
    second = read_criteria_set({**ankle_set().document, "version": 2})
    adopt(clinic.world, second, "2026-11-20")
    assert clinic.post_battery(whole("A"))["criteria_set"]["version"] == 2
    retire(clinic, "2026-11-20", version=2)

    assert morning(clinic)["criteria_set"]["version"] == 1
