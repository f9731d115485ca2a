"""The decision history over HTTP: what is found, in which order, page by page, and what nobody else sees."""

import re
from collections.abc import Mapping
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa

from schemas.decision import DecisionSchema
from schemas.faults import load
from schemas.history import DecisionPageSchema, VerificationSchema
from schemas.sent_battery import ShownBatterySchema
from service.domain.errors import DatabaseUnavailableError
from service.store import history
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.builders import battery, not_measured, passing_measurements
from tests.databases import MadeDatabase
from tests.recorded import Clinic, clinic_of
from tests.world import new_world

HISTORY = "/v1/decisions"
KIM = "Invented Clinician"
ATHLETE = "01890a5d-ac96-774b-bcce-b302099a8057"


def got(clinic: Clinic, path: str = HISTORY, role: str = CLINICIAN, **asked: str) -> Any:
    answer = clinic.world.client(role).get(path, query_string=asked)
    assert answer.status_code == 200, answer.text
    return answer.json


def ids(clinic: Clinic, role: str = CLINICIAN, **asked: str) -> list[str]:
    return [one["id"] for one in got(clinic, role=role, **asked)["items"]]


def fits(schema: Any, document: Mapping[str, Any]) -> bool:
    return load(schema(), document)[1] == []


def without(test: str, side: str | None = None) -> list[dict[str, Any]]:
    """The passing measurements, with one that was not done."""
    kept = [one for one in passing_measurements() if (one["test"], one.get("side")) != (test, side)]
    return [*kept, not_measured(test, side, "not_done", "time")]


@pytest.fixture(scope="module")
def told(database_url: str) -> tuple[Clinic, dict[str, str]]:
    """Two athletes and six decisions: a pass that is superseded by its morning, a hold, and a signed one."""
    clinic = clinic_of(new_world(database_url))
    made = {"first": clinic.post(battery("A"), stage="competition")["id"]}
    made["morning"] = clinic.morning("A")["id"]
    lacking = battery("B", "2026-11-24T16:30:00+01:00", without("evertor_strength", "left"))
    made["lacking"] = clinic.post(lacking, athlete="KB-2")["id"]
    made["theirs"] = clinic.post(
        battery("C", "2026-11-25T10:00:00+01:00"), athlete="KB-2", by=clinic.world.clinician, stage="running"
    )["id"]
    made["gave_way"] = clinic.post(
        battery("D", "2026-11-26T10:00:00+01:00", since_last={"events": [{"kind": "giving_way", "on": "2026-11-26"}]}),
        athlete="KB-2",
    )["id"]
    signed = clinic.world.client(CLINICIAN).get(f"{HISTORY}/{made['gave_way']}").json
    body = {"decision_digest": signed["digest"], "determination": "agree"}
    answer = clinic.world.client(CLINICIAN).post(f"{HISTORY}/{made['gave_way']}/sign-offs", body)
    assert answer.status_code == 201, answer.text
    return clinic, made


def names(told: tuple[Clinic, dict[str, str]], role: str = CLINICIAN, **asked: str) -> list[str]:
    clinic, made = told
    known = {id_: name for name, id_ in made.items()}
    return [known[one] for one in ids(clinic, role, **asked)]


def test_the_history_is_newest_first_and_has_the_caution_of_each(told) -> None:
    clinic, made = told

    answer = got(clinic)

    assert fits(DecisionPageSchema, answer)
    assert [one["id"] for one in answer["items"]] == list(reversed(made.values()))
    assert {one["criteria_set"]["digest"] for one in answer["items"]} == set(answer["cautions"])
    assert answer["next"] is None


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({"athlete_ref": "KB-1"}, ["morning", "first"]),
        ({"athlete_ref": "KB-9"}, []),
        ({"outcome": "pass", "athlete_ref": "KB-1"}, ["morning"]),
        ({"stage": "running"}, ["theirs"]),
        ({"condition": "lateral_ankle_sprain", "stage": "running"}, ["theirs"]),
        ({"condition": "other"}, []),
        ({"criteria_set": "lateral-ankle-sprain", "version": "1", "stage": "running"}, ["theirs"]),
        ({"criteria_set": "lateral-ankle-sprain", "version": "2"}, []),
        ({"signed": "true"}, ["gave_way"]),
        ({"signed": "false", "athlete_ref": "KB-1"}, ["morning", "first"]),
        ({"state": "superseded"}, ["lacking", "first"]),
        ({"from": "2026-11-24", "to": "2026-11-25"}, ["theirs", "lacking"]),
        ({"to": "2026-11-20"}, ["first"]),
        ({"from": "2026-11-26"}, ["gave_way"]),
        ({"hold_because": "awaiting_response"}, ["first"]),
        ({"criterion": "walks-without-limp", "athlete_ref": "KB-1"}, []),
    ],
)
def test_a_filter_finds_what_it_names(told, asked: dict[str, str], expected: list[str]) -> None:
    assert names(told, **asked) == expected


def test_an_unmet_criterion_is_found_by_its_status(told) -> None:
    clinic, made = told
    row = clinic.world.client(CLINICIAN).get(f"{HISTORY}/{made['lacking']}").json
    [criterion] = [
        one["criterion"]
        for one in row["reasons"]
        if one["status"] == "not_assessed" and one.get("test") == "evertor_strength"
    ]

    assert "lacking" in names(told, criterion=criterion)
    assert "lacking" in names(told, criterion=criterion, status="not_assessed")
    assert "lacking" not in names(told, criterion=criterion, status="not_met")


def test_a_filter_by_id_is_the_filter_by_ref(told) -> None:
    clinic, _ = told
    row = got(clinic, athlete_ref="KB-1")["items"][0]

    assert ids(clinic, athlete=row["athlete_id"]) == ids(clinic, athlete_ref="KB-1")
    assert ids(clinic, episode=row["episode_id"]) == ids(clinic, athlete_ref="KB-1")
    assert ids(clinic, athlete=row["athlete_id"], athlete_ref="KB-2") == []


def test_expiry_is_a_matter_of_the_day(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    clinic.post(battery("A"))
    passed = clinic.morning("A")
    until = passed["standing"]["until"]

    clinic.world.at(f"{until}T23:00:00+01:00")
    assert ids(clinic, state="standing") == [passed["id"]]
    clinic.world.at("2026-11-28T00:30:00+01:00")
    assert ids(clinic, state="expired") == [passed["id"]]
    assert ids(clinic, state="standing") == []
    assert got(clinic, f"{HISTORY}/{passed['id']}")["standing"]["state"] == "expired"


@pytest.mark.parametrize(
    ("asked", "code", "pointer"),
    [
        ({"version": "1"}, "missing", "?criteria_set"),
        ({"status": "not_met"}, "missing", "?criterion"),
        ({"from": "2026-11-25", "to": "2026-11-24"}, "conflicts", "?to"),
        ({"hold_because": "cleared"}, "unknown_name", "?hold_because"),
        ({"signed": "yes"}, "wrong_type", "?signed"),
        ({"limit": "201"}, "out_of_range", "?limit"),
        ({"athlet": "x"}, "unknown_field", "?athlet"),
        ({"stage": "match"}, "unknown_name", "?stage"),
        ({"criterion": "side-hop"}, "unknown_name", "?criterion"),
        ({"criteria_set": "ankle", "version": "1"}, "unknown_name", "?criteria_set"),
        ({"cursor": "no cursor"}, "bad_text", "?cursor"),
    ],
)
def test_a_faulty_filter_is_refused_by_name(told, asked: dict[str, str], code: str, pointer: str) -> None:
    answer = told[0].world.client(CLINICIAN).get(HISTORY, query_string=asked)

    assert answer.status_code == 400
    assert [(one["pointer"], one["code"]) for one in answer.json["errors"]] == [(pointer, code)]


@pytest.mark.parametrize("filters", ["", "outcome=hold", "criterion=CRITERION", "athlete_ref=KB-2"])
def test_pages_follow_each_other_without_gap_or_repeat(told, filters: str) -> None:
    clinic, made = told
    row = clinic.world.client(CLINICIAN).get(f"{HISTORY}/{made['lacking']}").json
    criterion = next(one["criterion"] for one in row["reasons"] if one["part_of"] is None and one["status"] != "met")
    filters = filters.replace("CRITERION", criterion)
    client = clinic.world.client(CLINICIAN)
    whole = client.get(f"{HISTORY}?{filters}").json["items"]
    assert whole

    seen, following = [], f"{HISTORY}?limit=1&{filters}".rstrip("&")
    while following:
        answer = client.get(following)
        assert answer.headers.get("Link", "") == (f'<{answer.json["next"]}>; rel="next"' if answer.json["next"] else "")
        seen += answer.json["items"]
        following = answer.json["next"]

    assert seen == whole


def test_a_submitter_is_shown_own_posts_only(told) -> None:
    clinic, made = told
    client = clinic.world.client(SUBMITTER)

    assert names(told, SUBMITTER) == ["gave_way", "lacking", "morning", "first"]
    for address in ("", "/battery", "/verification"):
        assert client.get(f"{HISTORY}/{made['theirs']}{address}").status_code == 404
        assert client.get(f"{HISTORY}/{made['first']}{address}").status_code == 200


def test_another_organisation_sees_nothing(told, database_url: str) -> None:
    clinic, made = told
    other = clinic_of(new_world(database_url))
    client = other.world.client(CLINICIAN)

    assert ids(other) == []
    assert ids(other, athlete=got(clinic)["items"][0]["athlete_id"]) == []
    for address in ("", "/battery", "/verification"):
        assert client.get(f"{HISTORY}/{made['first']}{address}").status_code == 404


def test_a_decision_reads_as_it_was_answered_with_what_became_of_it(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    answered = clinic.post(battery("A"))
    shown = got(clinic, f"{HISTORY}/{answered['id']}")

    assert fits(DecisionSchema, shown)
    assert shown == {key: one for key, one in answered.items() if key != "withdrawn"}
    clinic.morning("A")
    assert got(clinic, f"{HISTORY}/{answered['id']}")["standing"]["state"] == "superseded"


def test_a_decision_leads_to_its_battery(told) -> None:
    clinic, made = told

    shown = got(clinic, f"{HISTORY}/{made['lacking']}/battery")

    assert fits(ShownBatterySchema, shown)
    assert shown["battery"]["ref"] == "B"
    assert [one["id"] for one in shown["decisions"]] == [made["lacking"]]
    assert set(shown["cautions"]) == {shown["decisions"][0]["criteria_set"]["digest"]}


def test_a_decision_on_what_was_stored_leads_to_the_occasion_judged(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    first = clinic.post(battery("A"))
    client = clinic.world.client(CLINICIAN)
    made = client.post(f"/v1/episodes/{first['episode_id']}/decisions", {"target_stage": "running"})
    assert made.status_code == 201, made.text

    assert got(clinic, f"{HISTORY}/{made.json['id']}/battery")["id"] == first["battery_id"]


def test_verification_over_http(told) -> None:
    clinic, made = told

    for role in (SUBMITTER, CLINICIAN, ADMINISTRATOR):
        shown = got(clinic, f"{HISTORY}/{made['first']}/verification", role)
        assert fits(VerificationSchema, shown)
        assert (shown["result"], shown["chain"]["intact"]) == ("identical", True)


def test_what_was_erased_in_full_still_verifies(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    first = clinic.post(battery("A"))
    administrator = clinic.world.client(ADMINISTRATOR)
    erasure = {"scope": "full", "reason": "the athlete asked for it"}
    assert administrator.post(f"/v1/athletes/{first['athlete_id']}/erasure", erasure).status_code == 201

    shown = got(clinic, f"{HISTORY}/{first['id']}/verification")

    assert (shown["result"], shown["chain"]["intact"], shown["caution"]) == ("erased", True, None)
    gone = clinic.world.client(CLINICIAN).get(f"{HISTORY}/{first['id']}")
    assert (gone.status_code, gone.json["code"]) == (409, "erased")
    assert ids(clinic) == []


def test_what_was_erased_by_default_is_judged_as_before(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    first = clinic.post(battery("A"))
    erasure = {"scope": "default", "reason": "the athlete asked for it"}
    erased = clinic.world.client(ADMINISTRATOR).post(f"/v1/athletes/{first['athlete_id']}/erasure", erasure)
    assert erased.status_code == 201, erased.text

    shown = got(clinic, f"{HISTORY}/{first['id']}/verification")

    assert (shown["result"], shown["chain"]["intact"]) == ("identical", True)
    row = got(clinic)["items"][0]
    assert (row["athlete_ref"], row["episode_ref"]) == (None, None)


def test_every_read_of_a_person_is_one_row_in_the_audit_log(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    first = clinic.post(battery("A"))
    got(clinic)
    got(clinic, athlete_ref="KB-1")
    got(clinic, f"{HISTORY}/{first['id']}")
    got(clinic, f"{HISTORY}/{first['id']}/battery")
    clinic.world.client(CLINICIAN).get(f"{HISTORY}/{uuid4()}")

    rows = got(clinic, "/v1/audit", ADMINISTRATOR)["items"]

    told = [(one["action"], one["object_id"], one["athlete_id"]) for one in rows if one["actor"]["display_name"] == KIM]
    assert sorted(told, key=str) == sorted(
        [
            ("list_decisions", None, None),
            ("list_decisions", None, first["athlete_id"]),
            ("read_decision", first["id"], first["athlete_id"]),
            ("read_battery", first["battery_id"], first["athlete_id"]),
        ],
        key=str,
    )


def test_a_read_that_can_not_be_noted_is_not_answered(own_database: MadeDatabase) -> None:
    clinic = clinic_of(new_world(own_database.url))
    first = clinic.post(battery("A"))
    real = clinic.world.context.database.write
    client = clinic.world.client(CLINICIAN)
    context = client.flask.application.extensions["rts"]

    def busy(_work: object) -> None:
        message = "busy"
        raise DatabaseUnavailableError(message)

    context.database.write = busy
    try:
        answer = client.get(f"{HISTORY}/{first['id']}")
    finally:
        context.database.write = real

    assert (answer.status_code, answer.json["code"]) == (503, "database_unavailable")


# How a page is found

WANTED = {
    "all": {},
    "athlete": {"athlete": ATHLETE},
    "episode": {"episode": ATHLETE},
    "own posts": {"posted_by": ATHLETE},
    "standing": {"state": "standing", "outcome": "pass"},
    "criterion": {"criterion": "evertor-strength"},
    "criterion and status": {"criterion": "evertor-strength", "status": "not_met"},
}


@pytest.mark.parametrize("name", WANTED)
@pytest.mark.parametrize("page", ["first", "later"])
def test_a_page_is_found_by_an_index_and_never_by_looking_at_all(told, name: str, page: str) -> None:
    clinic, _ = told
    is_later = page == "later"

    found = plan(clinic, history.Wanted(today=clinic.world.clock().date(), **WANTED[name]), is_later=is_later)

    index = {"athlete": "athlete_id", "episode": "episode_id"}.get(name, "decided_at")
    table = "unmet_criteria" if "criterion" in name else "decisions"
    assert f"ix_{table}_organisation_id_" in found
    assert index in found
    assert not re.search(r"Seq Scan on (decisions|unmet)|SCAN (decisions|unmet)", found), found
    if is_later:
        assert re.search(r"ROW\(|\(decided_at,id\)<|decision_id\)<|decided_at<", found), found


def plan(clinic: Clinic, wanted: history.Wanted, *, is_later: bool) -> str:
    """How the database would find a page; as if there were so many rows that a scan costs more than an index."""
    database = clinic.world.context.database
    after = (clinic.world.clock(), ATHLETE) if is_later else None
    query = history.page_query(clinic.world.organisation, wanted, after=after, limit=51)

    def read(tx: Any) -> str:
        if not database.is_sqlite:
            for way in ("seqscan", "bitmapscan", "sort"):
                tx.exec_driver_sql(f"SET LOCAL enable_{way} = off")
        sent: list[Any] = []
        sa.event.listen(tx, "before_cursor_execute", lambda *told: sent.append(told[2:4]))
        tx.execute(query).all()
        [(statement, parameters)] = sent
        explain = "EXPLAIN QUERY PLAN" if database.is_sqlite else "EXPLAIN"
        return "\n".join(str(row[-1]) for row in tx.exec_driver_sql(f"{explain} {statement}", parameters))

    return database.read(read)
