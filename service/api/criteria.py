"""`/v1/criteria-sets`, `/v1/criteria-drafts` and `/v1/tests`: what judges, from when, and what can be sent."""

from collections.abc import Mapping
from typing import Any

from flask import current_app, request

from schemas.governance import (
    AdoptSchema,
    BriefDraftSchema,
    CheckSchema,
    CriteriaSetAnswerSchema,
    CriteriaSetsSchema,
    DraftSchema,
    MeasurableSchema,
    NewDraftSchema,
    PublishSchema,
    RetireSchema,
    TemplateQuerySchema,
    TemplateSchema,
    TextSchema,
    VersionSchema,
    WholeVersionSchema,
)
from schemas.query_fields import page_of
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint, etag
from service.api.reading import QUERY, idempotency_key, require_if_match
from service.use_cases.context import Created
from service.use_cases.criteria_text import Named, Text
from service.use_cases.drafting import change_draft, check_draft, delete_draft, list_drafts, make_draft, show_draft
from service.use_cases.governing import adopt, publish, retire
from service.use_cases.showing_criteria import list_sets, show_set, show_source, show_version
from service.use_cases.template import list_tests, template

YAML = "application/yaml"
VERSION = "/<string:set_id>/versions/<int(min=1, max=1000):version>"
DRAFT = "/<string:set_id>/<int(min=1, max=1000):version>"
SO_BEFORE = "It was so before; nothing is changed."

SETS = "Criteria sets: which version judges from which day on. Versions never change; a change is a new version."
DRAFTS = "Drafts of an organisation's own criteria sets, as YAML; checked with their examples, then published."
TESTS = "The physical tests and scores that can be sent."
ADOPTED = {"id": "lateral-ankle-sprain", "version": 1, "in_force_from": "2026-09-01"}
ORIGIN = {"from": {"id": "lateral-ankle-sprain", "version": 1}, "id": "club-ankle-sprain"}
PUBLISHED = {"in_force_from": "2026-12-01", "replaces": "lateral-ankle-sprain"}
RETIRED = {"retired_from": "2026-11-20", "reason": "A threshold was mistyped."}

sets = Blueprint("criteria_sets", __name__, url_prefix="/v1/criteria-sets", description=SETS)
drafts = Blueprint("criteria_drafts", __name__, url_prefix="/v1/criteria-drafts", description=DRAFTS)
tests = Blueprint("tests", __name__, url_prefix="/v1/tests", description=TESTS)


def place_of_version(done: Created) -> str:
    """Return the address of a version."""
    return f"/v1/criteria-sets/{done.answer['id']}/versions/{done.answer['version']}"


def place_of_draft(done: Created) -> str:
    """Return the address of a draft."""
    return f"/v1/criteria-drafts/{done.answer['id']}/{done.answer['version']}"


@sets.get("")
@sets.answers(CriteriaSetsSchema)
def every() -> Answer:
    """List every set: what is in force today, what was, what is coming, and what ships and is not adopted."""
    return list_sets(context(), caller())


@sets.post("")
@sets.alt_response(200, schema=VersionSchema, description=SO_BEFORE)
@sets.creates(VersionSchema, at=place_of_version)
@sets.arguments(AdoptSchema, example=ADOPTED)
def take(body: Mapping[str, Any]) -> Created:
    """Adopt a version that ships with the service, from a day on.

    The first version of a set may begin on any day, so that history is judged too; a later one has a greater number
    and begins after every other, today at the earliest. `replaces` retires another set from that day: without it a
    version is refused for a condition that another set in force fits too. The same again changes nothing and answers
    200.
    """
    return adopt(context(), caller(), body, key=idempotency_key())


@sets.get("/<string:set_id>")
@sets.answers(CriteriaSetAnswerSchema)
def show(set_id: str) -> Answer:
    """Show a set with its versions."""
    return show_set(context(), caller(), set_id)


@sets.get(VERSION)
@sets.answers(WholeVersionSchema, description="With `Accept: application/yaml`, the text that people wrote.")
def version(set_id: str, version: int) -> Answer:
    """Show a version whole: its resolved document, of which the digest is taken.

    A version that ships can be read before it is adopted. `Accept: application/yaml` gives the source text, with its
    comments.
    """
    name = Named(set_id, version)
    if request.accept_mimetypes.best_match(["application/json", YAML]) == YAML:
        return current_app.response_class(show_source(context(), caller(), name), mimetype=YAML)
    return show_version(context(), caller(), name)


@sets.post(f"{VERSION}/retire")
@sets.alt_response(200, schema=VersionSchema, description=SO_BEFORE)
@sets.creates(VersionSchema, at=place_of_version)
@sets.arguments(RetireSchema, example=RETIRED)
def end(body: Mapping[str, Any], set_id: str, version: int) -> Created:
    """Retire a version from a day on, which may lie in the past; decisions made keep it.

    Retiring revives nothing older: until the next version begins, none of the set judges.
    """
    return retire(context(), caller(), Named(set_id, version), body, key=idempotency_key())


@sets.get("/<string:set_id>/template")
@sets.answers(TemplateSchema)
@sets.arguments(TemplateQuerySchema, location=QUERY)
def what_to_send(asked: Mapping[str, Any], set_id: str) -> Answer:
    """Show what to send for a gate; without a stage, for the first one.

    The version is the one in force today, or any that is named: one to come, one that ships, a draft.

    Its questions with their answers, its tests with units, protocol and how the gate needs them, and a body of POST
    /v1/batteries to fill in. With `episode` the refs are filled in, the well side comes first, and of the referral
    screen there is what is due today.
    """
    return template(context(), caller(), set_id, **asked)


@drafts.get("")
@drafts.answers(page_of(BriefDraftSchema))
def drafted() -> Answer:
    """List every draft, without its text."""
    return list_drafts(context(), caller())


@drafts.post("")
@drafts.creates(DraftSchema, at=place_of_draft, has_etag=True)
@drafts.arguments(NewDraftSchema, example=ORIGIN)
def begin(body: Mapping[str, Any]) -> Created:
    """Make a draft: a copy of a version under an id of your own, or a text that is sent.

    A copy keeps every comment; only its id and version are changed. Without `version` it gets the next number. A draft
    may have faults.
    """
    return make_draft(context(), caller(), body, key=idempotency_key())


@drafts.get(DRAFT)
@drafts.answers(DraftSchema, has_etag=True)
def show_one(set_id: str, version: int) -> Answer:
    """Show a draft; its ETag goes with a change, as If-Match."""
    return _with_etag(show_draft(context(), caller(), Named(set_id, version)))


@drafts.put(DRAFT)
@drafts.needs_if_match
@drafts.answers(DraftSchema, has_etag=True)
@drafts.arguments(TextSchema, example={"source": "id: club-ankle-sprain\n...", "examples": "- id: first\n..."})
def change(body: Mapping[str, Any], set_id: str, version: int) -> Answer:
    """Put another text in place of a draft's; it may have faults."""
    name = Named(set_id, version)
    text = Text(body["source"], body["examples"])
    return _with_etag(change_draft(context(), caller(), name, text, etag=_seen(name)))


@drafts.delete(DRAFT)
@drafts.needs_if_match
@drafts.answers(None, status=204)
def delete(set_id: str, version: int) -> Answer:
    """Throw a draft away."""
    name = Named(set_id, version)
    delete_draft(context(), caller(), name, etag=_seen(name))
    return None


@drafts.post(f"{DRAFT}/check")
@drafts.answers(CheckSchema)
def check(set_id: str, version: int) -> Answer:
    """Check a draft: every fault and warning with file, line and mend, and its examples judged by the engine.

    Examples that fail by the same criterion or hold are one fault: that of the first, with how many more there are.
    It takes seconds. Nothing is stored.
    """
    return check_draft(context(), caller(), Named(set_id, version))


@drafts.post(f"{DRAFT}/publish")
@drafts.alt_response(200, schema=VersionSchema, description=SO_BEFORE)
@drafts.creates(VersionSchema, at=place_of_version)
@drafts.arguments(PublishSchema, example=PUBLISHED)
def release(body: Mapping[str, Any], set_id: str, version: int) -> Created:
    """Publish a draft that passes its check, from a day on; from then on it never changes.

    `replaces` retires every version of another set from that day: without it a version is refused for a condition that
    another set in force fits too. The first version of a set may begin on any day; a later one has a greater number and
    begins after every other, today at the earliest. The draft goes.
    """
    return publish(context(), caller(), Named(set_id, version), body, key=idempotency_key())


@tests.get("")
@tests.answers(page_of(MeasurableSchema))
def every_test() -> Answer:
    """List every test that an adopted version defines: units, sides, trials, setup and protocol."""
    return list_tests(context(), caller())


def _with_etag(draft: Mapping[str, Any]) -> Answer:
    return draft, etag(draft["etag"])


def _seen(name: Named) -> str | None:
    """Return the etag that the draft must still have when it is changed, None where any will do."""
    return require_if_match(show_draft(context(), caller(), name)["etag"])
