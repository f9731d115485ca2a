"""Nobody calls what the one table does not give them."""

import pytest

from service.api.access import OPEN, ROLES, who_may
from service.api.routes import BLUEPRINTS
from service.app import create_app
from service.settings import Settings
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.api.problem import assert_problem
from tests.api.shell import app_of, bearer, key_of

NEVER_OPENED = Settings(database_url="sqlite:////nowhere/never-opened.sqlite")


@pytest.fixture(name="client")
def _client():
    return app_of().test_client()


def test_without_a_key_the_answer_says_how_to_send_one(client):
    response = client.get("/v1/notes/who")

    assert "Bearer rts_" in assert_problem(response, 401, "unauthenticated")["detail"]
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="rts"'


@pytest.mark.parametrize(
    "sent",
    [
        "Bearer", "Bearer rts_", f"Basic {key_of(SUBMITTER)}", key_of(SUBMITTER), f"Bearer {key_of(SUBMITTER)}x",
        f"Bearer {key_of('nobody')}", f"Bearer {key_of(SUBMITTER)} {key_of(SUBMITTER)}", "Bearer \x80",
    ],
)  # fmt: skip
def test_a_key_that_is_not_valid_is_told_so_and_not_repeated(client, sent):
    response = client.get("/v1/notes/who", headers={"Authorization": sent})

    assert_problem(response, 401, "unauthenticated")
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="rts", error="invalid_token"'
    assert "invented-secret" not in response.text


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_a_valid_key_is_let_in(client, scheme):
    response = client.get("/v1/notes/who", headers={"Authorization": f"{scheme} {key_of(SUBMITTER)}"})

    assert response.json["ref"] == "actor-1"


def test_the_caller_knows_the_request(client):
    assert client.get("/v1/notes/who", headers=bearer(X_Request_Id="mine")).json["request"] == "mine"


def test_a_role_that_may_not_is_told_which_may(client):
    body = assert_problem(client.get("/v1/notes", headers=bearer(SUBMITTER)), 403, "forbidden")

    assert "clinician" in body["detail"]
    assert body["facts"] == {"roles": [CLINICIAN]}
    assert client.get("/v1/notes", headers=bearer(CLINICIAN)).status_code == 200


@pytest.mark.parametrize("role", [SUBMITTER, CLINICIAN])
def test_a_route_without_a_row_is_closed_to_everybody(client, role):
    assert_problem(client.get("/v1/notes/closed", headers=bearer(role)), 403, "forbidden")
    assert_problem(client.get("/v1/notes/closed"), 401, "unauthenticated")


def test_the_door_comes_before_any_fault(client):
    assert_problem(client.post("/v1/notes?x=1", data="{"), 401, "unauthenticated")
    assert_problem(client.get("/v1/notes?x=1", headers=bearer(SUBMITTER)), 403, "forbidden")


def test_every_route_of_the_service_has_its_row_and_every_row_its_route():
    routes = {rule.endpoint for rule in create_app(NEVER_OPENED).url_map.iter_rules()}

    assert routes == set(ROLES)


def test_only_the_documentation_and_the_probes_are_open():
    is_open = {endpoint for endpoint, roles in ROLES.items() if roles == OPEN}

    assert {endpoint.split(".")[0] for endpoint in is_open} <= {"console", "docs", "operation"}


@pytest.mark.parametrize("endpoint", [endpoint for endpoint, roles in ROLES.items() if roles != OPEN] or ["-"])
def test_a_row_names_roles_that_there_are(endpoint):
    assert ROLES.get(endpoint, frozenset()) <= {SUBMITTER, CLINICIAN, ADMINISTRATOR}


def test_who_may_is_said_in_words():
    assert who_may(OPEN) == "anybody, without an access key"
    assert who_may(frozenset({ADMINISTRATOR, SUBMITTER})) == "submitter, administrator"
    assert who_may(frozenset()) == "nobody"


def test_each_resource_stands_once_in_the_list_of_routes():
    names = [blueprint.name for blueprint in BLUEPRINTS]

    assert len(set(names)) == len(names)
