"""Organisation, actors, access keys and audit log over HTTP: for administrators, each within their organisation."""

from typing import Any

import pytest

from service.api.pages import cursor_of
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.api.problem import assert_problem
from tests.world import World, new_world

PERSON = {"kind": "person", "display_name": "Invented Person", "profession": "nurse", "roles": ["clinician"]}
SYSTEM = {"kind": "system", "display_name": "Invented system", "roles": ["submitter"]}


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


@pytest.fixture
def admin(world: World) -> Any:
    return world.client(ADMINISTRATOR)


def faults(problem: dict[str, Any]) -> set[tuple[str, str]]:
    return {(one["pointer"], one["code"]) for one in problem["errors"]}


def ours(body: Any) -> list[dict[str, Any]]:
    return list(body.json["items"])


ROUTES = [
    ("GET", "/v1/organisation"),
    ("PUT", "/v1/organisation"),
    ("GET", "/v1/actors"),
    ("POST", "/v1/actors"),
    ("GET", "/v1/actors/{id}"),
    ("POST", "/v1/actors/{id}/disable"),
    ("GET", "/v1/access-keys"),
    ("POST", "/v1/access-keys"),
    ("GET", "/v1/access-keys/{id}"),
    ("POST", "/v1/access-keys/{id}/revoke"),
    ("GET", "/v1/audit"),
]


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_only_administrators_are_let_in(world, method, path):
    path = path.format(id=world.administrator.actor)

    for role in (SUBMITTER, CLINICIAN):
        assert_problem(world.client(role).open(method, path), 403, "forbidden")
    assert_problem(world.client(None).open(method, path), 401, "unauthenticated")


def test_the_organisation_is_shown_and_changed(world, admin):
    body = {"name": "Invented club", "time_zone": "America/New_York"}

    assert admin.get("/v1/organisation").json["id"] == world.organisation
    changed = admin.put("/v1/organisation", body)
    assert changed.status_code == 200
    assert changed.json | body == changed.json == admin.get("/v1/organisation").json


@pytest.mark.parametrize(
    ("body", "found"),
    [
        ({"name": "x", "time_zone": "Europe/Berln"}, {("#/time_zone", "unknown_name")}),
        ({"name": "x", "time_zone": "../../etc/passwd"}, {("#/time_zone", "unknown_name")}),
        ({"name": "  ", "time_zone": "UTC"}, {("#/name", "bad_text")}),
        ({"name": "two\nlines", "time_zone": "UTC"}, {("#/name", "bad_text")}),
        ({"name": "x" * 201, "time_zone": 1}, {("#/name", "bad_text"), ("#/time_zone", "wrong_type")}),
        ({"zone": "UTC"}, {("#/name", "missing"), ("#/time_zone", "missing"), ("#/zone", "unknown_field")}),
    ],
    ids=["no such zone", "a path", "blank", "two lines", "too long", "another field"],
)
def test_a_faulty_organisation_is_refused_by_field(admin, body, found):
    problem = assert_problem(admin.put("/v1/organisation", body), 422, "invalid_body")

    assert faults(problem) == found


def test_the_zone_that_was_meant_is_told(admin):
    problem = admin.put("/v1/organisation", {"name": "x", "time_zone": "Europe/Berln"}).json

    assert problem["errors"][0]["detail"] == "there is no time zone 'Europe/Berln'; did you mean Europe/Berlin?"


def test_an_actor_is_made_shown_and_disabled(admin):
    made = admin.post("/v1/actors", PERSON)
    assert made.status_code == 201
    shown = admin.get(made.headers["Location"])

    assert shown.json == made.json
    assert made.json | PERSON == made.json
    disabled = admin.post(f"{made.headers['Location']}/disable")
    assert disabled.status_code == 200
    assert disabled.json == made.json | {"disabled_at": "2026-11-20T17:00:00.000000Z"}
    assert admin.post(f"{made.headers['Location']}/disable").json == disabled.json


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (PERSON | {"profession": None}, {("#/profession", "wrong_type")}),
        ({key: PERSON[key] for key in ("kind", "display_name", "roles")}, {("#/profession", "missing")}),
        (PERSON | {"roles": ["owner", "clinician"]}, {("#/roles/0", "unknown_name")}),
        (PERSON | {"roles": []}, {("#/roles", "missing")}),
        (PERSON | {"roles": ["clinician", "clinician"]}, {("#/roles/1", "duplicate")}),
        (PERSON | {"display_name": "\t"}, {("#/display_name", "bad_text")}),
        (PERSON | {"kind": "robot"}, {("#/kind", "unknown_name")}),
        (SYSTEM | {"profession": "nurse"}, {("#/profession", "conflicts")}),
        (SYSTEM | {"email": "kim@example.org"}, {("#/email", "conflicts")}),
        (
            {},
            {("#/kind", "missing"), ("#/display_name", "missing"), ("#/roles", "missing")},
        ),
    ],
    ids=[
        "null",
        "no profession",
        "unknown role",
        "no role",
        "twice",
        "blank",
        "kind",
        "system",
        "mail of a system",
        "nothing",
    ],
)
def test_a_faulty_actor_is_refused_by_field(admin, body, found):
    problem = assert_problem(admin.post("/v1/actors", body), 422, "invalid_body")

    assert faults(problem) == found


NO_ADDRESS = [
    "kim",
    "kim@",
    "@example.org",
    "kim@example",
    "kim@example.org\r\nBcc: all@example.org",
    "kim@example.org\0",
    "kim@example.org, lee@example.org",
    "kim@example.org lee@example.org",
    "Kim Invented <kim@example.org>",
    "<kim@example.org>",
    '"kim, lee"@example.org',
    "kim@[127.0.0.1]",
    "kim..lee@example.org",
    "k\u00edm@example.org",
    "kim@ex\u00e4mple.org",
    f"{'k' * 250}@example.org",
    "",
]


@pytest.mark.parametrize("sent", NO_ADDRESS)
def test_what_is_no_plain_address_is_refused(world, admin, sent):
    for answer in (
        admin.post("/v1/actors", PERSON | {"email": sent}),
        admin.put(f"/v1/actors/{world.clinician.actor}/email", {"email": sent}),
    ):
        problem = assert_problem(answer, 422, "invalid_body")
        assert faults(problem) == {("#/email", "bad_text")}


@pytest.mark.parametrize("sent", ["kim@example.org", "K.O'Hara+rts@mail.example.org", "kim@xn--bcher-kva.example"])
def test_an_address_is_kept_as_it_is_sent(admin, sent):
    made = admin.post("/v1/actors", PERSON | {"email": sent})

    assert (made.status_code, made.json["email"]) == (201, sent)
    assert admin.get(made.headers["Location"]).json["email"] == sent


def test_an_administrator_changes_the_address_of_a_person_and_takes_it_away(world, admin):
    place = f"/v1/actors/{world.clinician.actor}"

    for sent in ("kim@example.org", "lee@example.org", None, None):
        changed = admin.put(f"{place}/email", {"email": sent})
        assert (changed.status_code, changed.json["email"]) == (200, sent)
        assert admin.get(place).json == changed.json
    rows = ours(admin.get("/v1/audit?action=change_email"))
    assert {one["object_id"] for one in rows} == {world.clinician.actor}
    assert sorted(one["detail"] for one in rows) == ["changed", "changed", "removed"]
    assert "example.org" not in admin.get("/v1/audit").text


def test_a_person_changes_the_own_address_and_nobody_elses(world):
    client = world.client(CLINICIAN)
    own = client.put(f"/v1/actors/{world.clinician.actor}/email", {"email": "kim@example.org"})

    assert (own.status_code, own.json["email"]) == (200, "kim@example.org")
    other = client.put(f"/v1/actors/{world.administrator.actor}/email", {"email": None})
    problem = assert_problem(other, 403, "forbidden")
    assert problem["facts"] == {"roles": ["administrator"]}
    assert_problem(client.put(f"/v1/actors/{world.organisation}/email", {"email": None}), 404, "not_found")


def test_a_system_reads_no_mail(world, admin):
    place = f"/v1/actors/{world.submitter.actor}/email"

    problem = assert_problem(admin.put(place, {"email": "kim@example.org"}), 422, "invalid_body")
    assert faults(problem) == {("#/email", "conflicts")}
    assert admin.put(place, {"email": None}).json["email"] is None


def test_a_body_without_an_address_is_refused(world, admin):
    place = f"/v1/actors/{world.clinician.actor}/email"

    assert faults(assert_problem(admin.put(place, {}), 422, "invalid_body")) == {("#/email", "missing")}
    assert faults(assert_problem(admin.put(place, {"email": 1}), 422, "invalid_body")) == {("#/email", "wrong_type")}


def test_a_key_is_told_once_opens_and_is_revoked(world, admin):
    actor = admin.post("/v1/actors", PERSON | {"roles": ["clinician", "administrator"]}).json["id"]
    made = admin.post("/v1/access-keys", {"actor_id": actor, "label": "At the court"}, headers={"Idempotency-Key": "k"})
    again = admin.post(
        "/v1/access-keys", {"actor_id": actor, "label": "At the court"}, headers={"Idempotency-Key": "k"}
    )

    assert (made.status_code, made.json["state"], made.json["purpose"]) == (201, "valid", "api")
    assert (again.status_code, again.headers["Idempotency-Replayed"]) == (201, "true")
    assert again.json == made.json | {"secret": None, "note": again.json["note"]}
    holder = world.client_with(made.json["secret"])
    assert holder.get("/v1/organisation").status_code == 200
    shown = holder.get(made.headers["Location"]).json
    assert shown == {key: one for key, one in made.json.items() if key not in {"secret", "note"}} | {
        "last_used_on": "2026-11-20"
    }
    revoked = admin.post(f"{made.headers['Location']}/revoke")
    assert (revoked.status_code, revoked.json["state"]) == (200, "revoked")
    assert admin.post(f"{made.headers['Location']}/revoke").json == revoked.json
    assert_problem(holder.get("/v1/organisation"), 401, "unauthenticated")


def test_a_key_that_would_never_open_is_refused(world, admin):
    body = {"actor_id": world.organisation, "expires_at": "2026-11-20T18:00:00+01:00"}
    problem = assert_problem(admin.post("/v1/access-keys", body), 422, "invalid_body")

    assert faults(problem) == {("#/actor_id", "unknown_name"), ("#/expires_at", "out_of_range")}
    text = assert_problem(admin.post("/v1/access-keys", {"actor_id": "me", "expires_at": "soon"}), 422, "invalid_body")
    assert faults(text) == {("#/actor_id", "bad_text"), ("#/expires_at", "wrong_type")}


@pytest.mark.parametrize("path", ["/v1/actors", "/v1/access-keys"])
def test_what_is_created_needs_an_idempotency_key(admin, path):
    assert_problem(admin.post(path, {}, headers={"Idempotency-Key": ""}), 400, "idempotency_key_missing")


def test_an_idempotency_key_of_another_request_is_refused(admin):
    admin.post("/v1/actors", PERSON, headers={"Idempotency-Key": "k"})

    again = admin.post("/v1/actors", SYSTEM, headers={"Idempotency-Key": "k"})
    assert_problem(again, 422, "key_reused")


def test_the_last_administrators_key_can_not_revoke_itself(world, admin):
    keys = ours(admin.get("/v1/access-keys"))
    first, own = (
        next(one["id"] for one in keys if one["actor"]["display_name"] == name)
        for name in ("First administrator", "Invented Administrator")
    )
    assert admin.post(f"/v1/access-keys/{first}/revoke").status_code == 200

    assert_problem(admin.post(f"/v1/access-keys/{own}/revoke"), 409, "last_administrator_key")
    refused = admin.post(f"/v1/actors/{world.administrator.actor}/disable")
    assert_problem(refused, 409, "last_administrator_key")


@pytest.mark.parametrize(
    "path",
    ["/v1/actors/{actor}", "/v1/actors/{actor}/disable", "/v1/access-keys/{key}", "/v1/access-keys/{key}/revoke"],
)
def test_another_organisations_ids_are_not_found(world, database_url, path):
    other = new_world(database_url)
    key = other.keys[SUBMITTER].split("_")[1]
    key = f"{key[:8]}-{key[8:12]}-{key[12:16]}-{key[16:20]}-{key[20:]}"
    address = path.format(actor=other.submitter.actor, key=key)
    method = "POST" if path.endswith(("disable", "revoke")) else "GET"

    assert_problem(world.client(ADMINISTRATOR).open(method, address), 404, "not_found")
    assert other.client(ADMINISTRATOR).open(method, address).status_code == 200


@pytest.mark.parametrize("path", ["/v1/actors", "/v1/access-keys", "/v1/audit"])
def test_lists_come_in_pages_that_lead_on(admin, path):
    seen: list[str] = []
    following = f"{path}?limit=2"
    while following:
        page = admin.get(following)
        assert page.status_code == 200
        seen += [one["id"] for one in ours(page)]
        following = page.json["next"]
        assert (f'<{following}>; rel="next"' == page.headers.get("Link")) is bool(following)
    assert len(seen) == len(set(seen)) > 3
    assert seen == [one["id"] for one in ours(admin.get(f"{path}?limit=200"))]


@pytest.mark.parametrize(
    "cursor",
    [
        "x",
        cursor_of(("x", "y"), of="/v1/audit?"),
        cursor_of(("2026-11-20", "01890a5d-ac96-774b-bcce-b302099a8057"), of="/v1/audit?"),
    ],
    ids=["no cursor", "no moment", "a moment without an offset"],
)
def test_a_made_up_cursor_is_refused(admin, cursor):
    problem = assert_problem(admin.get(f"/v1/audit?cursor={cursor}"), 400, "invalid_query")

    assert faults(problem) == {("?cursor", "bad_text")}


def test_the_audit_log_tells_who_did_what_in_which_request(world, admin):
    made = admin.post("/v1/actors", SYSTEM, headers={"X-Request-Id": "invented-request-1"})
    asked = f"/v1/audit?actor={world.administrator.actor}&action=create_actor&from=2026-11-20&to=2026-11-20"
    (row,) = ours(admin.get(asked))

    assert (row["object_id"], row["request_id"]) == (made.json["id"], "invented-request-1")
    assert ours(admin.get(f"{asked}&athlete={world.organisation}")) == []
    assert_problem(admin.get("/v1/audit?from=yesterday"), 400, "invalid_query")
    assert_problem(admin.get("/v1/audit?actor=me"), 400, "invalid_query")
    assert_problem(admin.get("/v1/audit?colour=red"), 400, "invalid_query")


def test_a_key_is_never_kept_in_a_cache(admin):
    assert admin.get("/v1/access-keys").headers["Cache-Control"] == "no-store"
