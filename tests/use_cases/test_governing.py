"""Governance of criteria: adopted, drafted, checked, published, replaced, retired; each change once and in order."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.errors import (
    ConflictError,
    CriteriaFaultsError,
    KeyReusedError,
    NoCriteriaInForceError,
    NotFoundError,
    ReleasedVersionError,
    ServiceError,
    UnknownCriteriaSetError,
)
from service.store.tables import audit_log
from service.use_cases.check_criteria import check_criteria
from service.use_cases.criteria_text import Named, Text, named, renamed
from service.use_cases.drafting import change_draft, check_draft, delete_draft, list_drafts, make_draft, show_draft
from service.use_cases.governing import adopt, publish, publish_text, retire
from service.use_cases.in_force import choose
from service.use_cases.judging_examples import TOO_LONG
from service.use_cases.showing_criteria import list_sets, show_set, show_source, show_version
from tests.tiny_set import EXAMPLES, SOURCE, TEXT, own, shipping
from tests.world import World, new_world

TINY, CLUB = "tiny-sprain", "club-sprain"
ADOPTED = Named(TINY, 1)
TODAY = date(2026, 11, 20)
YESTERDAY, TOMORROW = TODAY - timedelta(days=1), TODAY + timedelta(days=1)


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shipping(tmp_path_factory.mktemp("shipped"))


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


class Office:
    """The administrator at work: each use case with the world and the shipped folder of the test."""

    def __init__(self, world: World, shipped: Path) -> None:
        self.world, self.shipped = world, shipped
        self.context, self.caller = world.context, world.administrator

    def adopt(self, begins: date, *, key: str | None = None, version: int = 1, **more: Any) -> Any:
        body = {"id": TINY, "version": version, "in_force_from": begins, **more}
        return adopt(self.context, self.caller, body, key=key, shipped=self.shipped)

    def draft(self, text: Text | None = None, *, key: str | None = None, **body: Any) -> Any:
        sent = body or {"source": (text or own()).source, "examples": EXAMPLES}
        return make_draft(self.context, self.caller, sent, key=key, shipped=self.shipped)

    def publish(self, begins: date, *, version: int = 1, key: str | None = None, **body: Any) -> Any:
        name, sent = Named(CLUB, version), {"in_force_from": begins, **body}
        return publish(self.context, self.caller, name, sent, key=key, shipped=self.shipped)

    def published(self, begins: date, *, version: int = 1, text: Text | None = None, **body: Any) -> Any:
        sent = {"in_force_from": begins, **body}
        return publish_text(self.context, self.caller, text or own(version=version), sent, shipped=self.shipped)

    def retire(self, begins: date, *, name: Named = ADOPTED, reason: str = "recalled", **more: Any) -> Any:
        return retire(self.context, self.caller, name, {"retired_from": begins, "reason": reason}, **more)

    def check(self, version: int = 1) -> Any:
        return check_draft(self.context, self.caller, Named(CLUB, version), shipped=self.shipped)

    def judging(self, on: date, **asked: Any) -> str:
        organisation = self.caller.organisation
        asked = {"condition": "mini_sprain", **asked}
        one = self.context.database.read(lambda tx: choose(tx, organisation, on=on, **asked))
        return f"{one.id}/{one.version}"

    def audited(self) -> list[tuple[str, str | None]]:
        asked = (
            sa.select(audit_log.c.action, audit_log.c.object_id)
            .where(audit_log.c.organisation_id == self.caller.organisation, audit_log.c.action.contains("criteria"))
            .order_by(audit_log.c.id)
        )
        return [tuple(row) for row in self.context.database.read(lambda tx: tx.execute(asked).all())]


@pytest.fixture
def office(world: World, shipped: Path) -> Office:
    return Office(world, shipped)


def of_another_condition(version: int, set_id: str = CLUB) -> Text:
    text = own(set_id, version)
    return Text(*(part.replace("mini_sprain", "other_sprain") for part in text))


def refused(work: Callable[[], object]) -> ServiceError:
    with pytest.raises(ServiceError) as caught:
        work()
    return caught.value


# ---- Adopting


@pytest.mark.parametrize("begins", [date(2020, 1, 1), YESTERDAY, TODAY, TOMORROW])
def test_the_first_version_of_a_set_begins_on_any_day(office: Office, begins: date) -> None:
    done = office.adopt(begins)
    assert done.is_new
    assert not done.replayed
    assert done.answer["in_force_from"] == begins.isoformat()
    assert done.answer["state"] == ("coming" if begins > TODAY else "in_force")
    assert office.judging(begins) == f"{TINY}/1"
    assert isinstance(refused(lambda: office.judging(begins - timedelta(days=1))), NoCriteriaInForceError)


def test_adopting_keeps_the_document_and_the_texts(office: Office) -> None:
    answer = office.adopt(TODAY).answer
    shown = show_version(office.context, office.caller, Named(TINY, 1), shipped=office.shipped)
    assert shown["digest"] == answer["digest"]
    assert shown["document"]["criteria"]["pain-low"]["at_most"] == 2
    assert show_source(office.context, office.caller, Named(TINY, 1), shipped=office.shipped) == SOURCE


def test_adopting_the_same_again_changes_nothing(office: Office) -> None:
    office.adopt(TODAY)
    assert not office.adopt(TODAY).is_new
    assert office.audited() == [("adopt_criteria", f"{TINY}/1")]


@pytest.mark.parametrize("begins", [YESTERDAY, TOMORROW])
def test_adopting_from_another_day_is_refused(office: Office, begins: date) -> None:
    office.adopt(TODAY)
    error = refused(lambda: office.adopt(begins))
    assert isinstance(error, ReleasedVersionError)
    assert "in force from 2026-11-20" in error.message


def test_what_does_not_ship_can_not_be_adopted(office: Office) -> None:
    assert isinstance(refused(lambda: office.adopt(TODAY, version=2)), UnknownCriteriaSetError)


def test_a_retry_of_adopting_is_answered_and_not_done_again(office: Office) -> None:
    first = office.adopt(TODAY, key="a")
    again = office.adopt(TODAY, key="a")
    assert again.replayed
    assert (again.id, again.answer) == (first.id, first.answer)
    assert isinstance(refused(lambda: office.adopt(TOMORROW, key="a")), KeyReusedError)


# ---- Publishing, in order


@pytest.mark.parametrize(("begins", "is_refused"), [(YESTERDAY, True), (TODAY, False), (TOMORROW, False)])
def test_a_later_version_begins_today_at_the_earliest(office: Office, begins: date, *, is_refused: bool) -> None:
    office.published(date(2026, 1, 1))
    if is_refused:
        error = refused(lambda: office.published(begins, version=2))
        assert isinstance(error, ConflictError)
        assert [fault.pointer for fault in error.errors] == ["#/in_force_from"]
        assert "choose 2026-11-20 or a later day" in error.message
    else:
        assert office.published(begins, version=2).is_new


def test_today_is_the_organisations(office: Office) -> None:
    office.published(date(2026, 1, 1))
    office.world.at("2026-11-20T23:30:00+00:00")  # half past midnight in Berlin
    assert isinstance(refused(lambda: office.published(TODAY, version=2)), ConflictError)
    assert office.published(TOMORROW, version=2).is_new


@pytest.mark.parametrize(("day", "is_refused"), [(-1, True), (0, True), (1, False)])
def test_a_later_version_begins_after_every_other(office: Office, day: int, *, is_refused: bool) -> None:
    coming = TODAY + timedelta(days=30)
    office.published(coming)
    begins = coming + timedelta(days=day)
    if is_refused:
        error = refused(lambda: office.published(begins, version=2))
        assert isinstance(error, ConflictError)
        assert [fault.pointer for fault in error.errors] == ["#/in_force_from"]
    else:
        assert office.published(begins, version=2).is_new


def test_a_version_withdrawn_before_it_began_holds_no_day(office: Office) -> None:
    office.published(date(2026, 1, 1))
    office.published(date(2062, 12, 1), version=2)  # a slip of the pen
    office.retire(TODAY, name=Named(CLUB, 2))
    assert office.published(TOMORROW, version=3).is_new
    assert office.judging(TODAY) == f"{CLUB}/1"
    assert office.judging(TOMORROW) == f"{CLUB}/3"


@pytest.mark.parametrize(("version", "is_refused"), [(4, True), (6, False)])
def test_a_number_comes_after_every_other(office: Office, version: int, *, is_refused: bool) -> None:
    office.published(date(2026, 1, 1), version=5)
    if is_refused:
        error = refused(lambda: office.published(TODAY, version=version))
        assert isinstance(error, ConflictError)
        assert [fault.pointer for fault in error.errors] == ["#/version"]
    else:
        assert office.published(TODAY, version=version).is_new


def test_publishing_the_same_again_changes_nothing(office: Office) -> None:
    office.published(TODAY)
    assert not office.published(TODAY).is_new


def test_publishing_other_content_under_a_number_is_refused(office: Office) -> None:
    office.published(TODAY)
    error = refused(lambda: office.published(TODAY, text=own(**{"title: A tiny set": "title: Another set"})))
    assert isinstance(error, ReleasedVersionError)
    assert "other content" in error.message


def test_an_id_that_ships_is_reserved(office: Office) -> None:
    error = refused(lambda: office.published(TODAY, text=TEXT))
    assert isinstance(error, ConflictError)
    assert error.code == "reserved_id"
    assert refused(lambda: office.draft(TEXT)).code == "reserved_id"


def test_a_text_with_faults_is_not_published(office: Office) -> None:
    error = refused(lambda: office.published(TODAY, text=own(**{"title: A tiny set": "titel: A tiny set"})))
    assert isinstance(error, CriteriaFaultsError)
    assert {fault.file for fault in error.faults} == {f"{CLUB}/1.yaml"}


def test_a_set_that_fails_its_own_examples_is_not_published(office: Office) -> None:
    error = refused(lambda: office.published(TODAY, text=own(**{"at_most: 2,": "at_most: 1,"})))
    assert isinstance(error, CriteriaFaultsError)
    assert {fault.file for fault in error.faults} == {f"{CLUB}/1.examples.yaml"}


def test_a_text_without_a_name_is_not_published(office: Office) -> None:
    assert isinstance(refused(lambda: office.published(TODAY, text=Text("title: x\n", EXAMPLES))), CriteriaFaultsError)


# ---- Replacing and retiring


def test_a_set_that_replaces_another_is_the_only_one_from_its_day_on(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.published(TOMORROW, replaces=TINY)
    assert office.judging(TODAY) == f"{TINY}/1"
    assert office.judging(TOMORROW) == f"{CLUB}/1"
    error = refused(lambda: office.judging(TOMORROW, set_id=TINY))
    assert f"{TINY}/1 is retired from 2026-11-21 on (replaced by {CLUB}/1)" in error.message
    assert ("retire_criteria", f"{TINY}/1") in office.audited()


def test_a_second_set_for_a_condition_is_refused_unless_it_replaces_the_first(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.draft()
    for work in (lambda: office.published(TOMORROW), lambda: office.publish(TOMORROW)):
        error = refused(work)
        assert isinstance(error, ConflictError)
        assert [(fault.pointer, fault.code) for fault in error.errors] == [("#/replaces", "conflicts")]
        assert f"{TINY}/1 fits a condition of {CLUB}/1 and is in force on 2026-11-21 too" in error.message
        assert f"name {TINY} as what it replaces, or retire that first" in error.message
    assert office.judging(TOMORROW) == f"{TINY}/1"
    assert office.publish(TOMORROW, replaces=TINY).is_new


def test_a_shipped_set_is_adopted_in_place_of_ones_own(office: Office) -> None:
    office.published(date(2026, 1, 1))
    assert isinstance(refused(lambda: office.adopt(TODAY)), ConflictError)
    assert office.adopt(TODAY, replaces=CLUB).is_new
    assert office.judging(TODAY) == f"{TINY}/1"


def test_a_second_set_for_a_condition_is_refused_too_where_the_first_begins_later(office: Office) -> None:
    office.published(TOMORROW)
    error = refused(lambda: office.adopt(TODAY))
    assert f"{CLUB}/1 fits a condition of {TINY}/1 and is in force on 2026-11-21 too" in error.message


@pytest.mark.parametrize(("day", "is_refused"), [(-1, True), (0, False), (1, False)])
def test_a_second_set_for_a_condition_begins_when_the_first_is_retired(
    office: Office, day: int, *, is_refused: bool
) -> None:
    office.adopt(date(2026, 1, 1))
    office.retire(TODAY)
    begins = TODAY + timedelta(days=day)
    if is_refused:
        error = refused(lambda: office.published(begins))
        assert "begin on 2026-11-20, from when that is retired, or later" in error.message
    else:
        assert office.published(begins).is_new


def test_sets_for_different_conditions_are_in_force_together(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    assert office.published(TODAY, text=of_another_condition(1)).answer["fits_as_well"] == []


def test_a_later_version_for_the_condition_of_another_set_is_refused(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.published(date(2026, 1, 1), text=of_another_condition(1))
    assert isinstance(refused(lambda: office.published(TOMORROW, version=2)), ConflictError)


def test_a_set_that_comes_back_for_a_condition_is_told(office: Office) -> None:
    """What is recalled is recalled, whatever it leaves in force."""
    office.published(date(2026, 1, 1))
    office.published(TOMORROW, text=of_another_condition(2))
    office.adopt(TOMORROW)
    office.retire(TODAY, name=Named(CLUB, 2))
    assert refused(lambda: office.judging(TOMORROW)).code == "ambiguous_criteria_set"
    assert office.adopt(TOMORROW).answer["fits_as_well"] == [CLUB]


def test_what_a_version_replaces_never_changes(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.published(TODAY, text=of_another_condition(1, "other-sprain"))
    office.draft()
    assert office.publish(TODAY, replaces=TINY).is_new
    for again in (office.published, office.publish):
        assert not again(TODAY, replaces=TINY).is_new
        for other in ({}, {"replaces": "other-sprain"}):
            error = refused(lambda again=again, other=other: again(TODAY, **other))
            assert isinstance(error, ConflictError)
            assert [fault.pointer for fault in error.errors] == ["#/replaces"]
            assert f"{CLUB}/1 stands there already and replaced {TINY}, which never changes" in error.message
    assert office.judging(TODAY, condition="other_sprain") == "other-sprain/1"


@pytest.mark.parametrize("replaces", [TINY, CLUB, "no-such-set"])
def test_a_version_that_replaced_no_set_replaces_none_later(office: Office, replaces: str) -> None:
    office.adopt(TOMORROW)
    office.published(TODAY, text=of_another_condition(1))
    error = refused(lambda: office.published(TODAY, text=of_another_condition(1), replaces=replaces))
    assert f"{CLUB}/1 stands there already and replaced no set" in error.message
    assert office.judging(TOMORROW) == f"{TINY}/1"


def test_a_set_retired_before_may_be_named_as_replaced_twice(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.retire(YESTERDAY)
    assert office.published(TODAY, replaces=TINY).is_new
    assert not office.published(TODAY, replaces=TINY).is_new


def test_a_version_that_was_to_come_is_replaced_too(office: Office) -> None:
    office.published(TOMORROW + timedelta(days=30))
    later = own("other-sprain")
    office.published(TOMORROW, text=later, replaces=CLUB)
    assert office.judging(TOMORROW + timedelta(days=60)) == "other-sprain/1"


@pytest.mark.parametrize(("replaces", "said"), [(CLUB, "by itself"), ("no-such-set", "is adopted")])
def test_only_another_adopted_set_is_replaced(office: Office, replaces: str, said: str) -> None:
    error = refused(lambda: office.published(TODAY, replaces=replaces))
    assert isinstance(error, ConflictError)
    assert said in error.message
    assert isinstance(refused(lambda: show_set(office.context, office.caller, CLUB)), NotFoundError)


@pytest.mark.parametrize(("day", "is_refused"), [(-1, True), (0, False), (1, False)])
def test_a_set_to_be_retired_later_is_not_replaced_earlier(office: Office, day: int, *, is_refused: bool) -> None:
    office.adopt(date(2026, 1, 1))
    ends = TODAY + timedelta(days=10)
    office.retire(ends)
    begins = ends + timedelta(days=day)
    if is_refused:
        error = refused(lambda: office.published(begins, replaces=TINY))
        assert "begin then or later" in error.message
    else:
        assert office.published(begins, replaces=TINY).is_new


def test_a_version_may_be_retired_in_the_past(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    answer = office.retire(date(2026, 6, 1)).answer
    assert (answer["state"], answer["retired_from"]) == ("retired", "2026-06-01")
    assert office.judging(date(2026, 5, 31)) == f"{TINY}/1"
    assert isinstance(refused(lambda: office.judging(date(2026, 6, 1))), NoCriteriaInForceError)


def test_retiring_the_same_again_changes_nothing_and_otherwise_is_refused(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.retire(TODAY)
    assert not office.retire(TODAY).is_new
    assert refused(lambda: office.retire(TOMORROW)).code == "already_retired"
    assert refused(lambda: office.retire(TODAY, reason="another")).code == "already_retired"


def test_only_an_adopted_version_is_retired(office: Office) -> None:
    assert isinstance(refused(lambda: office.retire(TODAY)), NotFoundError)


def test_a_retry_of_retiring_is_answered_and_not_done_again(office: Office) -> None:
    office.adopt(date(2026, 1, 1))
    office.retire(TODAY, key="r")
    assert office.retire(TODAY, key="r").replayed


# ---- Drafts


def test_a_draft_of_a_shipped_version_keeps_its_comments(office: Office) -> None:
    answer = office.draft(id=CLUB, **{"from": {"id": TINY, "version": 1}}).answer
    assert (answer["id"], answer["version"], answer["revision"]) == (CLUB, 1, 1)
    assert answer["source"] == SOURCE.replace("id: tiny-sprain  #", f"id: {CLUB}  #")
    assert answer["examples"] == EXAMPLES


def test_a_draft_of_an_own_version_gets_the_next_number(office: Office) -> None:
    office.published(date(2026, 1, 1))
    origin = {"from": {"id": CLUB, "version": 1}}
    assert office.draft(**origin).answer["version"] == 2
    assert office.draft(**origin).answer["version"] == 3
    assert "version: 3\n" in show_draft(office.context, office.caller, Named(CLUB, 3))["source"]


def test_a_draft_of_a_shipped_version_needs_an_id_of_its_own(office: Office) -> None:
    assert refused(lambda: office.draft(**{"from": {"id": TINY, "version": 1}})).code == "reserved_id"


def test_a_draft_of_nothing_is_refused(office: Office) -> None:
    error = refused(lambda: office.draft(id=CLUB, **{"from": {"id": TINY, "version": 7}}))
    assert isinstance(error, NotFoundError)


def test_a_draft_of_a_text_is_called_as_the_text_says(office: Office) -> None:
    answer = office.draft(own(version=4)).answer
    assert (answer["id"], answer["version"]) == (CLUB, 4)


def test_a_draft_may_have_faults(office: Office) -> None:
    answer = office.draft(id=CLUB, version=1, source="{", examples="").answer
    assert answer["source"] == "{"
    found = office.check()
    assert not found["sound"]
    assert [fault["file"] for fault in found["faults"]] == [f"{CLUB}/1.yaml"]


def test_a_text_that_says_no_name_needs_one(office: Office) -> None:
    error = refused(lambda: office.draft(source="{", examples=""))
    assert error.code == "invalid_body"


@pytest.mark.parametrize("set_id", ["../up", "a/b", "Club", "-", "a" * 65, "è"])
def test_a_text_can_not_name_a_place_elsewhere(office: Office, set_id: str) -> None:
    error = refused(lambda: office.draft(source=f'id: "{set_id}"\nversion: 1\n', examples=""))
    assert error.code == "invalid_body"


def test_a_draft_of_a_name_is_made_once(office: Office) -> None:
    office.draft()
    error = refused(office.draft)
    assert isinstance(error, ConflictError)
    assert error.link == f"/v1/criteria-drafts/{CLUB}/1"


def test_a_published_number_is_not_drafted_again(office: Office) -> None:
    office.published(TODAY)
    assert isinstance(refused(office.draft), ReleasedVersionError)


def test_a_retry_of_drafting_finds_the_draft_that_the_first_one_made(office: Office) -> None:
    office.published(date(2026, 1, 1))
    body = {"from": {"id": CLUB, "version": 1}}
    first, again = office.draft(key="d", **body), office.draft(key="d", **body)
    assert again.replayed
    assert (again.id, again.answer["version"]) == (first.id, 2)
    assert len(list_drafts(office.context, office.caller)["items"]) == 1


def test_a_retry_after_the_draft_is_gone_says_so(office: Office) -> None:
    etag = office.draft(key="d").answer["etag"]
    delete_draft(office.context, office.caller, Named(CLUB, 1), etag=etag)
    assert "published or deleted" in refused(lambda: office.draft(key="d")).message


def test_nobodys_change_of_a_draft_is_lost(office: Office) -> None:
    seen = office.draft().answer["etag"]
    name = Named(CLUB, 1)
    changed = change_draft(office.context, office.caller, name, Text("one", "two"), etag=seen)
    assert (changed["revision"], changed["source"], changed["examples"]) == (2, "one", "two")
    for late in (
        lambda: change_draft(office.context, office.caller, name, TEXT, etag=seen),
        lambda: delete_draft(office.context, office.caller, name, etag=seen),
    ):
        assert refused(late).code == "precondition_failed"
    assert show_draft(office.context, office.caller, name)["source"] == "one"


def test_who_names_no_etag_changes_the_draft_whatever_it_is_by_then(office: Office) -> None:
    office.draft()
    name = Named(CLUB, 1)
    changes = [change_draft(office.context, office.caller, name, Text(one, "two"), etag=None) for one in "ab"]
    assert [one["revision"] for one in changes] == [2, 3]
    delete_draft(office.context, office.caller, name, etag=None)


def test_a_draft_made_anew_is_not_the_one_that_was_seen(office: Office) -> None:
    seen = office.draft().answer["etag"]
    delete_draft(office.context, office.caller, Named(CLUB, 1), etag=seen)
    office.draft(own(**{"title: A tiny set": "title: Another"}))
    error = refused(lambda: delete_draft(office.context, office.caller, Named(CLUB, 1), etag=seen))
    assert error.code == "precondition_failed"


def test_a_deleted_draft_is_gone(office: Office) -> None:
    delete_draft(office.context, office.caller, Named(CLUB, 1), etag=office.draft().answer["etag"])
    assert isinstance(refused(lambda: show_draft(office.context, office.caller, Named(CLUB, 1))), NotFoundError)
    assert list_drafts(office.context, office.caller)["items"] == []


def test_drafts_of_another_organisation_are_not_seen(office: Office, database_url: str) -> None:
    office.draft()
    other = new_world(database_url)
    assert list_drafts(other.context, other.administrator)["items"] == []
    assert isinstance(refused(lambda: show_draft(other.context, other.administrator, Named(CLUB, 1))), NotFoundError)


def test_the_check_of_a_sound_draft_counts_its_examples(office: Office) -> None:
    office.draft()
    found = office.check()
    assert found["sound"]
    assert (found["examples"], found["expectations"]) == (2, 2)
    assert {one["file"] for one in found["warnings"]} <= {f"{CLUB}/1.yaml", "catalogue/tests.yaml"}


def test_the_check_names_no_place_on_this_machine(office: Office) -> None:
    office.draft(own(**{"pain_worst_24h": "pain_worst", "at_most: 2": "at_most: 2 kg"}))
    said = str(office.check())
    assert f"{CLUB}/1.yaml" in said
    for place in ("/tmp", "rts-check", str(office.shipped)):  # noqa: S108 - it is looked for
        assert place not in said


def test_a_draft_with_the_name_of_another_is_not_sound(office: Office) -> None:
    etag = office.draft().answer["etag"]
    change_draft(office.context, office.caller, Named(CLUB, 1), own("other-sprain"), etag=etag)
    (fault,) = office.check()["faults"]
    assert fault["path"] == "#/id"


def test_publishing_a_draft_takes_it_away(office: Office) -> None:
    office.draft()
    done = office.publish(TODAY, key="p")
    assert done.answer["state"] == "in_force"
    assert list_drafts(office.context, office.caller)["items"] == []
    assert office.judging(TODAY) == f"{CLUB}/1"
    assert office.publish(TODAY, key="p").replayed
    assert not office.publish(TODAY).is_new
    assert isinstance(refused(lambda: office.publish(TOMORROW)), ReleasedVersionError)


def test_a_draft_with_faults_is_not_published_and_stays(office: Office) -> None:
    office.draft(own(**{"version: 1\n": "version: 2\n"}), id=CLUB, version=1, source="{", examples="")
    assert isinstance(refused(lambda: office.publish(TODAY)), CriteriaFaultsError)
    assert len(list_drafts(office.context, office.caller)["items"]) == 1


def test_a_draft_that_is_nowhere_is_not_published(office: Office) -> None:
    assert isinstance(refused(lambda: office.publish(TODAY)), NotFoundError)


# ---- Hostile drafts

DEEP = "[" * 400 + "]" * 400
HOSTILE = {
    "anchors": Text("a: &a [1, 2]\nb: [*a, *a]\n", EXAMPLES),
    "a tag": Text("!!python/object/apply:os.system [ls]\n", EXAMPLES),
    "depth": Text(f"id: {DEEP}\n", EXAMPLES),
    "a huge number": own(**{"at_most: 2,": f"at_most: {'9' * 5000},"}),
    "a huge number in text": own(**{"at_most: 2,": f"at_most: {'9' * 5000} cm,"}),
    "many days": own(**{"within_days: 1,": "within_days: 999999999999,"}),
    "far away years": Text(own().source, EXAMPLES.replace("2026-11-20T", "9999-12-31T")),
    "the first year": Text(own().source, EXAMPLES.replace("2026-11-20T", "0001-01-01T")),
    "too many values": Text("a: [" + "1," * 200_000 + "1]\n", EXAMPLES),
    "too many examples": Text(own().source, EXAMPLES + EXAMPLES[EXAMPLES.index("- id: high") :] * 1_000),
    "unknown names": own(**{"asks: [pain-low]": f"asks: [{', '.join(f'c-{i}' for i in range(5_000))}]"}),
    "a loop": Text(own().source, EXAMPLES.replace("from: low", "from: high")),
    "nothing": Text("", ""),
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_draft_gets_its_faults_and_soon(office: Office, text: Text) -> None:
    office.draft(id=CLUB, version=1, source=text.source, examples=text.examples)
    found = office.check()
    assert not found["sound"]
    assert found["faults"]


def test_half_a_character_is_a_fault(office: Office) -> None:
    """A body of JSON may bring one; the database can't keep it, so it is refused before."""
    with pytest.raises(CriteriaFaultsError):
        office.published(TODAY, text=Text(own().source, EXAMPLES + "# \ud800"))


# ---- What is shown


def test_the_list_says_what_is_in_force_was_is_coming_and_ships(office: Office) -> None:
    before = list_sets(office.context, office.caller, shipped=office.shipped)
    assert before["items"] == []
    assert [(one["id"], one["state"]) for one in before["shipped"]] == [(TINY, "not_adopted")]
    office.adopt(date(2026, 1, 1))
    office.published(date(2026, 2, 1), text=of_another_condition(1))
    office.published(TODAY, text=of_another_condition(2))
    office.published(TOMORROW, text=of_another_condition(3))
    office.retire(TOMORROW, name=Named(TINY, 1))
    shown = list_sets(office.context, office.caller, shipped=office.shipped)
    assert shown["shipped"] == []
    states = {f"{one['id']}/{one['version']}": one["state"] for each in shown["items"] for one in each["versions"]}
    assert states == {f"{CLUB}/1": "replaced", f"{CLUB}/2": "in_force", f"{CLUB}/3": "coming", f"{TINY}/1": "in_force"}
    office.world.at("2026-11-21T08:00:00+01:00")
    club, tiny = list_sets(office.context, office.caller, shipped=office.shipped)["items"]
    assert (club["version_in_force"], tiny["version_in_force"]) == (3, None)
    assert tiny["versions"][0]["state"] == "retired"
    for one in (club, tiny):
        assert one["caution"]["code"] == "decision_support"
        assert one["limits"]
        assert one["intended_user"]


def test_a_shipped_version_is_read_before_it_is_adopted(office: Office) -> None:
    shown = show_version(office.context, office.caller, Named(TINY, 1), shipped=office.shipped)
    assert shown["state"] == "not_adopted"
    assert shown["document"]["id"] == TINY
    assert show_source(office.context, office.caller, Named(TINY, 1), shipped=office.shipped) == SOURCE


def test_what_is_nowhere_is_not_shown(office: Office) -> None:
    for show in (show_version, show_source):
        error = refused(lambda show=show: show(office.context, office.caller, Named("none", 1), shipped=office.shipped))
        assert isinstance(error, NotFoundError)


# ---- Seldom, and yet


class EditedAfterReading:
    """A database in which somebody else's edit comes after the first read."""

    def __init__(self, database: Any, edit: Callable[[], object]) -> None:
        self.write, self._database, self._edit = database.write, database, edit

    def read(self, work: Callable[[Any], Any]) -> Any:
        found = self._database.read(work)
        self._edit()
        return found


def test_what_was_not_checked_is_not_published(office: Office) -> None:
    etag, plain = office.draft().answer["etag"], office.context
    another = own(**{"title: A tiny set": "title: Another set"})
    database = EditedAfterReading(
        plain.database, lambda: change_draft(plain, office.caller, Named(CLUB, 1), another, etag=etag)
    )
    office.context = replace(plain, database=database)
    assert refused(lambda: office.publish(TODAY)).code == "precondition_failed"
    assert isinstance(refused(lambda: show_set(plain, office.caller, CLUB)), NotFoundError)


@pytest.mark.parametrize("lines", ['{"id": "tiny-sprain", "version": 1}', "id:\n  tiny-sprain\nversion: 1\n"])
def test_a_copy_is_renamed_line_by_line_or_not_at_all(lines: str) -> None:
    with pytest.raises(CriteriaFaultsError, match="1 fault"):
        renamed(lines, Named(CLUB, 1))


def test_a_copy_changes_no_other_line_that_looks_alike() -> None:
    source = "title: >-\n  id: mine\nid: one  # id: two\nversion: 1\nlist:\n  - id: three\n    version: 9\n"
    changed = source.replace("id: one ", f"id: {CLUB} ").replace("\nversion: 1", "\nversion: 4")
    assert renamed(source, Named(CLUB, 4)) == changed


def test_a_text_longer_than_can_be_checked_says_no_name() -> None:
    assert named("id: a\nversion: 1\nmany: [" + "1," * 20_000 + "]\n") is None


def test_examples_that_take_too_long_are_a_fault(shipped: Path) -> None:
    path = shipped / TINY / "1.yaml"
    with pytest.raises(CriteriaFaultsError) as caught:
        check_criteria(path, shipped / "catalogue", is_late=lambda: True)
    assert [fault.detail for fault in caught.value.faults] == [TOO_LONG]


@pytest.mark.parametrize("judged", range(3))
def test_an_expectation_that_was_not_judged_is_never_taken_as_met(shipped: Path, judged: int) -> None:
    asked = iter([False] * judged)
    with pytest.raises(CriteriaFaultsError, match="fault"):
        check_criteria(shipped / TINY / "1.yaml", shipped / "catalogue", is_late=lambda: next(asked, True))
