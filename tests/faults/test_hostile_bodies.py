"""Whatever is sent is answered, never with a fault of ours: bodies bent out of shape, for every route that takes one.

A few hundred in every run; `pytest -m slow tests/faults` sends 5,000.
"""

import json
import random
import re
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any
from uuid import uuid4

import pytest

from schemas.strict_json import DEEPEST
from service.use_cases.context import ROLES
from tests.world import ACTORS, CLINICIAN, new_key, new_world

SEED = 20_261_128
FEW, MANY = 400, 5_000
METHODS = ("post", "put", "delete")

NASTY: tuple[Any, ...] = (
    None, True, False, 0, -1, 1.5, 10**11, 10**40, 1e-9, 1e308, -0.0, "", " ", "0", "1_000", "NaN", "null", "é" * 300,
    "a\u0000b", "\ud800", "\u202e", "a" * 3000, "2026-13-40", "2026-11-20",
    "9999-12-31T23:59:59Z", "0001-01-01",
    "2026-11-20T16:30:00+99:99", "' OR 1=1 --", "../../etc", "<script>", "%00", [], {}, [[]], [{}], {"a": {}},
    {"__class__": "x"}, ["x"] * 300, {"id": 1}, {"ref": None},
    "01990a5d-ac96-774b-bcce-b302099a8057", "lateral-ankle-sprain",
)  # fmt: skip
RAW: tuple[bytes, ...] = (
    b"", b"{", b"[]", b"null", b"1", b'"x"', b"{}{}", b'{"a":1,"a":2}', b"\xff\xfe", b"\xef\xbb\xbf{}",
    b"NaN", b'{"a":NaN}',
    b'{"a":1e999999999}', b'{"a":-Infinity}', b"[" * 5000, b'{"a":' * 5000, b'{"a":"\\ud800"}', b'{"a":"\\u0000"}',
    b'{"a":' + b"9" * 5000 + b"}", b'{"' + b"k" * 100_000 + b'":1}', b"{" + b" " * 900_000 + b"}",
    b"x" * (1024 * 1024 + 1),
)  # fmt: skip


def places(document: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield at
    if isinstance(document, dict):
        for key, value in document.items():
            yield from places(value, (*at, key))
    elif isinstance(document, list):
        for place, value in enumerate(document):
            yield from places(value, (*at, place))


def changed(document: Any, at: tuple[Any, ...], change: Callable[[Any, Any], None], draw: random.Random) -> Any:
    """The document with something done to the place so named; a copy."""
    copy = json.loads(json.dumps(document))
    if not at:
        return draw.choice(NASTY)
    inside = copy
    for key in at[:-1]:
        inside = inside[key]
    change(inside, at[-1])
    return copy


def bent(document: Any, draw: random.Random) -> bytes:
    """A body that was bent at one to three places, or is no JSON at all."""
    if draw.random() < 0.15:
        return draw.choice(RAW)
    for _ in range(draw.randint(1, 3)):
        at = draw.choice(list(places(document)))
        kind = draw.choice(("replace", "replace", "remove", "add", "twice", "deep"))
        document = changed(document, at, partial(CHANGES[kind], draw), draw)
    return json.dumps(document).encode("utf-8", "surrogatepass")


def _replace(draw: random.Random, inside: Any, key: Any) -> None:
    inside[key] = draw.choice(NASTY)


def _remove(_draw: random.Random, inside: Any, key: Any) -> None:
    del inside[key]


def _add(draw: random.Random, inside: Any, _key: Any) -> None:
    if isinstance(inside, dict):
        inside[draw.choice(("ref", "new", "value", "surprise", "id", "as", ""))] = draw.choice(NASTY)
    else:
        inside.append(draw.choice(NASTY))


def _twice(_draw: random.Random, inside: Any, key: Any) -> None:
    if isinstance(inside, list):
        inside.append(inside[key])
    else:
        inside[f"{key}_"] = inside[key]


def _deep(draw: random.Random, inside: Any, key: Any) -> None:
    value: Any = inside[key]
    for _ in range(draw.randint(1, DEEPEST + 2)):
        value = [value] if draw.random() < 0.5 else {"a": value}
    inside[key] = value


CHANGES = {"replace": _replace, "remove": _remove, "add": _add, "twice": _twice, "deep": _deep}


@pytest.fixture
def everybody(database_url):
    """A client whose key may do everything, so that no body is refused for its sender."""
    world = new_world(database_url)
    return world.client_with(new_key(world.context, world.organisation, roles=list(ROLES), **ACTORS[CLINICIAN]))


def operations(client: Any) -> list[tuple[str, str, Any]]:
    """Every route that changes something: method, path, and the example of its body, if it takes one."""
    document = client.get("/openapi.json").json
    return [
        (method.upper(), path, body_example(one))
        for path, item in document["paths"].items()
        for method, one in item.items()
        if method in METHODS
    ]


def body_example(one: dict[str, Any]) -> Any:
    content = one.get("requestBody", {}).get("content", {}).get("application/json", {})
    examples = [shown["value"] for shown in content.get("examples", {}).values()]
    return content.get("example", examples[0] if examples else {})


def filled(path: str, draw: random.Random, known: list[str]) -> str:
    return re.sub(r"{[^}]*}", lambda _: draw.choice([*known, str(uuid4()), "x", "1", "..%2f", "%00", "é"]), path)


def sent(client: Any, count: int) -> list[tuple[str, str, bytes, Any]]:
    """What was answered with a fault of ours, or with no problem of ours."""
    draw = random.Random(SEED)  # noqa: S311 - the same bodies in every run
    routes = operations(client)
    known = ["lateral-ankle-sprain", "1"]
    wrong = []
    for _ in range(count):
        method, path, example = draw.choice(routes)
        address = filled(path, draw, known)
        body = bent(example, draw)
        headers = {
            "Content-Type": "application/json",
            "Idempotency-Key": uuid4().hex,
            "If-Match": draw.choice(('"1"', "*", "x")),
        }
        answer = client.open(method, address, headers=headers, data=body)
        is_problem = answer.status_code < 400 or answer.content_type == "application/problem+json"
        if answer.status_code >= 500 or not is_problem:
            wrong.append((method, address, body[:2000], answer.status_code))
        elif answer.status_code in (200, 201) and isinstance(answer.json, dict) and "id" in answer.json:
            known.append(str(answer.json["id"]))
    return wrong


def test_a_bent_body_is_answered_and_never_with_a_fault_of_ours(everybody):
    assert sent(everybody, FEW) == []


@pytest.mark.slow
def test_five_thousand_bent_bodies_are_answered_and_none_with_a_fault_of_ours(everybody):
    assert sent(everybody, MANY) == []
