"""The operator sees every request, and never a person."""

import json
import logging
import re

import pytest

from service.settings import Settings
from service.store.migrating import upgrade
from tests.api.problem import assert_problem
from tests.api.shell import ID, NOTE, NOW, app_of, bearer

TRACE = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"


@pytest.fixture(name="client")
def _client():
    return app_of().test_client()


def lines(caplog):
    return [json.loads(record.message) for record in caplog.records if record.name == "rts.access"]


@pytest.mark.parametrize("sent", ["a", "A-Z_0.9", "x" * 64])
def test_a_request_keeps_the_id_that_it_brings(client, sent):
    assert client.get("/health/live", headers={"X-Request-Id": sent}).headers["X-Request-Id"] == sent


@pytest.mark.parametrize("sent", ["", "x" * 65, "two words", "a;b", "ü"])
def test_an_id_that_could_harm_a_log_is_replaced(client, sent):
    answered = client.get("/health/live", headers={"X-Request-Id": sent}).headers["X-Request-Id"]

    assert re.fullmatch(r"[0-9a-f-]{36}", answered)


def test_two_requests_have_two_ids(client):
    assert len({client.get("/health/live").headers["X-Request-Id"] for _ in range(2)}) == 2


def test_a_trace_is_answered_as_it_came(client, caplog):
    assert client.get("/health/live", headers={"traceparent": TRACE}).headers["traceparent"] == TRACE
    assert lines(caplog)[-1]["trace_id"] == TRACE.split("-")[1]


@pytest.mark.parametrize(
    "sent", ["", "x", TRACE.upper(), TRACE[:-1], f"ff{TRACE[2:]}", f"00-{'0' * 32}-{TRACE[36:]}", TRACE + "\t-"]
)
def test_a_malformed_trace_is_left_out(client, sent):
    assert "traceparent" not in client.get("/health/live", headers={"traceparent": sent}).headers


def test_a_request_is_one_line_with_its_route_and_without_its_address(client, caplog):
    headers = bearer("clinician", X_Request_Id="r-1")
    client.get(f"/v1/notes/{ID}", headers=headers)

    assert len(lines(caplog)) == 1
    line = lines(caplog)[0]
    assert line.pop("ms") >= 0
    assert line == {
        "time": NOW.isoformat(timespec="milliseconds"),
        "method": "GET",
        "route": "/v1/notes/<id:note_id>",
        "status": 200,
        "request_id": "r-1",
        "trace_id": None,
        "organisation": "organisation-1",
        "actor": "actor-1",
    }


def test_the_log_holds_no_person_no_body_no_argument_and_no_key(client, caplog):
    caplog.set_level(logging.DEBUG)
    headers = bearer("clinician", Idempotency_Key="key-of-kim")
    client.post("/v1/notes", json=NOTE, headers=headers)
    client.post("/v1/notes", json={"ref": "KB-0417", "unknown-0417": 1}, headers=headers)
    client.get("/v1/notes?kind=KB-0417", headers=headers)
    client.get("/v1/athletes/KB-0417?ref=KB-0417", headers=headers)
    client.open("/v1/notes", method="KB0417")

    assert len(lines(caplog)) == 5
    said = caplog.text
    assert [
        word for word in ("KB-0417", "KB0417", "0417", "Kim", "key-of-kim", "invented-secret") if word in said
    ] == []


def test_the_log_goes_to_stderr_as_lines_of_json(client, capsys):
    client.get("/health/live")
    app_of().test_client().get("/health/live")
    printed = capsys.readouterr().err.splitlines()

    assert [json.loads(line)["route"] for line in printed] == ["/health/live"] * 2


def test_a_level_above_leaves_the_lines_out(capsys):
    quiet = Settings(database_url="sqlite:////nowhere/never-opened.sqlite", log_level="error")
    app_of(quiet).test_client().get("/health/live")

    assert capsys.readouterr().err == ""
    app_of()


def test_figures_are_told_by_route_method_and_class_of_status(client):
    client.get("/health/live")
    client.get("/v1/KB-0417")
    client.open("/v1/notes", method="BREW")
    text = client.get("/metrics")

    assert text.mimetype == "text/plain"
    assert 'rts_requests_total{method="GET",route="/health/live",status="2xx"} 1.0' in text.text
    assert 'rts_requests_total{method="GET",route="unmatched",status="4xx"} 1.0' in text.text
    assert 'rts_requests_total{method="other",route="unmatched",status="4xx"} 1.0' in text.text
    assert 'rts_request_seconds_count{method="GET",route="/health/live",status="2xx"} 1.0' in text.text
    assert "KB-0417" not in text.text


def test_each_app_has_figures_of_its_own(client):
    client.get("/health/live")

    assert "/health/live" not in app_of().test_client().get("/metrics").text


def test_a_service_without_its_database_lives_and_is_not_ready(client):
    assert client.get("/health/live").json == {"status": "ok"}
    response = client.get("/health/ready")
    assert "can't be reached" in assert_problem(response, 503, "not_ready")["detail"]
    assert response.headers["Retry-After"] == "5"


def test_a_database_without_tables_is_not_ready_and_one_with_them_is(tmp_path):
    url = f"sqlite:///{tmp_path / 'record.sqlite'}"
    client = app_of(Settings(database_url=url)).test_client()

    assert "tables" in assert_problem(client.get("/health/ready"), 503, "not_ready")["detail"]
    upgrade(url)
    assert client.get("/health/ready").json == {"status": "ok"}


def test_answers_carry_the_headers_that_keep_a_browser_careful(client):
    headers = client.get(f"/v1/notes/{ID}", headers=bearer()).headers

    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cache-Control"] == "no-store"
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")


@pytest.mark.parametrize("address", ["/rts/health/live", "/health/live"])
def test_under_a_prefix_both_kinds_of_proxy_are_understood(address):
    settings = Settings(database_url="sqlite:////nowhere/never-opened.sqlite", url_prefix="/rts")

    assert app_of(settings).test_client().get(address).status_code == 200


def test_a_prefix_is_part_of_every_address_that_is_answered():
    settings = Settings(database_url="sqlite:////nowhere/never-opened.sqlite", url_prefix="/rts")
    client = app_of(settings).test_client()
    made = client.post("/v1/notes", json=NOTE, headers=bearer(Idempotency_Key="a"))

    assert made.headers["Location"] == f"/rts/v1/notes/{ID}"
    assert assert_problem(client.get("/rtsdocs"), 404, "not_found")["type"].startswith("/rts/docs#")
    assert client.get("/openapi.json").json["servers"] == [{"url": "/rts"}]


@pytest.mark.parametrize(
    ("trusted", "expected"), [(0, "http://localhost/v1/slashed/"), (1, "https://rts.example/v1/slashed/")]
)
def test_a_proxy_is_believed_only_where_the_operator_says_so(trusted, expected):
    app = app_of(Settings(database_url="sqlite:////nowhere/never-opened.sqlite", trusted_proxies=trusted))
    app.add_url_rule("/v1/slashed/", "slashed", lambda: "")
    headers = {"X-Forwarded-Proto": "https", "X-Forwarded-Host": "rts.example"}

    assert app.test_client().get("/v1/slashed", headers=headers).headers["Location"] == expected
