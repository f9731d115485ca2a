"""A request is read strictly: the type before the body, every fault at once, nothing unheard."""

import datetime as dt
import io
import json
from decimal import Decimal

import pytest

from schemas.strict_json import MOST_BYTES
from tests.api.problem import assert_problem
from tests.api.shell import ID, NOTE, app_of, bearer

JSON = "application/json"


@pytest.fixture(name="client")
def _client():
    return app_of().test_client()


def post(client, body=None, *, kind=JSON, to="/v1/notes", **headers):
    data = json.dumps(NOTE if body is None else body) if not isinstance(body, bytes | str) else body
    sent = {"Idempotency_Key": "key-1"} | headers
    return client.post(to, data=data, content_type=kind, headers=bearer(**sent))


def places(response):
    return [(one["pointer"], one["code"]) for one in response.json["errors"]]


@pytest.mark.parametrize(
    "kind",
    [
        JSON,
        "application/json; charset=utf-8",
        "application/json;charset=UTF-8",
        "application/vnd.notes+json",
        "APPLICATION/JSON",
    ],
)
def test_json_is_read(client, kind):
    assert post(client, kind=kind).status_code == 201


@pytest.mark.parametrize(
    "kind",
    [
        None, "", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/json",
        "application/json; charset=latin-1", "application/jsonp", "application/+json",
    ],
)  # fmt: skip
def test_another_type_is_refused_before_the_body_is_read(client, kind):
    response = post(client, b"\xff{", kind=kind)

    assert_problem(response, 415, "unsupported_media_type")
    assert response.headers["Accept"] == JSON


def test_a_packed_body_is_refused(client):
    assert_problem(post(client, Content_Encoding="gzip"), 415, "unsupported_media_type")


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"", 400, "broken_json"),
        (b"{", 400, "broken_json"),
        (b'{"ref": "\xff"}', 400, "broken_json"),
        (b'{"ref": "a", "ref": "b", "value": 1}', 400, "broken_json"),
        (b'{"value": NaN}', 400, "broken_json"),
        (b"[" * 13 + b"]" * 13, 400, "too_deep"),
        (b" " * (MOST_BYTES + 1), 413, "too_large"),
    ],
)
def test_a_body_that_is_no_json_is_refused_as_a_whole(client, body, status, code):
    assert_problem(post(client, body), status, code)


def test_a_body_of_just_the_limit_is_read(client):
    body = json.dumps(NOTE).ljust(MOST_BYTES).encode()

    assert post(client, body).status_code == 201
    problem = assert_problem(post(client, body + b" "), 413, "too_large")
    assert f"at most {MOST_BYTES:,} bytes" in problem["detail"]


@pytest.mark.parametrize("told", [None, "10"])
def test_a_body_whose_length_is_not_told_or_is_a_lie_is_bounded(client, told):
    """The server marks a body without length as ended by itself; of one with a length no more than that is read."""
    stream = io.BytesIO(b" " * (MOST_BYTES + 10))
    environ = {"wsgi.input": stream, "wsgi.input_terminated": told is None, "CONTENT_LENGTH": told or ""}
    response = client.post(
        "/v1/notes", content_type=JSON, headers=bearer(Idempotency_Key="k"), environ_overrides=environ
    )

    assert response.status_code in (400, 413)
    assert stream.tell() <= MOST_BYTES + 1


def test_all_faults_are_told_at_once_with_their_places(client):
    response = post(client, b'{"value": 1e99, "tags": ["ok", "Not OK"], "nots": 1, "ref": "a\\u0000"}')

    assert_problem(response, 422, "invalid_battery")
    assert sorted(places(response)) == [
        ("#/nots", "unknown_field"),
        ("#/ref", "bad_text"),
        ("#/tags/1", "bad_text"),
        ("#/value", "out_of_range"),
    ]


def test_a_schema_without_a_problem_of_its_own_has_the_general_one(client):
    assert_problem(post(client, {}, to="/v1/notes/plain"), 422, "invalid_body")


@pytest.mark.parametrize("body", ["[]", "null", '"text"', "7"])
def test_a_body_that_is_no_object_is_a_fault_of_the_whole(client, body):
    response = post(client, body)

    assert_problem(response, 422, "invalid_battery")
    assert places(response) == [("#", "wrong_type")]


def test_numbers_arrive_exactly_as_sent(client):
    assert '"value": "9.50"' in post(client, '{"ref": "a", "value": 9.50}').text


def test_a_creation_says_where_and_whether_it_was_done_before(client):
    first, again = post(client), post(client, Idempotency_Key="again")

    assert (first.status_code, first.headers["Location"]) == (201, f"/v1/notes/{ID}")
    assert "Idempotency-Replayed" not in first.headers
    assert (again.status_code, again.headers["Idempotency-Replayed"]) == (201, "true")


@pytest.mark.parametrize(
    ("key", "code"),
    [
        ("", "idempotency_key_missing"),
        ("a" * 129, "idempotency_key_invalid"),
        ("two words", "idempotency_key_invalid"),
        ("ü", "idempotency_key_invalid"),
    ],
)
def test_a_creation_wants_a_key_that_can_be_kept(client, key, code):
    assert_problem(post(client, Idempotency_Key=key), 400, code)


@pytest.mark.parametrize("key", ["a", "a" * 128, "!~", '"quoted"'])
def test_a_key_of_visible_characters_is_taken(client, key):
    assert post(client, Idempotency_Key=key).status_code == 201


def get(client, query):
    return client.get(f"/v1/notes{query}", headers=bearer("clinician"))


def test_arguments_of_an_address_are_read(client):
    query = f"?since=2026-11-20&open=true&kind=one&about={ID.upper()}&limit=200"

    assert get(client, query).json["items"] == [
        {"limit": "200", "since": "2026-11-20", "open": "True", "kind": "one", "about": ID, "place": None}
    ]
    assert get(client, "").json["items"] == [{"limit": "50", "place": None}]


@pytest.mark.parametrize(
    ("query", "places_told"),
    [
        ("?limt=5", [("?limt", "unknown_field")]),
        ("?limit=5&limit=6", [("?limit", "duplicate")]),
        ("?limit=0", [("?limit", "out_of_range")]),
        ("?limit=201", [("?limit", "out_of_range")]),
        ("?limit=5.0", [("?limit", "wrong_type")]),
        ("?limit=", [("?limit", "wrong_type")]),
        ("?limit=1_0", [("?limit", "wrong_type")]),
        ("?since=yesterday&open=yes", [("?since", "wrong_type"), ("?open", "wrong_type")]),
        ("?kind=none", [("?kind", "unknown_name")]),
        ("?about=7", [("?about", "bad_text")]),
        ("?kind=%FF", [("?kind", "bad_text")]),
        ("?kind=a%00b", [("?kind", "bad_text")]),
        ("?%00=a", [("?", "bad_text")]),
        ("?=a", [("?", "unknown_field")]),
    ],
)
def test_arguments_that_can_not_be_used_are_named(client, query, places_told):
    response = get(client, query)

    assert_problem(response, 400, "invalid_query")
    assert places(response) == places_told


def test_arguments_of_an_address_that_takes_none_are_refused(client):
    response = client.get(f"/v1/notes/{ID}?full=1", headers=bearer())

    assert_problem(response, 400, "invalid_query")
    assert places(response) == [("?full", "unknown_field")]


def test_a_body_where_none_is_read_does_no_harm(client):
    assert client.get("/v1/notes", data=b"\xff", headers=bearer("clinician")).status_code == 200


def test_an_id_in_an_address_is_read_in_any_case_and_nothing_else_is(client):
    assert client.get(f"/v1/notes/{ID.upper()}", headers=bearer()).json["ref"] == ID
    assert_problem(client.get("/v1/notes/7", headers=bearer()), 404, "not_found")


def put(client, **headers):
    return client.put(f"/v1/notes/{ID}", json={"ref": "a"}, headers=bearer(**headers))


def test_a_change_needs_the_state_that_was_seen(client):
    seen = client.get(f"/v1/notes/{ID}", headers=bearer()).headers["ETag"]

    assert put(client, If_Match=seen).status_code == 204
    assert put(client, If_Match=f'"other", {seen}').headers["Seen"] == "three"


def test_a_change_of_whatever_there_is_insists_on_no_state(client):
    response = put(client, If_Match="*")

    assert (response.status_code, response.headers["Seen"]) == (204, "any")


def test_a_change_without_the_state_is_refused(client):
    assert_problem(put(client), 428, "precondition_required")


@pytest.mark.parametrize("sent", ['"two"', "three", 'W/"three"', '""'])
def test_a_change_of_another_state_is_refused_with_the_one_that_is(client, sent):
    response = put(client, If_Match=sent)

    assert_problem(response, 412, "precondition_failed")
    assert response.headers["ETag"] == '"three"'


def test_what_was_seen_is_not_sent_again(client):
    headers = bearer(If_None_Match='"three"')

    assert client.get(f"/v1/notes/{ID}", headers=headers).status_code == 304


def test_an_answer_without_content_has_no_type(client):
    response = put(client, If_Match="*")

    assert (response.data, "Content-Type" in response.headers) == (b"", False)


def test_an_answer_keeps_the_order_and_the_letters_that_it_was_written_with():
    assert app_of().json.dumps({"b": "é", "a": [1]}) == '{"b": "é", "a": [1]}'


@pytest.mark.parametrize("value", [dt.date(2026, 11, 20), Decimal("9.5"), {1}])
def test_an_answer_has_plain_values_only(value):
    with pytest.raises(TypeError, match="is no plain value"):
        app_of().json.dumps({"a": value})
