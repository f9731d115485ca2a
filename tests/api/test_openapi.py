"""The OpenAPI document says what the service does."""

import importlib
import json
import pkgutil
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from flask import Flask
from marshmallow import Schema
from marshmallow import fields as marshmallow_fields
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

import schemas
from schemas import fields
from schemas.battery import BatterySchema
from schemas.decision import DecisionSchema
from schemas.entries import EvaluationSchema
from schemas.faults import load as load_shape
from schemas.strict_json import load, read
from schemas.webhooks import EVENT_TYPES
from service.api.access import OPEN, ROLES
from service.api.blueprint import Blueprint
from service.api.openapi import api_of, document, shape_of
from service.api.problems import PROBLEMS
from service.api.routes import BLUEPRINTS
from service.app import create_app
from service.settings import Settings
from tests.api.shell import app_of, notes

SETTINGS = Settings(database_url="sqlite:////nowhere/never-opened.sqlite")


def documents() -> list[Mapping[str, Any]]:
    """The document of the service, and the one of the tiny service."""
    return [app.extensions["rts-openapi"] for app in (create_app(SETTINGS), app_of())]


def described() -> Mapping[str, Any]:
    return app_of().extensions["rts-openapi"]


def field_classes() -> set[type]:
    """Every field class that the schemas define themselves."""
    modules = [importlib.import_module(f"schemas.{one.name}") for one in pkgutil.iter_modules(schemas.__path__)]
    kinds = {kind for module in modules for kind in vars(module).values() if isinstance(kind, type)}
    return {
        kind for kind in kinds if issubclass(kind, marshmallow_fields.Field) and kind.__module__.startswith("schemas")
    }


def examples(blueprints) -> Iterator[tuple[str, Schema, Any]]:
    """Each documented example with the schema that it has to fit."""
    for blueprint in blueprints:
        for endpoint, methods in blueprint._docs.items():  # noqa: SLF001  # where flask-smorest keeps what is documented
            for told in (one for one in methods.values() if isinstance(one, Mapping)):
                yield from sent_examples(f"{blueprint.name}.{endpoint}", told)
                yield from answered_examples(f"{blueprint.name}.{endpoint}", told)


def sent_examples(where, told):
    for one in told.get("arguments", {}).get("parameters", ()):
        for name, example in examples_of(one).items():
            yield f"{where} sent{name}", schema_of(one["schema"]), example


def examples_of(told: Mapping[str, Any]) -> dict[str, Any]:
    """The examples of a body by their names; the only one has none."""
    several = {f" {name}": one["value"] for name, one in told.get("examples", {}).items()}
    return {"": told["example"]} if "example" in told else several


def answered_examples(where, told):
    for status, answers in told.get("response", {}).get("responses", {}).items():
        for one in answers if isinstance(answers, list) else ():
            if isinstance(one, Mapping) and "example" in one:
                yield f"{where} {status}", schema_of(one["schema"]), one["example"]


def schema_of(told) -> Schema:
    return told() if isinstance(told, type) else told


def faults(schema: Schema, example: Any) -> list[Any]:
    """Read the example as a body is read, so that its numbers are exact."""
    sent, found = read(json.dumps(example))
    return load(schema, sent, found=found)[1]


@pytest.mark.parametrize("told", documents(), ids=["service", "tiny"])
def test_the_document_is_valid_openapi(told):
    OpenAPIV31SpecValidator(told).validate()
    assert told["openapi"].startswith("3.1")


def test_the_document_is_served_as_it_is():
    app = app_of()

    assert app.test_client().get("/openapi.json").json == app.extensions["rts-openapi"]


@pytest.mark.parametrize("told", documents(), ids=["service", "tiny"])
def test_every_operation_says_who_may_call_it_what_it_does_and_how_it_fails(told):
    operations = [one for methods in told["paths"].values() for key, one in methods.items() if key != "parameters"]

    assert len(operations) >= 3
    for one in operations:
        assert one["summary"].endswith(".")
        assert "May be called by: " in one["description"]
        assert one["tags"]
        assert one["responses"]["default"] == {"$ref": "#/components/responses/DEFAULT_ERROR"}
        assert one["security"] or not one["x-roles"]
    assert len({one["operationId"] for one in operations}) == len(operations)


def test_the_roles_are_those_of_the_table():
    paths = described()["paths"]

    assert paths["/v1/notes"]["get"]["x-roles"] == ["clinician"]
    assert paths["/v1/notes"]["get"]["security"] == [{"access_key": []}]
    assert paths["/health/live"]["get"]["security"] == []
    assert "anybody, without an access key" in paths["/health/live"]["get"]["description"]
    assert "nobody" in paths["/v1/notes/closed"]["get"]["description"]


def test_the_documents_roles_are_the_whole_table():
    whole = create_app(SETTINGS).extensions["rts-openapi"]
    told = {
        one["operationId"]: set(one["x-roles"])
        for methods in whole["paths"].values()
        for key, one in methods.items()
        if key != "parameters"
    }
    table = {endpoint.replace(".", "_"): set() if roles == OPEN else set(roles) for endpoint, roles in ROLES.items()}

    assert told == {
        endpoint: roles for endpoint, roles in table.items() if not endpoint.startswith(("console_", "docs_"))
    }


def test_errors_are_documented_as_problems():
    components = described()["components"]

    assert list(components["responses"]["DEFAULT_ERROR"]["content"]) == ["application/problem+json"]
    assert set(components["schemas"]["Problem"]["required"]) >= {"type", "title", "status", "detail", "code", "errors"}


def test_faults_of_an_address_are_documented_with_the_status_that_they_have():
    responses = described()["paths"]["/v1/notes"]["get"]["responses"]

    assert "400" in responses
    assert "422" not in responses
    assert PROBLEMS["invalid_query"][0] == 400


def test_a_creation_documents_its_headers():
    write = described()["paths"]["/v1/notes"]["post"]
    key = next(one for one in write["parameters"] if one["in"] == "header")

    assert (key["name"], key["required"]) == ("Idempotency-Key", True)
    assert set(write["responses"]["201"]["headers"]) == {"Location", "Idempotency-Replayed"}


def test_a_change_documents_its_headers():
    paths = described()["paths"]["/v1/notes/{note_id}"]

    assert [one["name"] for one in paths["put"]["parameters"] if one["in"] == "header"] == ["If-Match"]
    assert "ETag" in paths["get"]["responses"]["200"]["headers"]
    assert paths["parameters"][0]["schema"] == {"type": "string", "format": "uuid"}


def test_arguments_of_an_address_have_their_shapes():
    told = {one["name"]: one["schema"] for one in described()["paths"]["/v1/notes"]["get"]["parameters"]}

    assert told["limit"] == {"type": "integer", "minimum": 1, "maximum": 200, "default": 50}
    assert told["open"] == {"type": "boolean"}
    assert told["kind"]["enum"] == ["one", "other"]


@pytest.mark.parametrize("kind", sorted(field_classes(), key=lambda kind: kind.__qualname__))
def test_every_field_of_ours_has_its_shape(kind):
    assert shape_of.dispatch(kind) is not shape_of.dispatch(object)


def component(schema: type[Schema]) -> Mapping[str, Any]:
    """The shape of a schema, as a route that reads it documents it."""
    blp = Blueprint("one", __name__, url_prefix="/v1/one")

    @blp.post("")
    @blp.answers(None, status=204)
    @blp.arguments(schema)
    def only(_body):
        """Read."""

    app = Flask("fresh")
    api = api_of(app, version="1", prefix="")
    api.register_blueprint(blp)
    told = document(app, api, {})
    OpenAPIV31SpecValidator(told).validate()
    return told["components"]["schemas"]


def test_shapes_hold_to_what_the_fields_hold_to():
    battery = component(BatterySchema)

    assert battery["Battery"]["additionalProperties"] is False
    assert set(battery["Battery"]["required"]) == {"kind", "athlete", "performed_at"}
    properties = battery["Battery"]["properties"]
    assert properties["kind"] == {"type": "string", "enum": ["assessment", "baseline", "follow_up"]}
    assert properties["ref"] == {"type": "string", "minLength": 1, "maxLength": 64}
    assert properties["performed_at"] == {"type": "string", "format": "date-time"}
    assert properties["measurements"]["maxItems"] == 200
    assert properties["session_check"]["additionalProperties"] == {"type": ["boolean", "integer", "string"]}
    assert battery["Quantity"]["properties"]["value"] == {"type": "number", "exclusiveMinimum": 0}
    assert battery["Episode"]["properties"]["recurrence_of"]["type"] == ["string", "null"]
    assert battery["Battery"]["description"] == "The body of a battery as it is posted."


def test_a_key_that_is_a_word_of_the_language_has_its_own_name():
    entries = component(EvaluationSchema)

    assert "as" in entries["FindingResolution"]["properties"]
    assert {"anyOf", "$ref"} & set(entries["EntryBattery"]["properties"]["episode"])


def test_a_decision_is_documented_whole():
    decision = component(DecisionSchema)

    assert decision["Decision"]["properties"]["retest"] == {
        "anyOf": [{"$ref": "#/components/schemas/Retest"}, {"type": "null"}]
    }
    assert decision["Decision"]["properties"]["supported_stage"]["type"] == ["string", "null"]
    assert decision["Reason"]["properties"]["route"]["enum"] == ["without_reference", "without_equipment", None]


def test_a_choice_that_may_be_null_says_so():
    class Chosen(Schema):
        one = fields.Choice(("a",), allow_none=True)

    assert component(Chosen)["Chosen"]["properties"]["one"] == {"type": ["string", "null"], "enum": ["a", None]}


ALL = [*examples(BLUEPRINTS), *examples([notes()])]


@pytest.mark.parametrize(("where", "schema", "example"), ALL, ids=[where for where, _, _ in ALL])
def test_every_documented_example_fits_its_schema(where, schema, example):
    assert where
    assert faults(schema, example) == []


def shown(told: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any], Any]]:
    """Each example of the document, with where it stands and the JSON Schema that it has to fit."""
    for path, operations in {**told["paths"], **told["webhooks"]}.items():
        for method, one in operations.items():
            parts = [one.get("requestBody", {}), *one["responses"].values()] if method != "parameters" else []
            for content in (content for part in parts for content in part.get("content", {}).values()):
                for example in examples_of(content).values():
                    yield f"{method} {path}", content["schema"], example


def test_every_documented_example_fits_its_json_schema():
    told = documents()[0]
    misfits = [
        (where, fault.message)
        for where, schema, example in shown(told)
        for fault in OAS31Validator(schema | {"components": told["components"]}).iter_errors(example)
    ]

    assert misfits == []


def test_every_message_to_a_webhook_is_described_with_an_example():
    told = documents()[0]["webhooks"]

    assert set(told) == set(EVENT_TYPES)
    assert {
        one["post"]["requestBody"]["content"]["application/json"]["example"]["type"] for one in told.values()
    } == set(told)


def test_an_example_that_does_not_fit_is_seen():
    _, schema, _ = ALL[-1]

    assert faults(schema, {"ref": 7}) != []
    assert load_shape(schema, {})[1] != []
