"""Which version judges: what is live, the greatest of these, and not if it is retired."""

import json
from copy import deepcopy
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from service.domain.battery import catalogue_faults
from service.domain.canonical import canonical, digest
from service.domain.criteria import CriteriaSet
from service.domain.errors import (
    AmbiguousCriteriaSetError,
    ConflictError,
    NoCriteriaInForceError,
    NotFoundError,
    ServiceError,
)
from service.store import criteria as store
from service.store.criteria import NewVersion
from service.use_cases.in_force import Known, by_digest, catalogue, choose
from tests.builders import CRITERIA_SETS
from tests.world import World, new_world

SPRAIN = "lateral_ankle_sprain"
SHIPPED = "lateral-ankle-sprain"
DOCUMENT = json.loads(Path(CRITERIA_SETS / SHIPPED / "1.resolved.json").read_text(encoding="utf-8"))


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


def version(number: int, begins: str, *, set_id: str = SHIPPED, conditions: tuple[str, ...] = (SPRAIN,)) -> NewVersion:
    document = deepcopy(DOCUMENT) | {"id": set_id, "version": number}
    document["scope"]["conditions"] = list(conditions)
    text = canonical(document)
    return NewVersion(set_id, number, digest(text), text, None, None, date.fromisoformat(begins))


def adopted(world: World, *versions: NewVersion) -> None:
    by = world.administrator

    def work(tx: Any) -> None:
        for one in versions:
            store.adopt(tx, by.organisation, one, by=by.actor, at=world.clock())

    world.context.database.write(work)


def retired(world: World, name: str, day: str, reason: str = "recalled") -> None:
    by = world.administrator

    def work(tx: Any) -> None:
        one = next(one for one in store.adopted(tx, by.organisation) if one.name == name)
        begin = date.fromisoformat(day)
        store.retire(tx, by.organisation, one, retired_from=begin, reason=reason, by=by.actor, at=world.clock())

    world.context.database.write(work)


def chosen(world: World, on: str, **asked: Any) -> CriteriaSet:
    asked = {"condition": SPRAIN, **asked}
    organisation = world.administrator.organisation
    return world.context.database.read(lambda tx: choose(tx, organisation, on=date.fromisoformat(on), **asked))


def name_of(one: CriteriaSet) -> str:
    return f"{one.id}/{one.version}"


def refused(world: World, on: str, **asked: Any) -> ServiceError:
    with pytest.raises(ServiceError) as caught:
        chosen(world, on, **asked)
    return caught.value


@pytest.mark.parametrize(
    ("on", "judges"),
    [("2026-11-30", f"{SHIPPED}/1"), ("2026-12-01", f"{SHIPPED}/2"), ("2026-12-02", f"{SHIPPED}/2")],
)
def test_a_version_judges_from_its_day_on(world: World, on: str, judges: str) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-12-01"))
    assert name_of(chosen(world, on)) == judges


def test_before_the_first_day_none_is_in_force_and_the_day_is_named(world: World) -> None:
    adopted(world, version(1, "2026-01-01"))
    error = refused(world, "2025-12-31")
    assert isinstance(error, NoCriteriaInForceError)
    assert error.in_force_from == "2026-01-01"
    assert "the first day on which one is, is 2026-01-01" in error.message


def test_nothing_adopted_is_said_so(world: World) -> None:
    error = refused(world, "2026-11-20")
    assert isinstance(error, NoCriteriaInForceError)
    assert error.in_force_from is None
    assert "an administrator adopts" in error.message


def test_a_version_judges_to_the_day_before_its_retirement(world: World) -> None:
    adopted(world, version(1, "2026-01-01"))
    retired(world, f"{SHIPPED}/1", "2026-12-01")
    assert name_of(chosen(world, "2026-11-30")) == f"{SHIPPED}/1"


@pytest.mark.parametrize("on", ["2026-12-01", "2026-12-02"])
def test_a_retired_version_judges_nobody(world: World, on: str) -> None:
    adopted(world, version(1, "2026-01-01"))
    retired(world, f"{SHIPPED}/1", "2026-12-01")
    error = refused(world, on)
    assert isinstance(error, NoCriteriaInForceError)
    assert f"{SHIPPED}/1 is retired from 2026-12-01 on (recalled)" in error.message


def test_retiring_revives_nothing_older(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"))
    retired(world, f"{SHIPPED}/2", "2026-09-01")
    assert name_of(chosen(world, "2026-08-31")) == f"{SHIPPED}/2"
    assert isinstance(refused(world, "2026-09-01"), NoCriteriaInForceError)


def test_the_next_version_ends_a_gap_and_its_day_is_named(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2027-01-01"))
    retired(world, f"{SHIPPED}/1", "2026-06-01")
    error = refused(world, "2026-06-01")
    assert isinstance(error, NoCriteriaInForceError)
    assert error.in_force_from == "2027-01-01"


@pytest.mark.parametrize("retired_from", ["2026-05-31", "2026-06-01"])
def test_a_version_withdrawn_before_it_began_leaves_the_older_in_force(world: World, retired_from: str) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"))
    retired(world, f"{SHIPPED}/2", retired_from)
    assert name_of(chosen(world, "2026-06-02")) == f"{SHIPPED}/1"


def test_a_version_retired_the_day_after_it_began_was_in_force_for_a_day(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"))
    retired(world, f"{SHIPPED}/2", "2026-06-02")
    assert name_of(chosen(world, "2026-06-01")) == f"{SHIPPED}/2"
    assert isinstance(refused(world, "2026-06-02"), NoCriteriaInForceError)


def test_only_sets_made_for_the_condition_are_looked_at(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(1, "2026-01-01", set_id="knee", conditions=("acl_rupture",)))
    assert name_of(chosen(world, "2026-11-20", condition="acl_rupture")) == "knee/1"
    assert isinstance(refused(world, "2026-11-20", condition="groin_strain"), NoCriteriaInForceError)


def test_several_sets_for_a_condition_ask_for_a_name(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(1, "2026-01-01", set_id="club-ankle"))
    error = refused(world, "2026-11-20")
    assert isinstance(error, AmbiguousCriteriaSetError)
    assert error.sets == ("club-ankle", SHIPPED)
    assert name_of(chosen(world, "2026-11-20", set_id="club-ankle")) == "club-ankle/1"


def test_a_set_that_is_named_judges_whatever_the_condition(world: World) -> None:
    adopted(world, version(1, "2026-01-01"))
    assert name_of(chosen(world, "2026-11-20", set_id=SHIPPED, condition="acl_rupture")) == f"{SHIPPED}/1"


def test_the_condition_is_that_of_the_version_in_force(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01", conditions=("acl_rupture",)))
    assert name_of(chosen(world, "2026-05-31")) == f"{SHIPPED}/1"
    error = refused(world, "2026-06-01")
    assert isinstance(error, NoCriteriaInForceError)
    assert error.in_force_from is None
    assert isinstance(refused(world, "2026-05-31", condition="acl_rupture"), NoCriteriaInForceError)


def test_the_version_asserted_is_the_one_in_force(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"), version(3, "2027-01-01"))
    assert name_of(chosen(world, "2026-11-20", version=2)) == f"{SHIPPED}/2"


def test_the_first_day_is_one_on_which_the_version_in_force_is_made_for_the_condition(world: World) -> None:
    later = version(3, "2027-06-01", conditions=(SPRAIN, "acl_rupture"))
    adopted(world, version(1, "2026-01-01"), version(2, "2027-01-01"), later)
    error = refused(world, "2026-11-20", condition="acl_rupture")
    assert isinstance(error, NoCriteriaInForceError)
    assert error.in_force_from == "2027-06-01"


def test_a_version_withdrawn_before_it_began_is_asserted_in_vain(world: World) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"))
    retired(world, f"{SHIPPED}/2", "2026-06-01")
    assert "was withdrawn before it began" in refused(world, "2026-11-20", version=2).message


@pytest.mark.parametrize(
    ("asserted", "said"), [(1, "was replaced by it"), (3, "is in force from 2027-01-01"), (9, "is not adopted")]
)
def test_another_version_than_the_one_in_force_is_a_conflict(world: World, asserted: int, said: str) -> None:
    adopted(world, version(1, "2026-01-01"), version(2, "2026-06-01"), version(3, "2027-01-01"))
    error = refused(world, "2026-11-20", version=asserted)
    assert isinstance(error, ConflictError)
    assert error.code == "version_not_in_force"
    assert error.errors[0].pointer == "#/criteria_version"
    assert said in error.message


def test_nothing_of_another_organisation_is_seen(world: World, database_url: str) -> None:
    adopted(world, version(1, "2026-01-01", set_id="other-clinic"))
    other = new_world(database_url)
    digest_ = chosen(world, "2026-11-20").digest
    assert isinstance(refused(other, "2026-11-20"), NoCriteriaInForceError)
    unknown = "sha256:" + "0" * 64
    organisation = other.administrator.organisation
    with pytest.raises(NotFoundError):
        other.context.database.read(lambda tx: by_digest(tx, organisation, unknown))
    assert digest_ != unknown


def test_a_set_is_read_once_for_the_whole_process(world: World) -> None:
    adopted(world, version(1, "2026-01-01"))
    first = chosen(world, "2026-11-20")
    organisation = world.administrator.organisation
    again = world.context.database.read(lambda tx: by_digest(tx, organisation, first.digest))
    assert again is first is chosen(world, "2026-11-21")


def test_a_document_that_is_not_its_digest_judges_nobody(world: World) -> None:
    adopted(world, replace(version(1, "2026-01-01", set_id="tampered"), digest="sha256:" + "1" * 64))
    with pytest.raises(RuntimeError, match="is not what"):
        chosen(world, "2026-11-20", set_id="tampered")


def known(world: World) -> Known:
    organisation = world.administrator.organisation
    return world.context.database.read(lambda tx: catalogue(tx, organisation))


def test_without_any_version_nothing_says_what_can_be_measured(world: World) -> None:
    with pytest.raises(NoCriteriaInForceError, match="no criteria set is adopted"):
        known(world)


def test_the_newest_definition_of_a_test_wins(world: World) -> None:
    older, newer = deepcopy(DOCUMENT), deepcopy(DOCUMENT) | {"version": 2}
    test = newer["catalogue"]["tests"]["heel_rise_repetitions"] | {"title": "Heel rises of the newest version"}
    older["catalogue"]["tests"]["test_of_the_past"] = test
    newer["catalogue"]["tests"]["heel_rise_repetitions"] = test
    newer["referral"] = [*newer["referral"], {"id": "new_question", "ask": "?", "action": "!"}]
    for number, document in enumerate((older, newer), start=1):
        text = canonical(document)
        world.at(f"2026-11-2{number}T12:00:00+01:00")
        adopted(world, NewVersion(SHIPPED, number, digest(text), text, None, None, date(2026, number, 1)))
    found = known(world)
    assert found.catalogue.tests["heel_rise_repetitions"].title == "Heel rises of the newest version"
    assert "test_of_the_past" in found.catalogue.tests
    assert found.referral[-1] == "new_question"


def test_a_battery_that_no_set_judges_is_read_against_the_union(world: World) -> None:
    adopted(world, version(1, "2027-01-01"))
    found = known(world)
    battery = {"measurements": [{"test": "no_such_test", "trials": []}]}
    assert [fault.code for fault in catalogue_faults(battery, *found)] == ["unknown_name"]
