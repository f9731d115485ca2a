"""The page that people read: everything that there is, nothing from elsewhere."""

import html
import re

import pytest

from service.api.docs import in_code, kind_of, limits_of
from service.api.problems import PROBLEMS
from service.app import create_app
from service.settings import Settings
from tests.api.shell import app_of

NEVER_OPENED = Settings(database_url="sqlite:////nowhere/never-opened.sqlite")


@pytest.fixture(name="page", scope="module")
def _page():
    return app_of().test_client().get("/docs")


def addresses(text):
    return re.findall(r'(?:href|src|action)="([^"]*)"', text)


def test_the_page_needs_nothing_from_elsewhere_and_no_script(page):
    assert page.mimetype == "text/html"
    assert [one for one in addresses(page.text) if not one.startswith(("/", "#"))] == []
    assert re.findall(r"<script|<style|<iframe|<img|<form|javascript:| style=| on[a-z]+=|://", page.text) == []


def test_the_page_is_held_to_that_by_its_policy(page):
    policy = dict(part.strip().split(" ", 1) for part in page.headers["Content-Security-Policy"].split(";"))

    assert policy["default-src"] == "'none'"
    assert policy["style-src"] == "'self'"
    assert "script-src" not in policy


def test_its_one_style_sheet_is_there_and_needs_nothing_either(page):
    client = app_of().test_client()
    sheets = [one for one in addresses(page.text) if one.endswith(".css")]

    assert len(sheets) == 1
    with client.get(sheets[0]) as sheet:
        assert (sheet.status_code, sheet.mimetype) == (200, "text/css")
        assert re.findall(r"url\(|@import|//", sheet.text) == []
        assert "prefers-color-scheme: dark" in sheet.text
        assert "@media print" in sheet.text


@pytest.mark.parametrize("app", [app_of(), create_app(NEVER_OPENED)], ids=["tiny", "service"])
def test_every_link_within_the_page_leads_somewhere_and_no_id_stands_twice(app):
    text = app.test_client().get("/docs").text
    ids = re.findall(r' id="([^"]*)"', text)

    assert {one[1:] for one in addresses(text) if one.startswith("#")} - set(ids) == set()
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("app", [app_of(), create_app(NEVER_OPENED)], ids=["tiny", "service"])
def test_the_page_shows_every_operation_every_shape_and_every_problem(app):
    text = html.unescape(app.test_client().get("/docs").text)
    document = app.extensions["rts-openapi"]

    for path, methods in document["paths"].items():
        for method in set(methods) - {"parameters"}:
            assert f'<span class="method">{method.upper()}</span> <code>{path}</code>' in text
            assert html.unescape(in_code(methods[method]["summary"])) in text
    assert [name for name in document["components"]["schemas"] if f'id="shape-{name}"' not in text] == []
    assert [code for code in PROBLEMS if f'id="problem-{code}"' not in text] == []


def test_the_page_says_what_it_is_for_and_what_it_is_not(page):
    assert "never replaces it" in page.text
    assert "nobody is cleared" in page.text


def test_the_page_shows_who_may_call_what_is_sent_and_an_example(page):
    text = html.unescape(page.text)

    assert "May be called by: submitter, clinician." in text
    assert "Idempotency-Key" in text
    assert '"ref": "KB-0417"' in text
    assert "The newest first." in text
    assert "one of one, other" in text
    assert "50 if left out" in text


def test_what_stands_between_backticks_is_shown_as_code():
    text = create_app(NEVER_OPENED).test_client().get("/docs").text
    without_examples = re.sub(r"<pre.*?</pre>", "", text, flags=re.DOTALL)

    assert "`" not in without_examples
    assert "<code>hold_because</code> takes one kind" in text


def test_what_an_answer_means_is_told_where_its_status_does_not_say_it():
    text = html.unescape(create_app(NEVER_OPENED).test_client().get("/docs").text)

    assert "It was so before; nothing is changed." in text
    assert "With <code>Accept: application/yaml</code>, the text that people wrote." in text
    assert ": OK" not in text


def test_a_text_is_escaped_before_it_is_marked():
    assert in_code("`<b>` is <b>, and one ` stays") == "<code>&lt;b&gt;</code> is &lt;b&gt;, and one ` stays"


def test_a_group_of_two_words_is_written_as_two_words():
    text = create_app(NEVER_OPENED).test_client().get("/docs").text

    assert '<h3 id="group-criteria_sets">criteria sets</h3>' in text
    assert '<a href="#group-criteria_sets">criteria sets</a>' in text


def test_under_a_prefix_the_page_finds_its_parts():
    settings = Settings(database_url=NEVER_OPENED.database_url, url_prefix="/rts")
    text = app_of(settings).test_client().get("/rts/docs").text

    assert [one for one in addresses(text) if one.startswith("/") and not one.startswith("/rts/")] == []


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ({"type": "string"}, "string"),
        ({"type": ["string", "null"]}, "string or null"),
        ({"type": "string", "format": "date"}, "string (date)"),
        ({"type": "array", "items": {"$ref": "#/components/schemas/Trial"}}, "list of Trial"),
        ({"anyOf": [{"$ref": "#/components/schemas/Retest"}, {"type": "null"}]}, "Retest or null"),
        ({}, "anything"),
    ],
)
def test_what_a_field_is_is_said_in_words(shape, words):
    assert "".join(part["text"] for part in kind_of(shape)) == words


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ({}, ""),
        ({"enum": ["a", None]}, "one of a, null"),
        ({"minimum": 0, "maximum": 10}, "from 0 to 10"),
        ({"exclusiveMinimum": 0}, "above 0"),
        ({"maxLength": 64, "maxItems": 3}, "at most 64 characters; at most 3"),
        ({"default": True}, "true if left out"),
    ],
)
def test_what_a_field_is_held_to_is_said_in_words(shape, words):
    assert limits_of(shape) == words
