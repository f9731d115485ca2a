"""Every error leaves by the one body, and every code has its row in the one table."""

import ast
import http
import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from werkzeug.exceptions import MethodNotAllowed, TooManyRequests, default_exceptions

import service
from service.api.problems import PROBLEMS, REFUSALS, REQUEST_REFUSALS, RefusedRequestError
from service.domain import errors
from service.domain.errors import (
    AmbiguousCriteriaSetError,
    BrokenBodyError,
    ConflictError,
    CriteriaFaultsError,
    DatabaseUnavailableError,
    Fault,
    FieldError,
    InvalidDocumentError,
    NotFoundError,
    ServiceError,
    UnauthenticatedError,
    UnknownStageError,
)
from tests.api.problem import assert_problem
from tests.api.shell import app_of

SERVICE = Path(service.__file__).parent
FIELD = FieldError("#/setup", "unknown_name", "there is no such question")
CODED = {"BrokenBodyError", "ConflictError", "InvalidDocumentError", "RefusedRequestError"}


def refusal(raised, **headers):
    return app_of(raised=raised).test_client().get("/v1/notes/raise", headers=headers)


def leaves(of: type[ServiceError]) -> Iterator[type[ServiceError]]:
    for one in of.__subclasses__():
        yield one
        yield from leaves(one)


def codes_in_the_tree() -> set[str]:
    """The words before the colon of each line of the docstring's tree."""
    tree = re.sub(r"\n {5,}", " ", errors.__doc__)
    told = re.findall(r"[├└]── \w+ +([^:]+):", tree)
    return {code.strip(" .") for one in told for code in one.split(",")}


def codes_raised_in(path: Path) -> Iterator[str]:
    """The codes that errors of several codes are made with; one that is a name is looked up in the module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named = dict(constants(tree))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in CODED and node.args:
            first = node.args[0]
            if isinstance(first, ast.Constant):
                yield first.value
            elif isinstance(first, ast.Name) and first.id in named:
                yield named[first.id]


def modules() -> list[Path]:
    """What answers over HTTP: the command line words its own refusals."""
    return [path for path in SERVICE.rglob("*.py") if "cli" not in path.parts]


def words_of_the_service() -> set[str]:
    """Every text constant outside the table's own layer."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in modules() if "api" not in path.parts]
    return {str(node.value) for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Constant)}


def constants(tree: ast.AST) -> Iterator[tuple[str, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            target, value = node.targets[0], node.value
            pairs = zip(target.elts, value.elts, strict=True) if two_tuples(target, value) else [(target, value)]
            for name, given in pairs:
                if isinstance(name, ast.Name) and isinstance(given, ast.Constant) and isinstance(given.value, str):
                    yield name.id, given.value


def two_tuples(target: ast.AST, value: ast.AST) -> bool:
    return isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) and len(target.elts) == len(value.elts)


def test_every_code_of_the_tree_has_its_row():
    assert len(codes_in_the_tree()) >= 15
    assert codes_in_the_tree() - set(REFUSALS) == set()


def test_the_table_has_no_row_that_nothing_refuses_by():
    assert set(REFUSALS) - codes_in_the_tree() - words_of_the_service() == set()


def test_every_error_of_one_code_has_its_row():
    answering = [one for one in leaves(ServiceError) if not one.__module__.startswith("service.cli")]
    own = {one.code for one in answering if "code" in vars(one)}

    assert len(own) >= 8
    assert own - set(PROBLEMS) == set()


def test_every_code_that_is_raised_has_its_row():
    raised = {code for path in modules() for code in codes_raised_in(path)}

    assert len(raised) >= 8
    assert raised - set(PROBLEMS) == set()


def test_a_code_that_is_raised_without_a_row_is_seen(tmp_path):
    file = tmp_path / "raising.py"
    file.write_text('A, B = "a", "b"\nraise ConflictError(B, "x")\nraise RefusedRequestError("c", "x")')

    assert set(codes_raised_in(file)) == {"b", "c"}


@pytest.mark.parametrize("code", PROBLEMS)
def test_every_row_has_a_status_of_an_error_and_a_title_of_its_own(code):
    status, title = PROBLEMS[code]

    assert status >= 400
    assert http.HTTPStatus(status)
    assert [other for other, (_, said) in PROBLEMS.items() if said == title] == [code]
    assert (code in REFUSALS) != (code in REQUEST_REFUSALS)


@pytest.mark.parametrize("code", PROBLEMS)
def test_the_type_of_a_problem_leads_to_its_explanation(code):
    client = app_of(raised=RefusedRequestError(code, "because")).test_client()
    address, _, anchor = assert_problem(client.get("/v1/notes/raise"), PROBLEMS[code][0], code)["type"].partition("#")

    assert f'id="{anchor}"' in client.get(address).text


@pytest.mark.parametrize("code", ["broken_json", "too_large", "too_deep"])
def test_a_body_that_can_not_be_read(code):
    assert_problem(refusal(BrokenBodyError(code, "it is broken")), PROBLEMS[code][0], code)


def test_faults_of_a_document_are_listed_with_their_places():
    body = assert_problem(refusal(InvalidDocumentError("invalid_battery", [FIELD])), 422, "invalid_battery")

    assert body["errors"] == [{"pointer": "#/setup", "code": "unknown_name", "detail": "there is no such question"}]


def test_faults_of_a_criteria_set_are_listed_with_their_lines():
    raised = CriteriaFaultsError([Fault("club/1.yaml", 3, "#/criteria", "name a test")])
    body = assert_problem(refusal(raised), 422, "criteria_faults")

    assert body["errors"] == [
        {
            "pointer": "#/criteria",
            "code": "criteria_faults",
            "detail": "name a test",
            "file": "club/1.yaml",
            "line": 3,
        },
    ]


def test_facts_of_an_error_are_given_to_programs():
    assert assert_problem(refusal(UnknownStageError("moon", ["one", "two"])), 422, "unknown_stage")["facts"] == {
        "stages": ["one", "two"]
    }
    assert "facts" not in assert_problem(refusal(NotFoundError("battery", "x")), 404, "not_found")


def test_a_conflict_leads_to_what_stands_in_the_way():
    response = refusal(ConflictError("ref_taken", "another has it", errors=[FIELD], link="/v1/notes/1"))

    assert assert_problem(response, 409, "ref_taken")["errors"][0]["pointer"] == "#/setup"
    assert response.headers["Link"] == '</v1/notes/1>; rel="related"'


@pytest.mark.parametrize(
    ("raised", "status"),
    [(ConflictError("surprise", "no row"), 409), (InvalidDocumentError("invalid_x", [FIELD]), 422)],
)
def test_a_refusal_without_a_row_is_still_told(raised, status):
    assert_problem(refusal(raised), status, raised.code)


def test_a_database_that_is_gone_asks_to_come_back():
    response = refusal(DatabaseUnavailableError("it is busy"))

    assert_problem(response, 503, "database_unavailable")
    assert int(response.headers["Retry-After"]) >= 1


def test_who_is_not_known_is_told_how_to_be():
    response = refusal(UnauthenticatedError("no key"))

    assert_problem(response, 401, "unauthenticated")
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="rts"'


def test_several_sets_are_facts_too():
    assert assert_problem(refusal(AmbiguousCriteriaSetError("x", ["a", "b"])), 422, "ambiguous_criteria_set")["facts"]


@pytest.mark.parametrize("status", sorted(set(default_exceptions) - {500}))
def test_every_error_of_the_framework_keeps_its_status(status):
    response = refusal(default_exceptions[status]())

    assert_problem(response, status, response.json["code"])


def test_headers_of_the_frameworks_errors_are_kept():
    assert refusal(MethodNotAllowed(["GET", "PUT"])).headers["Allow"] == "GET, PUT"
    assert refusal(TooManyRequests(retry_after=7)).headers["Retry-After"] == "7"


def test_an_address_that_is_not_there():
    assert_problem(app_of().test_client().get("/v1/nothing"), 404, "not_found")


def test_a_method_that_does_not_fit_names_those_that_do():
    response = app_of().test_client().delete("/v1/notes")

    assert_problem(response, 405, "method_not_allowed")
    assert {"GET", "POST"} <= set(response.headers["Allow"].split(", "))


def test_what_nobody_foresaw_tells_the_client_an_id_and_nothing_else(caplog):
    response = refusal(ValueError("KB-0417 is secret"), X_Request_Id="abc")
    body = assert_problem(response, 500, "internal_error")
    logged = [json.loads(record.message) for record in caplog.records if record.name == "rts.errors"]

    assert "KB-0417" not in response.text
    assert "abc" in body["detail"]
    assert [(one["request_id"], one["exception"]) for one in logged] == [("abc", "ValueError")]
    assert "raise raised" in "".join(logged[0]["traceback"])
    assert "KB-0417" not in caplog.text


def test_the_text_of_what_nobody_foresaw_is_logged_for_debugging_only(caplog):
    caplog.set_level(logging.DEBUG, "rts.errors")
    refusal(ValueError("the cause"))

    assert "the cause" in caplog.text


def test_an_error_of_ours_without_code_is_unforeseen():
    assert_problem(refusal(ServiceError("unnamed")), 500, "internal_error")


def test_a_redirect_is_no_error():
    app = app_of()
    app.add_url_rule("/v1/slashed/", "slashed", lambda: "")

    assert app.test_client().get("/v1/slashed").status_code == 308
