"""Every operation of the OpenAPI document, by every caller: of the organisation whose record it is, and of another.

Who may call what is written here by hand, as the contract of the API has it. An operation without a row fails; so does
one whose address or body nothing real is known for.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pytest
import sqlalchemy as sa

from service.app import create_app
from service.settings import Settings
from service.store.database import Tx
from service.store.tables import METADATA
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.api.one_of_each import DRAFTED, MARK, PUBLISHED, OneOfEach, battery, one_of_each
from tests.api.problem import assert_problem
from tests.clinic import Clinic, new_clinic, send, small
from tests.world import ACTORS, Client, new_key

ALL = (SUBMITTER, CLINICIAN, ADMINISTRATOR)
SENDERS = (SUBMITTER, CLINICIAN)
CLINIC = (CLINICIAN,)
ADMIN = (ADMINISTRATOR,)
ANYBODY = ("anybody",)
NO_ROLE: tuple[str, ...] = ()
"""It has keys of its own, and an access key opens nothing there; tests/api/test_calendar.py asks with one."""

# In an order in which all of it can be done to one record, what ends something last.
WHO: Mapping[str, tuple[str, ...]] = {
    "POST /v1/evaluations": ALL,
    "GET /v1/batteries": SENDERS,
    "GET /v1/batteries/{battery_id}": SENDERS,
    "GET /v1/decisions": SENDERS,
    "GET /v1/decisions/{decision_id}": SENDERS,
    "GET /v1/decisions/{decision_id}/battery": SENDERS,
    "GET /v1/decisions/{decision_id}/verification": ALL,
    "GET /v1/athletes": CLINIC,
    "GET /v1/athletes/{athlete_id}": CLINIC,
    "GET /v1/episodes/{episode_id}": CLINIC,
    "GET /v1/retests": CLINIC,
    "GET /v1/retests/{task_id}": CLINIC,
    "GET /v1/retests.ics": NO_ROLE,
    "GET /v1/calendar-keys": CLINIC,
    "GET /v1/calendar-keys/{key_id}": CLINIC,
    "GET /v1/criteria-reviews": ADMIN,
    "GET /v1/criteria-reviews/{task_id}": ADMIN,
    "GET /v1/tests": ALL,
    "GET /v1/criteria-sets": ALL,
    "GET /v1/criteria-sets/{set_id}": ALL,
    "GET /v1/criteria-sets/{set_id}/versions/{version}": ALL,
    "GET /v1/criteria-sets/{set_id}/template": ALL,
    "GET /v1/criteria-drafts": ADMIN,
    "GET /v1/criteria-drafts/{set_id}/{version}": ADMIN,
    "GET /v1/organisation": ADMIN,
    "GET /v1/organisation/reminder-plan": (CLINICIAN, ADMINISTRATOR),
    "GET /v1/episodes/{episode_id}/reminder-plan": CLINIC,
    "GET /v1/actors": ADMIN,
    "GET /v1/actors/{actor_id}": ADMIN,
    "GET /v1/access-keys": ADMIN,
    "GET /v1/access-keys/{key_id}": ADMIN,
    "GET /v1/webhooks": ADMIN,
    "GET /v1/webhooks/{webhook_id}": ADMIN,
    "GET /v1/deliveries": ADMIN,
    "GET /v1/deliveries/{delivery_id}": ADMIN,
    "GET /v1/audit": ADMIN,
    "GET /health/live": ANYBODY,
    "GET /health/ready": ANYBODY,
    "GET /metrics": ANYBODY,
    "POST /v1/decisions/{decision_id}/sign-offs": CLINIC,
    "POST /v1/batteries/{battery_id}/confirmations": CLINIC,
    "POST /v1/retests/{task_id}/reschedule": CLINIC,
    "POST /v1/retests/{task_id}/cancel": CLINIC,
    "POST /v1/retests/{task_id}/done": CLINIC,
    "POST /v1/episodes/{episode_id}/findings/{finding}/resolution": CLINIC,
    "POST /v1/episodes/{episode_id}/exceptions": CLINIC,
    "POST /v1/episodes/{episode_id}/sign-offs": CLINIC,
    "POST /v1/episodes/{episode_id}/decisions": SENDERS,
    "POST /v1/batteries": SENDERS,
    "PUT /v1/episodes/{episode_id}/reminder-plan": CLINIC,
    "DELETE /v1/episodes/{episode_id}/reminder-plan": CLINIC,
    "POST /v1/episodes/{episode_id}/events": CLINIC,
    "POST /v1/entries/{entry_id}/void": CLINIC,
    "POST /v1/athletes/{athlete_id}/events": CLINIC,
    "POST /v1/athletes/{athlete_id}/erasure": ADMIN,
    "POST /v1/criteria-reviews/{task_id}/reschedule": ADMIN,
    "POST /v1/criteria-reviews/{task_id}/cancel": ADMIN,
    "POST /v1/criteria-reviews/{task_id}/done": ADMIN,
    "POST /v1/criteria-sets": ADMIN,
    "POST /v1/criteria-sets/{set_id}/versions/{version}/retire": ADMIN,
    "POST /v1/criteria-drafts": ADMIN,
    "PUT /v1/criteria-drafts/{set_id}/{version}": ADMIN,
    "POST /v1/criteria-drafts/{set_id}/{version}/check": ADMIN,
    "POST /v1/criteria-drafts/{set_id}/{version}/publish": ADMIN,
    "DELETE /v1/criteria-drafts/{set_id}/{version}": ADMIN,
    "PUT /v1/organisation": ADMIN,
    "PUT /v1/organisation/reminder-plan": ADMIN,
    "POST /v1/actors": ADMIN,
    "POST /v1/access-keys": ADMIN,
    "POST /v1/access-keys/{key_id}/revoke": ADMIN,
    "POST /v1/calendar-keys": CLINIC,
    "POST /v1/calendar-keys/{key_id}/revoke": CLINIC,
    "POST /v1/webhooks": ADMIN,
    "PUT /v1/webhooks/{webhook_id}": ADMIN,
    "POST /v1/webhooks/{webhook_id}/rotate-secret": ADMIN,
    "POST /v1/webhooks/{webhook_id}/test": ADMIN,
    "POST /v1/deliveries/{delivery_id}/replay": ADMIN,
    "DELETE /v1/webhooks/{webhook_id}": ADMIN,
    "PUT /v1/actors/{actor_id}/email": (ADMINISTRATOR, SUBMITTER, CLINICIAN),
    "POST /v1/actors/{actor_id}/disable": ADMIN,
}

# Its draft is published by then, and no longer there to be thrown away.
GONE_BY_THEN = {"DELETE /v1/criteria-drafts/{set_id}/{version}": 404}

# What nobody of an organisation knows is not there, and to whom a set is not known, none of it is in force.
NOT_KNOWN = {"GET /v1/criteria-sets/{set_id}/template": (422, "no_criteria_in_force")}


def operations() -> list[str]:
    """Every operation that is documented."""
    told = create_app(Settings(database_url="sqlite:////nowhere/never-opened.sqlite")).extensions["rts-openapi"]
    return [
        f"{method.upper()} {path}"
        for path, methods in told["paths"].items()
        for method in methods
        if method != "parameters"
    ]


OPERATIONS = operations()


@dataclass(frozen=True)
class Two:
    """An organisation with one of everything, another one with a battery of its own, and keys that are not valid."""

    first: OneOfEach
    second: Clinic
    own: dict[str, Any]
    no_longer: dict[str, str | None]


@pytest.fixture(scope="module")
def two(database_url: str) -> Two:
    first = one_of_each(database_url)
    first.clinic.at("2026-11-20T18:20:00+01:00")
    keys = keys_that_end(first)
    second = new_clinic(database_url)
    own = second.post_battery(small("A"))
    first.clinic.at("2026-11-20T20:00:00+01:00")
    return Two(first, second, own, keys)


def keys_that_end(first: OneOfEach) -> dict[str, str | None]:
    """Keys that no longer open anything, each of somebody who could do everything; and such as never did."""
    world = first.clinic.world
    everything = {**ACTORS[CLINICIAN], "roles": list(ALL)}
    expires = world.clock().replace(minute=30)
    expired = new_key(world.context, world.organisation, expires_at=expires, **everything)
    revoked, disabled = (new_key(world.context, world.organisation, **everything) for _ in range(2))
    admin = first.clinic.administrator
    holders = {one["id"].replace("-", ""): one for one in admin.get("/v1/access-keys?limit=200").json["items"]}
    of_revoked, of_disabled = (holders[one.split("_")[1]] for one in (revoked, disabled))
    assert admin.post(f"/v1/access-keys/{of_revoked['id']}/revoke").status_code == 200
    assert admin.post(f"/v1/actors/{of_disabled['actor']['id']}/disable").status_code == 200
    wrong = world.keys[ADMINISTRATOR][:-4] + "AAAA"
    return {"none": None, "wrong": wrong, "expired": expired, "revoked": revoked, "disabled": disabled}


def rows_of(clinic: Clinic) -> dict[str, list[str]]:
    """Every row of an organisation."""
    organisation = clinic.world.organisation

    def read(tx: Tx) -> dict[str, list[str]]:
        found = {}
        for table in METADATA.sorted_tables:
            column = table.c.get("organisation_id", table.c.get("id"))
            rows = tx.execute(sa.select(table).where(column == organisation))
            found[table.name] = sorted(str(tuple(row)) for row in rows)
        return found

    return clinic.world.context.database.read(read)


UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
TEXT = re.compile(rf"{MARK}[\w-]*")


def known_of(rows: Mapping[str, list[str]]) -> set[str]:
    """The ids and marked texts of an organisation's rows."""
    return {one for several in rows.values() for row in several for one in (*UUID.findall(row), *TEXT.findall(row))}


def leaked(two: Two, response: Any, *, sent: str, known: set[str] | None = None) -> set[str]:
    """What an answer tells of the first organisation that the request had not told itself."""
    told = f"{response.headers}{response.text}"
    found = {*UUID.findall(told), *TEXT.findall(told)}
    return {one for one in found if one not in sent} & (known or known_of(rows_of(two.first.clinic)))


def under_other_names(body: Any) -> Any:
    """A body that makes something of the sender's own: by its ids alone it names what is another's."""
    return json.loads(json.dumps(body).replace(MARK, "wombat"))


def has_parameters(operation: str) -> bool:
    return "{" in operation


# The table and the document


def test_every_operation_has_its_row_and_every_row_its_operation():
    assert sorted(WHO) == sorted(OPERATIONS)


def test_one_of_each_knows_a_body_for_each_operation_that_takes_one(two):
    told = two.first.clinic.administrator.get("/openapi.json").json
    takes = {one for one in OPERATIONS if "requestBody" in told["paths"][one.split()[1]][one.split()[0].lower()]}

    assert set(two.first.bodies) == takes


# The organisation itself


def assert_closed(response: Any, operation: str) -> None:
    """The role does not open it."""
    assert_problem(response, *((403, "forbidden") if WHO[operation] else (401, "unauthenticated")))


def bare(two: Two, client: Client, operation: str) -> Any:
    """Ask without a body, an Idempotency-Key and an If-Match: only the door has something to say about who asks."""
    method, path = operation.split(" ")
    asked = two.first.query(operation)
    return client.open(method, two.first.address(path), headers={"Idempotency-Key": ""}, query_string=asked)


@pytest.mark.parametrize("operation", OPERATIONS)
def test_a_role_is_let_in_or_not_as_the_table_says(two, operation):
    for role in ALL:
        response = bare(two, two.first.clinic.world.client(role), operation)
        if role in WHO[operation] or WHO[operation] == ANYBODY:
            assert response.status_code not in (401, 403, 404, 500), (role, response.text)
        else:
            assert_closed(response, operation)


@pytest.mark.parametrize("operation", OPERATIONS)
def test_without_a_valid_key_nobody_is_let_in(two, operation):
    before = rows_of(two.first.clinic)
    for name, key in two.no_longer.items():
        client = two.first.clinic.world.client_with(key)
        if WHO[operation] == ANYBODY:
            assert bare(two, client, operation).status_code == 200, name
        else:
            assert_problem(two.first.send(client, operation), 401, "unauthenticated")
    assert rows_of(two.first.clinic) == before


def test_what_another_organisation_is_refused_is_answered_to_the_organisation_itself(database_url):
    """The same requests: so it is the organisation that stands against them, and nothing else about them."""
    own = one_of_each(database_url)
    refused = {}
    for operation, roles in WHO.items():
        if roles == NO_ROLE:
            continue
        client = own.clinic.world.client(None if roles == ANYBODY else roles[0])
        response = own.send(client, operation)
        if not 200 <= response.status_code < 300:
            refused[operation] = (response.status_code, response.text)

    assert {one: status for one, (status, _) in refused.items()} == GONE_BY_THEN, refused


# Another organisation


@pytest.mark.parametrize("operation", OPERATIONS)
def test_another_organisation_finds_changes_and_learns_nothing(two, operation):
    before = rows_of(two.first.clinic)
    body = two.first.bodies.get(operation)
    if not has_parameters(operation):
        body = under_other_names(body)
    sent, known = f"{two.first.address(operation)} {two.first.query(operation)} {body}", known_of(before)

    for role in ALL:
        response = two.first.send(two.second.world.client(role), operation, body=body)

        assert leaked(two, response, sent=sent, known=known) == set(), role
        if role not in WHO[operation] and WHO[operation] != ANYBODY:
            assert_closed(response, operation)
        elif has_parameters(operation) or two.first.query(operation):
            assert_problem(response, *NOT_KNOWN.get(operation, (404, "not_found")))
        else:
            assert response.status_code < 500, response.text
    assert rows_of(two.first.clinic) == before


def naming(two: Two) -> Iterator[tuple[str, str, Any, set[int]]]:
    """Requests of the second organisation that name what is the first one's in a body, and how they may be answered."""
    ids, own = two.first.ids, two.own
    known = {"athlete": {"ref": "KB-1"}, "episode": small()["episode"]}
    later = {"at": "2026-11-20T19:00:00+01:00", **known}
    first = {"athlete": {"ref": f"{MARK}-athlete"}, "episode": battery("x")["episode"]}
    recurrence = small()["episode"] | {"ref": "KB-1-2", "recurrence_of": f"{MARK}-episode"}
    copied = {"from": {"id": PUBLISHED, "version": 1}, "id": "own"}
    begins = {"in_force_from": "2026-12-01"}
    follow_up = {"kind": "follow_up", "referral": None, "measurements": [], "target_stage": None}
    yield SUBMITTER, "/v1/batteries", small("B", **{**later, **first}), {422}
    yield SUBMITTER, "/v1/batteries", small("B", **{**later, "episode": first["episode"] | {"new": False}}), {422}
    yield SUBMITTER, "/v1/batteries", small("B", **{**later, "episode": recurrence}), {422}
    for name in ({"id": ids["battery_id"]}, {"ref": f"{MARK}-battery"}):
        yield SUBMITTER, "/v1/batteries", small("B", **later, supersedes=name), {404, 422}
        yield SUBMITTER, "/v1/batteries", small("B", **later, **follow_up, follows=name), {404, 422}
    yield SUBMITTER, "/v1/batteries", small("B", **later, criteria_set=PUBLISHED), {422}
    yield SUBMITTER, "/v1/evaluations", small("B", **later, criteria_set=PUBLISHED), {422}
    yield SUBMITTER, "/v1/evaluations", small("B", **later, criteria_set=DRAFTED), {422}
    yield (
        CLINICIAN,
        f"/v1/episodes/{own['episode_id']}/decisions",
        {
            "target_stage": "running",
            "criteria_set": PUBLISHED,
        },
        {422},
    )
    yield (
        CLINICIAN,
        f"/v1/decisions/{own['id']}/sign-offs",
        {
            "decision_digest": two.first.decision["digest"],
            "determination": "defer",
            "rationale": "Later.",
        },
        {409},
    )
    yield (
        CLINICIAN,
        f"/v1/episodes/{own['episode_id']}/exceptions",
        {
            "stage": "running",
            "criterion": "pain-low",
            "until": "2026-11-27",
            "reason": "Invented.",
            "criteria_set": PUBLISHED,
        },
        {422},
    )
    yield ADMINISTRATOR, "/v1/criteria-sets", {"id": PUBLISHED, "version": 1, **begins}, {422}
    yield ADMINISTRATOR, "/v1/criteria-drafts", copied, {404}
    yield ADMINISTRATOR, "/v1/criteria-drafts", copied | {"from": {"id": DRAFTED, "version": 1}}, {404}
    yield ADMINISTRATOR, "/v1/access-keys", {"actor_id": ids["actor_id"]}, {422}


def test_what_a_body_names_of_another_organisation_is_not_known(two):
    before, own = rows_of(two.first.clinic), two.second.rows()

    for role, path, body, statuses in naming(two):
        response = send(two.second.world.client(role), path, body)

        assert response.status_code in statuses, (path, body, response.text)
        assert leaked(two, response, sent=str(body)) == set()
    assert rows_of(two.first.clinic) == before
    assert two.second.rows() == own | {"audit_log": two.second.rows()["audit_log"]}


FILTERS = (
    (CLINICIAN, "/v1/decisions", "athlete", "athlete_id"),
    (CLINICIAN, "/v1/decisions", "episode", "episode_id"),
    (CLINICIAN, "/v1/retests", "athlete", "athlete_id"),
    (CLINICIAN, "/v1/retests", "episode", "episode_id"),
    (ADMINISTRATOR, "/v1/audit", "athlete", "athlete_id"),
    (ADMINISTRATOR, "/v1/deliveries", "webhook", "webhook_id"),
)


@pytest.mark.parametrize(("role", "path", "argument", "name"), FILTERS)
def test_a_filter_by_another_organisations_id_finds_nothing(two, role, path, argument, name):
    asked = {argument: two.first.ids[name]}

    page = two.second.world.client(role).get(path, query_string=asked)

    assert leaked(two, page, sent=str(asked)) == set()
    # That somebody asked is in the log of their own organisation.
    assert {one["action"] for one in page.json["items"]} <= (
        {"list_decisions", "list_tasks"} if "audit" in path else set()
    )
    assert two.first.clinic.world.client(role).get(path, query_string=asked).json["items"] != []


def test_a_filter_by_another_organisations_ref_finds_nothing(two):
    for client, count in ((two.second.clinician, 0), (two.first.clinic.clinician, 1)):
        assert len(client.get(f"/v1/decisions?athlete_ref={MARK}-athlete").json["items"]) == count


def test_a_page_of_one_organisation_leads_to_none_of_another(two, database_url):
    following = two.first.clinic.administrator.get("/v1/audit?limit=1").json["next"]

    page = new_clinic(database_url).administrator.get(following)

    assert page.status_code == 200
    assert leaked(two, page, sent=following) == set()


def test_the_same_ref_and_the_same_idempotency_key_are_each_organisations_own(two, database_url):
    """Under the first one's refs and keys another organisation makes its own, and is told nothing of the first."""
    third = new_clinic(database_url, at="2026-11-20T20:00:00+01:00")
    body = battery("key", at="2026-11-19T16:30:00+01:00", occasion="another-day")
    first = send(two.first.clinic.submitter, "/v1/batteries", body, key=f"{MARK}-key")
    before = rows_of(two.first.clinic)

    second = send(third.submitter, "/v1/batteries", body, key=f"{MARK}-key")

    assert (first.status_code, second.status_code) == (201, 201)
    assert second.json["created"] == ["athlete", "episode"]
    assert "Idempotency-Replayed" not in second.headers
    assert leaked(two, second, sent=str(body)) == set()
    assert rows_of(two.first.clinic) == before
