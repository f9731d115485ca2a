"""A tiny service: the shell with a few routes of its own, so that each promise of the shell is seen by itself."""

import datetime as dt
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, url_for

from schemas import fields, query_fields
from schemas.document import DocumentSchema, list_of
from service.api.access import OPEN, ROLES, caller, context
from service.api.blueprint import Answer, Blueprint, etag
from service.api.pages import page, place_of
from service.api.reading import idempotency_key, require_if_match
from service.app import joined
from service.domain.errors import ServiceError
from service.settings import Settings
from service.store.database import Database
from service.use_cases.context import CLINICIAN, PERSON, SUBMITTER, Caller, Context, Created

NOW = dt.datetime(2026, 11, 20, 15, 30, tzinfo=dt.UTC)
ID = "01890a5d-ac96-774b-bcce-b302099a8057"
NOTE = {"ref": "KB-0417", "value": 9.5}


class NoteSchema(DocumentSchema):
    """A note, for tests."""

    problem = "invalid_battery"

    ref = fields.ref(required=True)
    value = fields.Number(required=True)
    tags = list_of(fields.name())


class PlainSchema(DocumentSchema):
    """A note whose schema names no problem of its own."""

    ref = fields.ref(required=True)


class NotesQuerySchema(query_fields.PageQuerySchema):
    """Which notes."""

    since = query_fields.Day()
    open = query_fields.FlagText()
    about = query_fields.Id()
    kind = query_fields.Choice(("one", "other"))


def key_of(role: str) -> str:
    """An access key that the fake below knows; the secret is invented."""
    return f"rts_{role.encode().hex():0>32}_invented-secret-for-tests"


KEYS = {key_of(role): role for role in (SUBMITTER, CLINICIAN)}


def authenticate(_context: Context, presented: str) -> Caller | None:
    role = KEYS.get(presented)
    if role is None:
        return None
    return Caller(
        "organisation-1", "actor-1", PERSON, "Kim Invented", None, frozenset({role}), ZoneInfo("Europe/Berlin")
    )


def notes(raised: Exception | None = None) -> Blueprint:
    """Routes of each form; `/v1/notes/raise` raises what the test hands over."""
    blp = Blueprint("notes", "tests.api.shell", url_prefix="/v1/notes", description="Notes, for tests")

    @blp.post("")
    @blp.creates(NoteSchema, at=lambda created: url_for("notes.one", note_id=created.id), example=NOTE)
    @blp.arguments(NoteSchema, example=NOTE)
    def write(note: Mapping[str, Any]) -> Created:
        """Write a note."""
        return Created(note | {"value": str(note["value"])}, ID, replayed=idempotency_key() == "again")

    @blp.post("/plain")
    @blp.answers(PlainSchema, status=201)
    @blp.arguments(PlainSchema)
    def plain(note: Mapping[str, Any]) -> Answer:
        """Write a plain note."""
        return note

    @blp.get("")
    @blp.answers(query_fields.page_of(NoteSchema))
    @blp.arguments(NotesQuerySchema, location="query")
    def several(asked: Mapping[str, Any]) -> Answer:
        """List notes.

        The newest first.
        """
        place = place_of(asked, parts=2)
        told = {key: str(value) for key, value in asked.items()} | {"place": place and list(place)}
        return page([told], after=None if place else ("2026-11-20", "é"))

    @blp.get("/<id:note_id>")
    @blp.answers(NoteSchema, has_etag=True)
    def one(note_id: str) -> Answer:
        """Show a note."""
        return {"ref": note_id, "value": 1}, etag("three")

    @blp.put("/<id:note_id>")
    @blp.answers(None, status=204)
    @blp.needs_if_match
    @blp.arguments(PlainSchema)
    def change(_note: Mapping[str, Any], *, note_id: str) -> Answer:
        """Change a note."""
        assert note_id == ID
        return None, {"Seen": require_if_match("three") or "any"}

    @blp.get("/closed")
    @blp.answers(PlainSchema)
    def closed() -> Answer:
        """Have no row in the table."""
        return {}

    @blp.get("/who")
    @blp.answers(PlainSchema)
    def who() -> Answer:
        """Tell who asks."""
        assert context().clock() == NOW
        return {"ref": caller().actor, "request": caller().request_id}

    @blp.get("/raise")
    @blp.answers(PlainSchema)
    def fails() -> Answer:
        """Fail."""
        raise raised or ServiceError("nothing was handed over")

    return blp


MAY = frozenset({SUBMITTER, CLINICIAN})
ROLES_OF_NOTES = {
    "notes.write": MAY,
    "notes.plain": MAY,
    "notes.several": frozenset({CLINICIAN}),
    "notes.one": MAY,
    "notes.change": MAY,
    "notes.who": MAY,
    "notes.fails": OPEN,
}


def app_of(settings: Settings | None = None, *, raised: Exception | None = None) -> Flask:
    """The tiny service; its database is never opened unless a test asks whether it is ready."""
    settings = settings or Settings(database_url="sqlite:////nowhere/never-opened.sqlite")
    parts = Context(Database(settings.database_url), lambda: NOW, "1.2.3")
    roles = {**ROLES, **ROLES_OF_NOTES}
    return joined(settings, parts, blueprints=(notes(raised),), roles=roles, authenticate=authenticate)


def bearer(role: str = SUBMITTER, **headers: str) -> dict[str, str]:
    """The headers of a caller; underscores stand for hyphens."""
    told = {name.replace("_", "-"): value for name, value in headers.items()}
    return {"Authorization": f"Bearer {key_of(role)}"} | told
