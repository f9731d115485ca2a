"""The contract of every error, in one place: one shape, from whatever source."""

from typing import Any

from werkzeug.test import TestResponse

from schemas.faults import load
from schemas.problem import ProblemSchema
from service.api.problems import PROBLEMS


def assert_problem(response: TestResponse, status: int, code: str) -> dict[str, Any]:
    """The response is the one body, with its headers; returned for more questions."""
    assert (response.status_code, response.mimetype) == (status, "application/problem+json"), response.text
    body: dict[str, Any] = response.json
    assert load(ProblemSchema(), body)[1] == []
    assert (body["status"], body["code"]) == (status, code)
    assert body["title"] == PROBLEMS.get(code, ("", body["title"]))[1]
    assert body["type"].endswith(f"/docs#problem-{code}")
    assert body["request_id"] == response.headers["X-Request-Id"]
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    return body
