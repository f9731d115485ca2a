"""The OpenAPI document, and the readable page that is made of it: no script, nothing from elsewhere."""

import json
import re
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

import flask
from flask import Response, current_app, render_template
from markupsafe import Markup, escape

from service.api.problems import PROBLEMS

PAGE_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
DOCUMENT = "rts-openapi"
_REF = "#/components/schemas/"
_IN_BACKTICKS = re.compile("`([^`]+)`")


def blueprint() -> flask.Blueprint:
    """Return the routes of the documentation."""
    routes = flask.Blueprint(
        "docs", __name__, template_folder="templates", static_folder="static", static_url_path="/docs/static"
    )
    routes.add_app_template_filter(in_code, "in_code")
    routes.add_url_rule("/openapi.json", "openapi", _openapi)
    routes.add_url_rule("/docs", "page", _page)
    return routes


def _openapi() -> Response:
    text = json.dumps(current_app.extensions[DOCUMENT], indent=2, ensure_ascii=False)
    return current_app.response_class(text + "\n", mimetype="application/json")


def _page() -> Response:
    document = current_app.extensions[DOCUMENT]
    html = render_template(
        "docs.html",
        info=document["info"],
        groups=list(groups_of(document)),
        messages=[_message(type_, told["post"]) for type_, told in document["webhooks"].items()],
        shapes=list(shapes_of(document)),
        problems=[{"code": code, "status": status, "title": title} for code, (status, title) in PROBLEMS.items()],
    )
    return current_app.response_class(html, headers={"Content-Security-Policy": PAGE_POLICY})


def in_code(text: str) -> Markup:
    """Return a text as HTML, with what stands between backticks as code.

    >>> in_code("send `<id>` & wait")
    Markup('send <code>&lt;id&gt;</code> &amp; wait')
    """
    # Whatever was in the text is escaped by now; what is put around it is ours.
    return Markup(_IN_BACKTICKS.sub(r"<code>\1</code>", str(escape(text))))  # noqa: S704


def groups_of(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield each tag with its operations, as the page shows them."""
    for tag in document.get("tags", ()):
        operations = [
            _operation(path, method, operation)
            for path, methods in document["paths"].items()
            for method, operation in methods.items()
            if isinstance(operation, Mapping) and tag["name"] in operation.get("tags", ())
        ]
        shared = {path: methods.get("parameters", []) for path, methods in document["paths"].items()}
        for operation in operations:
            operation["parameters"] = [*map(_parameter, shared[operation["path"]]), *operation["parameters"]]
        yield {"name": tag["name"], "about": tag.get("description", ""), "operations": operations}


def shapes_of(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield each shape of a body or an answer with its fields."""
    for name, schema in sorted(document.get("components", {}).get("schemas", {}).items()):
        needed = schema.get("required", ())
        fields = [
            {"name": field, "kind": kind_of(shape), "required": field in needed, "limits": limits_of(shape)}
            for field, shape in schema.get("properties", {}).items()
        ]
        yield {"name": name, "about": schema.get("description", ""), "fields": fields}


def kind_of(shape: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return what a field is, in words; a shape of its own has its name under `shape`, to link to."""
    if "$ref" in shape:
        name = shape["$ref"].removeprefix(_REF)
        return [{"text": name, "shape": name}]
    if "anyOf" in shape:
        return [part for one in shape["anyOf"] for part in ({"text": " or "}, *kind_of(one))][1:]
    if shape.get("type") == "array":
        return [{"text": "list of "}, *kind_of(shape.get("items", {}))]
    types = shape.get("type", "anything")
    words = " or ".join(types) if isinstance(types, list) else types
    return [{"text": f"{words} ({shape['format']})" if "format" in shape else words}]


def limits_of(shape: Mapping[str, Any]) -> str:
    """Return what a field's value is held to, in words."""
    said = []
    if "enum" in shape:
        said.append("one of " + ", ".join("null" if one is None else str(one) for one in shape["enum"]))
    if "minimum" in shape and "maximum" in shape:
        said.append(f"from {shape['minimum']} to {shape['maximum']}")
    if "exclusiveMinimum" in shape:
        said.append(f"above {shape['exclusiveMinimum']}")
    if "maxLength" in shape:
        said.append(f"at most {shape['maxLength']} characters")
    if "maxItems" in shape:
        said.append(f"at most {shape['maxItems']}")
    if "default" in shape:
        said.append(f"{json.dumps(shape['default'])} if left out")
    return "; ".join(said)


def _operation(path: str, method: str, operation: Mapping[str, Any]) -> dict[str, Any]:
    body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    return {
        "id": operation["operationId"],
        "method": method.upper(),
        "path": path,
        "summary": operation.get("summary", ""),
        "description": operation["description"].split("\n\n"),
        "parameters": [_parameter(one) for one in operation.get("parameters", ())],
        "body": kind_of(body["schema"]) if "schema" in body else None,
        "body_examples": _examples(body),
        "answers": [_answer(status, told) for status, told in operation.get("responses", {}).items()],
    }


def _message(type_: str, told: Mapping[str, Any]) -> dict[str, Any]:
    body = told["requestBody"]["content"]["application/json"]
    return {
        "type": type_,
        "about": told["summary"],
        "kind": kind_of(body["schema"]),
        "example": _shown(body["example"]),
    }


def _parameter(parameter: Mapping[str, Any]) -> dict[str, Any]:
    shape = parameter.get("schema", {})
    return {
        "name": parameter["name"],
        "place": {"query": "address", "path": "path", "header": "header"}[parameter["in"]],
        "required": parameter.get("required", False),
        "kind": kind_of(shape),
        "limits": limits_of(shape),
        "about": parameter.get("description", ""),
    }


def _answer(status: str, told: Mapping[str, Any]) -> dict[str, Any]:
    if "$ref" in told:
        return {"status": "any error" if status == "default" else status, "kind": kind_of({"$ref": f"{_REF}Problem"})}
    content: Mapping[str, Any] = next(iter(told.get("content", {}).values()), {})
    return {
        "status": status,
        "about": _beyond_the_status(status, told.get("description", "")),
        "kind": kind_of(content["schema"]) if "schema" in content else [],
        "headers": list(told.get("headers", ())),
        "example": _shown(content.get("example")),
    }


def _beyond_the_status(status: str, description: str) -> str:
    """Return a description that says more than the usual words of the status."""
    usual = HTTPStatus(int(status)).phrase if status.isdigit() else ""
    return "" if description == usual else description


def _examples(body: Mapping[str, Any]) -> list[tuple[str, str | None]]:
    """Return what each example of a body is of, and its text."""
    if "examples" in body:
        return [(f": {one['summary']}", _shown(one["value"])) for one in body["examples"].values()]
    return [("", _shown(body["example"]))] if "example" in body else []


def _shown(example: object) -> str | None:
    return None if example is None else json.dumps(example, indent=2, ensure_ascii=False)
