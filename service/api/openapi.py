"""The OpenAPI document: our own fields as JSON Schema, who may call what, and the one body of errors."""

from collections.abc import Iterator, Mapping
from functools import singledispatch
from typing import Any

import flask_smorest
from flask import Flask
from marshmallow import fields as marshmallow_fields
from marshmallow.validate import Range
from werkzeug.routing import Rule

from schemas import catalogue, criterion, entries, examples, fields, keyed, quantities, reason, reminding
from schemas.problem import ProblemSchema
from service.api.access import OPEN, who_may
from service.api.messages import webhooks_of
from service.api.problems import PROBLEM_JSON
from service.api.reading import IdConverter

JsonSchema = dict[str, Any]

_TITLE = "Return-to-sport criteria"
_DESCRIPTION = (
    "Judges test batteries of athletes against cited, versioned return-to-sport criteria, and answers pass or hold "
    "with a reason for every criterion.\n\n"
    "An answer supports the decision of a qualified professional and never replaces it: criteria are met or not met; "
    "nobody is cleared by this service. Each decision carries its caution, its sources and the version that judged it."
)
_KEY = "access_key"
_SECURITY = {
    "type": "http",
    "scheme": "bearer",
    "description": "An access key of an organisation: `Authorization: Bearer rts_...`. It is shown once, when made.",
}
_CALENDAR_KEY = "calendar_key"
_CALENDAR_SECURITY = {
    "type": "apiKey",
    "in": "query",
    "name": "key",
    "description": "The key of a calendar, which opens the feed of what is due and nothing else.",
}
_METHODS = frozenset({"get", "put", "post", "delete", "patch"})


class Api(flask_smorest.Api):
    """flask-smorest with our fields and our errors."""

    ERROR_SCHEMA = ProblemSchema
    DEFAULT_RESPONSE_CONTENT_TYPE = "application/json"

    def _register_error_handlers(self) -> None:
        """Leave errors to `service.api.problems`."""

    def _register_responses(self) -> None:
        """Document every error as problem+json; what is no error has its own type."""
        usual: str = self.DEFAULT_RESPONSE_CONTENT_TYPE
        self.DEFAULT_RESPONSE_CONTENT_TYPE = PROBLEM_JSON
        try:
            super()._register_responses()
        finally:
            self.DEFAULT_RESPONSE_CONTENT_TYPE = usual


def api_of(app: Flask, *, version: str, prefix: str) -> Api:
    """Return the API of an app; register blueprints with it, then ask for its `document`."""
    app.config.update(API_TITLE=_TITLE, API_VERSION=version, OPENAPI_VERSION="3.1.0")
    app.url_map.converters["id"] = IdConverter
    described = {"info": {"description": _DESCRIPTION}, "servers": [{"url": prefix or "/"}]}
    api = Api(app, spec_kwargs=described)
    api.register_converter(IdConverter, lambda _: {"type": "string", "format": "uuid"})
    api.ma_plugin.converter.add_attribute_function(field_of_ours)
    api.spec.components.security_scheme(_KEY, _SECURITY)
    api.spec.components.security_scheme(_CALENDAR_KEY, _CALENDAR_SECURITY)
    return api


def document(app: Flask, api: Api, roles: Mapping[str, frozenset[str]]) -> dict[str, Any]:
    """Return the document of all registered blueprints, with who may call each operation."""
    webhooks = webhooks_of(api.ma_plugin.converter.resolve_nested_schema)
    described: dict[str, Any] = {**api.spec.to_dict(), "webhooks": webhooks}
    for rule, operation in _operations(app, api, described):
        allowed = roles.get(rule.endpoint, frozenset())
        operation["operationId"] = rule.endpoint.replace(".", "_")
        operation.setdefault("security", [] if allowed == OPEN else [{_KEY: []}])
        operation["x-roles"] = [] if allowed == OPEN else sorted(allowed)
        told = f"May be called by: {who_may(allowed)}."
        operation["description"] = f"{operation['description']}\n\n{told}" if "description" in operation else told
    _describe_schemas(api, described)
    return described


def _operations(app: Flask, api: Api, described: Mapping[str, Any]) -> Iterator[tuple[Rule, dict[str, Any]]]:
    for rule in app.url_map.iter_rules():
        path = described["paths"].get(api.flask_plugin.flaskpath2openapi(rule.rule), {})
        for method in _METHODS & {one.lower() for one in rule.methods or ()}:
            if method in path:
                yield rule, path[method]


def _describe_schemas(api: Api, described: Mapping[str, Any]) -> None:
    """Give each shape its class's first sentence."""
    for key, name in api.ma_plugin.converter.refs.items():
        component = described["components"]["schemas"].get(name)
        if component is not None and getattr(key[0], "one_of", False):
            # What such a shape lists are not its parts: one of them is the whole answer.
            component["anyOf"] = list(component.pop("properties").values())
            for word in ("type", "additionalProperties"):
                component.pop(word, None)
        if component is not None and key[0].__doc__:
            component["description"] = key[0].__doc__.strip().split("\n\n")[0]


def field_of_ours(converter: Any, field: marshmallow_fields.Field[Any], ret: JsonSchema) -> JsonSchema:
    """Return the JSON Schema of a field of ours; apispec calls this for every field, after its own."""
    shape = shape_of(field, converter)
    if shape is None:
        return {}
    if field.allow_none:
        shape = _or_null(shape)
    for key in ("minLength", "maxLength", "x-minimum", "x-maximum"):
        ret.pop(key, None)  # what apispec guesses from validators of a field that it does not know
    return shape


@singledispatch
def shape_of(_field: object, _converter: Any) -> JsonSchema | None:
    """Return the JSON Schema of a field, or None where apispec knows the field itself."""
    return None


@shape_of.register
def _text(field: fields.Text, _converter: Any) -> JsonSchema:
    shape: JsonSchema = {"type": "string", "minLength": 1, "maxLength": field.most}
    return shape | ({"pattern": f"^({field.pattern.pattern})$"} if field.pattern else {})


@shape_of.register
def _recipient(field: reminding.Recipient, converter: Any) -> JsonSchema:
    return {"anyOf": [{"type": "string", "enum": list(reminding.GROUPS)}, _text(field, converter)]}


@shape_of.register
def _email(field: fields.Email, converter: Any) -> JsonSchema:
    return _text(field, converter) | {"format": "email"}


@shape_of.register
def _number(field: fields.Number, _converter: Any) -> JsonSchema:
    shape: JsonSchema = {"type": "number"}
    for one in field.validators:
        if isinstance(one, Range) and one.min is not None:
            shape["minimum" if one.min_inclusive else "exclusiveMinimum"] = int(one.min)
    return shape


@shape_of.register
def _whole(field: fields.Whole, _converter: Any) -> JsonSchema:
    return {"type": "integer", "minimum": field.least, "maximum": field.most}


@shape_of.register
def _flag(_field: fields.Flag, _converter: Any) -> JsonSchema:
    return {"type": "boolean"}


@shape_of.register
def _choice(field: fields.Choice, _converter: Any) -> JsonSchema:
    return {"type": "string", "enum": list(field.choices)}


@shape_of.register
def _answer(_field: fields.Answer, _converter: Any) -> JsonSchema:
    return {"type": ["boolean", "integer", "string"]}


@shape_of.register
def _answers(field: fields.Answers, converter: Any) -> JsonSchema:
    return {"type": "object", "additionalProperties": converter.field2property(field.answer)}


@shape_of.register
def _day(_field: fields.Day, _converter: Any) -> JsonSchema:
    return {"type": "string", "format": "date"}


@shape_of.register
def _day_or_month(_field: fields.DayOrMonth, _converter: Any) -> JsonSchema:
    return {"type": "string", "pattern": r"^\d{4}-\d{2}(-\d{2})?$"}


@shape_of.register
def _moment(_field: fields.Moment, _converter: Any) -> JsonSchema:
    return {"type": "string", "format": "date-time"}


@shape_of.register
def _keyed(field: keyed.Keyed, converter: Any) -> JsonSchema:
    entry = converter.field2property(field.entry)
    return {"type": "object", "propertyNames": converter.field2property(field.key), "additionalProperties": entry}


@shape_of.register
def _text_or(field: keyed.TextOr, converter: Any) -> JsonSchema:
    text = converter.field2property(fields.Text())
    return {"anyOf": [text, converter.resolve_nested_schema(field.schema)]}


@shape_of.register
def _quantity(_field: quantities.Quantity, _converter: Any) -> JsonSchema:
    return {"type": ["string", "integer"], "pattern": r"^-?(0|[1-9][0-9]*)(\.[0-9]+)? \S+$"}


@shape_of.register
def _statistic(_field: quantities.Statistic, _converter: Any) -> JsonSchema:
    return _quantity(_field, _converter) | {"type": ["string", "number"]}


@shape_of.register
def _figure(_field: reason.Figure, _converter: Any) -> JsonSchema:
    return {"type": ["string", "boolean"], "pattern": r"^(-?(0|[1-9]\d*)(\.\d*[1-9])?|[a-z][a-z0-9_]*)$"}


@shape_of.register
def _named_tests(_field: criterion.NamedTests, converter: Any) -> JsonSchema:
    a_class = converter.field2property(fields.Choice(criterion.TEST_CLASSES))
    names = {"type": "array", "minItems": 1, "items": converter.field2property(fields.name())}
    return {"anyOf": [a_class, names]}


@shape_of.register
def _episode_or_ref(_field: entries.EpisodeOrRef, converter: Any) -> JsonSchema:
    whole = converter.resolve_nested_schema(entries.KnownEpisodeSchema)
    return {"anyOf": [converter.field2property(fields.ref()), whole]}


@shape_of.register
def _entry_name(_field: entries.EntryName, converter: Any) -> JsonSchema:
    position = converter.field2property(fields.Whole(least=1, most=entries.MOST_ENTRIES))
    return {"anyOf": [converter.field2property(fields.ref()), position]}


@shape_of.register
def _answers_list(_field: catalogue.AnswersList, _converter: Any) -> JsonSchema:
    return {"anyOf": [{"type": "string"}, {"type": "array"}, {"type": "object"}]}


@shape_of.register
def _plain(_field: examples.Plain, _converter: Any) -> JsonSchema:
    return {"type": "object"}


@shape_of.register
def _hold(_field: examples.Hold, _converter: Any) -> JsonSchema:
    return {"type": "array", "items": {"type": "string"}}


def _or_null(shape: JsonSchema) -> JsonSchema:
    if "anyOf" in shape:
        return shape | {"anyOf": [*shape["anyOf"], {"type": "null"}]}
    types = shape["type"] if isinstance(shape["type"], list) else [shape["type"]]
    return shape | {"type": [*types, "null"]} | ({"enum": [*shape["enum"], None]} if "enum" in shape else {})
