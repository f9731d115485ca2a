"""Drafts of an organisation's own criteria sets: made from a version or a text, changed, checked, thrown away."""

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from schemas.catalogue import MOST_POINTS
from schemas.fields import REF_LENGTH
from service.criteria_files import examples_beside, released
from service.domain.canonical import digest
from service.domain.errors import (
    ConflictError,
    CriteriaFaultsError,
    Fault,
    FieldError,
    InvalidDocumentError,
    NotFoundError,
    ReleasedVersionError,
)
from service.domain.record import instant
from service.store import criteria as store
from service.store.criteria import Draft
from service.store.database import Tx
from service.use_cases.choosing import SHIPPED
from service.use_cases.context import Caller, Context, Created
from service.use_cases.criteria_text import Named, Text, check_text, named, renamed
from service.use_cases.governance import CONFLICTS, DRAFT, Change, change, object_id, refuse_reserved

INVALID_BODY = "invalid_body"
PRECONDITION_FAILED = "precondition_failed"
MAKE = "POST /v1/criteria-drafts"

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)
_TAG_DIGITS = 12


def make_draft(
    context: Context, caller: Caller, body: Mapping[str, Any], *, key: str | None = None, shipped: Path = SHIPPED
) -> Created:
    """Make a draft from a version (`from`) or of a text (`source`, `examples`); it may have faults.

    Raises:
        ConflictError: reserved_id; conflicts where there is such a draft.
        ReleasedVersionError: the number is published.
        NotFoundError: there is no text of the version to start from.
        InvalidDocumentError: the draft's id or version is not told.
        CriteriaFaultsError: the text can't be copied under another name.
    """
    # Texts are read outside the transaction that writes, which nobody shall wait for.
    if "from" in body:
        name, copied = context.database.read(lambda tx: _origin(tx, caller, body, shipped))
        text = Text(renamed(copied.source, name), copied.examples)
    else:
        name, text = _told(body), Text(body["source"], body["examples"])

    def work(tx: Tx) -> Created:
        made = change(tx, context, caller)
        store.lock(tx, made.organisation)
        first = made.first(key, MAKE, body, object_id(caller, DRAFT, name))
        if first is not None:
            return _made_before(made, first)
        refuse_reserved(name.set_id, shipped)
        _refuse_taken(made, name)
        return _make(made, name, text)

    return context.database.write(work)


def _make(made: Change, name: Named, text: Text) -> Created:
    draft = Draft(*name, text.source, text.examples, 1, made.caller.actor, made.now)
    store.add_draft(made.tx, made.organisation, draft)
    made.note("make_criteria_draft", DRAFT, str(name))
    return Created(_answer(draft), object_id(made.caller, DRAFT, name), etag=tag(draft))


def _origin(tx: Tx, caller: Caller, body: Mapping[str, Any], shipped: Path) -> tuple[Named, Text]:
    """Return the name of a new draft, and the text that it starts with."""
    origin = Named(body["from"]["id"], body["from"]["version"])
    set_id = body.get("id", origin.set_id)
    name = Named(set_id, body.get("version") or _next(tx, caller.organisation, set_id))
    return name, text_of(tx, caller.organisation, origin, shipped)


def _told(body: Mapping[str, Any]) -> Named:
    """Return the name that is sent with a text, else the one that stands inside."""
    told = None if "id" in body and "version" in body else named(body["source"])
    name = Named(body.get("id") or (told.set_id if told else ""), body.get("version") or (told.version if told else 0))
    if not _is_usable(name):
        detail = "the source does not say which set and version it is (id: my-set, version: 1); send id and version"
        raise InvalidDocumentError(INVALID_BODY, [FieldError("#/id", "missing", detail)])
    return name


def _is_usable(name: Named) -> bool:
    """Tell whether a set can be called so: its text is not checked yet, and its name becomes an address."""
    return bool(_ID.fullmatch(name.set_id)) and len(name.set_id) <= REF_LENGTH and 1 <= name.version <= MOST_POINTS


def _next(tx: Tx, organisation: str, set_id: str) -> int:
    """Return the number after the greatest that is published or drafted."""
    published = [one.version for one in store.adopted(tx, organisation, set_id)]
    drafted = [one.version for one in store.draft_list(tx, organisation) if one.set_id == set_id]
    return max([*published, *drafted], default=0) + 1


def text_of(tx: Tx, organisation: str, name: Named, shipped: Path) -> Text:
    """Return the text of an adopted version, else of a shipped one.

    Raises:
        NotFoundError: there is no such version, or nobody kept its text.
    """
    row = store.version(tx, organisation, *name)
    if row is not None and row["source"] is not None:
        return Text(row["source"], row["examples"] or "")
    text = shipped_text(name, shipped)
    if text is None:
        what = "text of a criteria version"
        raise NotFoundError(what, str(name))
    return text


def shipped_text(name: Named, shipped: Path) -> Text | None:
    """Return the text of a shipped version, or None."""
    if name not in {(one.set_id, one.version) for one in released(shipped)}:
        return None
    path = shipped / name.set_id / f"{name.version}.yaml"
    beside = examples_beside(path)
    if not path.is_file() or not beside.is_file():
        return None
    return Text(path.read_bytes().decode("utf-8-sig"), beside.read_bytes().decode("utf-8-sig"))


def _refuse_taken(made: Change, name: Named) -> None:
    if any(one.version == name.version for one in store.adopted(made.tx, made.organisation, name.set_id)):
        message = f"{name} is published and never changes; give the draft the next number"
        raise ReleasedVersionError(message)
    if store.draft(made.tx, made.organisation, *name) is not None:
        detail = f"there is a draft {name}; change that one, or give this one another version"
        link = f"/v1/criteria-drafts/{name}"
        raise ConflictError(CONFLICTS, detail, errors=[FieldError("#/version", CONFLICTS, detail)], link=link)


def _made_before(made: Change, first: str) -> Created:
    """Return the draft that the first request with this key made."""
    for draft in store.draft_list(made.tx, made.organisation):
        if object_id(made.caller, DRAFT, Named(draft.set_id, draft.version)) == first:
            return Created(_answer(draft), first, replayed=True, etag=tag(draft))
    message = "the draft that the first request with this Idempotency-Key made is published or deleted; send a new key"
    raise ConflictError(CONFLICTS, message)


def list_drafts(context: Context, caller: Caller) -> dict[str, Any]:
    """Return every draft, without its text."""
    drafts = context.database.read(lambda tx: store.draft_list(tx, caller.organisation))
    return {"items": [_summary(one) for one in drafts], "next": None}


def show_draft(context: Context, caller: Caller, name: Named) -> dict[str, Any]:
    """Return a draft.

    Raises:
        NotFoundError: there is none.
    """
    return _answer(context.database.read(lambda tx: kept_draft(tx, caller, name)))


def change_draft(context: Context, caller: Caller, name: Named, text: Text, *, etag: str | None) -> dict[str, Any]:
    """Put another text in place of the one that the caller saw; it may have faults.

    Raises:
        NotFoundError: there is no such draft.
        ConflictError: precondition_failed: it is no longer the one of this etag.
    """
    return context.database.write(lambda tx: _change(change(tx, context, caller), name, text, etag))


def _change(made: Change, name: Named, text: Text, etag: str | None) -> dict[str, Any]:
    draft = _seen(made, name, etag)
    changed = replace(
        draft,
        source=text.source,
        examples=text.examples,
        revision=draft.revision + 1,
        edited_by=made.caller.actor,
        edited_at=made.now,
    )
    store.change_draft(made.tx, made.organisation, changed)
    made.note("change_criteria_draft", DRAFT, draft.name, f"revision {changed.revision}")
    return _answer(changed)


def delete_draft(context: Context, caller: Caller, name: Named, *, etag: str | None) -> None:
    """Throw away the draft that the caller saw.

    Raises:
        NotFoundError: there is no such draft.
        ConflictError: precondition_failed: it is no longer the one of this etag.
    """

    def work(tx: Tx) -> None:
        made = change(tx, context, caller)
        draft = _seen(made, name, etag)
        store.remove_draft(tx, caller.organisation, *name)
        made.note("delete_criteria_draft", DRAFT, draft.name, f"revision {draft.revision}")

    context.database.write(work)


def _seen(made: Change, name: Named, etag: str | None) -> Draft:
    store.lock(made.tx, made.organisation)
    draft = kept_draft(made.tx, made.caller, name)
    if etag not in (None, tag(draft)):
        message = "the draft is no longer as you saw it; get it again, make your change on that, and send its ETag"
        raise ConflictError(PRECONDITION_FAILED, message)
    return draft


def check_draft(context: Context, caller: Caller, name: Named, *, shipped: Path = SHIPPED) -> dict[str, Any]:
    """Return every fault and warning of a draft, and how many expectations its examples meet.

    Raises:
        NotFoundError: there is no such draft.
    """
    draft = context.database.read(lambda tx: kept_draft(tx, caller, name))
    try:
        checked = check_text(Text(draft.source, draft.examples), name, shipped=shipped)
    except CriteriaFaultsError as error:
        faults, warnings = _listed(error.faults), _listed(error.warnings)
        found = {"sound": False, "faults": faults, "warnings": warnings, "examples": None, "expectations": None}
    else:
        found = {
            "sound": True,
            "faults": [],
            "warnings": _listed(checked.warnings),
            "examples": checked.examples,
            "expectations": checked.expectations,
        }
    return {"id": name.set_id, "version": name.version, "etag": tag(draft), **found}


def _listed(faults: tuple[Fault, ...]) -> list[dict[str, Any]]:
    return [one._asdict() for one in faults]


def kept_draft(tx: Tx, caller: Caller, name: Named) -> Draft:
    """Return a draft of the caller's organisation.

    Raises:
        NotFoundError: there is none.
    """
    draft = store.draft(tx, caller.organisation, *name)
    if draft is None:
        what = "criteria draft"
        raise NotFoundError(what, str(name))
    return draft


def tag(draft: Draft) -> str:
    """Return the etag of a draft: its revision and its text, so that one made anew under an old name differs."""
    of_text = digest(f"{draft.source}\0{draft.examples}").removeprefix("sha256:")[:_TAG_DIGITS]
    return f"{draft.revision}-{of_text}"


def _summary(draft: Draft) -> dict[str, Any]:
    return {
        "id": draft.set_id,
        "version": draft.version,
        "revision": draft.revision,
        "etag": tag(draft),
        "edited_by": draft.edited_by,
        "edited_at": instant(draft.edited_at),
    }


def _answer(draft: Draft) -> dict[str, Any]:
    return {**_summary(draft), "source": draft.source, "examples": draft.examples}
