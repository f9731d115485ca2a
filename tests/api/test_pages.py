"""A list comes in pages, and each page says where the next begins."""

import base64
import re

import pytest

from service.api.pages import cursor_of
from service.settings import Settings
from tests.api.problem import assert_problem
from tests.api.shell import app_of, bearer

LIST = "/v1/notes?"


@pytest.fixture(name="client")
def _client():
    return app_of().test_client()


def get(client, address):
    return client.get(address, headers=bearer("clinician"))


def test_the_next_page_is_an_address_in_the_body_and_in_the_link(client):
    response = get(client, "/v1/notes?limit=2&kind=one")
    address = response.json["next"]

    assert response.headers["Link"] == f'<{address}>; rel="next"'
    assert address.startswith("/v1/notes?limit=2&kind=one&cursor=")
    assert re.fullmatch(r"[!-~]+", address)


def test_following_the_address_leads_to_where_the_page_ended(client):
    following = get(client, get(client, "/v1/notes?kind=one").json["next"])

    assert following.json["items"][0]["place"] == ["2026-11-20", "é"]
    assert following.json["items"][0]["kind"] == "one"


def test_a_cursor_goes_with_the_filters_that_it_came_from_and_any_limit(client):
    cursor = get(client, "/v1/notes?limit=2&kind=one").json["next"].split("cursor=")[1]

    assert get(client, f"/v1/notes?cursor={cursor}&kind=one&limit=5").status_code == 200
    for others in ("", "&kind=other"):
        response = get(client, f"/v1/notes?cursor={cursor}{others}")
        assert_problem(response, 400, "invalid_query")
        assert "with these filters" in response.json["errors"][0]["detail"]


def test_the_last_page_has_no_next(client):
    last = get(client, get(client, "/v1/notes").json["next"])

    assert last.json["next"] is None
    assert "Link" not in last.headers


def test_under_a_prefix_the_address_is_the_one_outside():
    settings = Settings(database_url="sqlite:////nowhere/never-opened.sqlite", url_prefix="/rts")

    assert get(app_of(settings).test_client(), "/rts/v1/notes").json["next"].startswith("/rts/v1/notes?cursor=")


@pytest.mark.parametrize(
    "cursor",
    [
        "x", "%", "YQ", "é", cursor_of(("one",), of=LIST), cursor_of(("one", "two", "three"), of=LIST),
        cursor_of(("one", "two"), of="/v1/others?"), base64.urlsafe_b64encode(b"[]").decode(),
        base64.urlsafe_b64encode(b'[1, "a"]').decode(), base64.urlsafe_b64encode(b'{"a": "b"}').decode(),
        base64.urlsafe_b64encode(b"[" * 300).decode(), base64.urlsafe_b64encode(b"\xff\xfe\x00").decode(), "a" * 513,
    ],
)  # fmt: skip
def test_a_cursor_of_no_list_of_ours_is_refused(client, cursor):
    response = client.get("/v1/notes", query_string={"cursor": cursor}, headers=bearer("clinician"))

    assert_problem(response, 400, "invalid_query")
    assert response.json["errors"][0]["pointer"] == "?cursor"
