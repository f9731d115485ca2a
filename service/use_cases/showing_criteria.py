"""The criteria sets of an organisation: what is in force, what was, what is coming, what ships and is not adopted."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from service.criteria_files import load_released, released
from service.domain import adoption
from service.domain.adoption import Adopted, by_set, state
from service.domain.canonical import canonical, digest
from service.domain.errors import NotFoundError
from service.domain.record import instant
from service.store import criteria as store
from service.store.database import Tx
from service.use_cases.choosing import SHIPPED
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named
from service.use_cases.drafting import shipped_text
from service.use_cases.governance import today
from service.use_cases.in_force import by_digest, fit_as_well

NOT_ADOPTED = "not_adopted"
SHOWN_WITH_A_SET = ("title", "intended_user", "population", "limits")


def list_sets(context: Context, caller: Caller, *, shipped: Path = SHIPPED) -> dict[str, Any]:
    """Return every set with its versions, and what ships and is not adopted."""
    on = today(context.clock(), caller)

    def work(tx: Tx) -> dict[str, Any]:
        sets = by_set(store.adopted(tx, caller.organisation))
        return {
            "on": on.isoformat(),
            "items": [_set(tx, caller, versions, on) for versions in sets.values()],
            "shipped": _not_adopted(sets, shipped),
            "next": None,
        }

    return context.database.read(work)


def show_set(context: Context, caller: Caller, set_id: str) -> dict[str, Any]:
    """Return one set with its versions.

    Raises:
        NotFoundError: none of it is adopted.
    """
    on = today(context.clock(), caller)

    def work(tx: Tx) -> dict[str, Any]:
        versions = store.adopted(tx, caller.organisation, set_id)
        if not versions:
            what = "adopted criteria set"
            raise NotFoundError(what, set_id)
        return {"on": on.isoformat(), **_set(tx, caller, versions, on)}

    return context.database.read(work)


def show_version(context: Context, caller: Caller, name: Named, *, shipped: Path = SHIPPED) -> dict[str, Any]:
    """Return the whole resolved document of an adopted version, or of one that ships.

    Raises:
        NotFoundError: there is neither.
    """
    on = today(context.clock(), caller)
    return context.database.read(lambda tx: _version(tx, caller, name, on, shipped))


def show_source(context: Context, caller: Caller, name: Named, *, shipped: Path = SHIPPED) -> str:
    """Return the text that people wrote and read, as YAML.

    Raises:
        NotFoundError: there is no such version, or nobody kept its text.
    """
    row = context.database.read(lambda tx: store.version(tx, caller.organisation, *name))
    text = shipped_text(name, shipped)
    source: str | None = row["source"] if row is not None else text.source if text else None
    if source is None:
        what = "text of a criteria version"
        raise NotFoundError(what, str(name))
    return source


def version_answer(tx: Tx, caller: Caller, name: Named, on: date) -> dict[str, Any]:
    """Return an adopted version without its document: what a change of it answers.

    Raises:
        NotFoundError: it is not adopted.
    """
    row = store.version(tx, caller.organisation, *name)
    if row is None:
        what = "adopted criteria version"
        raise NotFoundError(what, str(name))
    versions = store.adopted(tx, caller.organisation, name.set_id)
    one = next(one for one in versions if one.version == name.version)
    return {
        **_brief(one, versions, on),
        "published_at": instant(row["published_at"]),
        "published_by": row["published_by"],
        "retired_by": row["retired_by"],
        "has_source": row["source"] is not None,
        "fits_as_well": [
            other.set_id for other in fit_as_well(tx, caller.organisation, one, max(on, one.in_force_from))
        ],
        **about(json.loads(row["document"])),
    }


def about(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is shown wherever a set is shown: for whom it is, its limits, its caution."""
    return {
        **{key: document[key] for key in SHOWN_WITH_A_SET},
        "conditions": document["scope"]["conditions"],
        "stages": [{"id": one["id"], "title": one["title"]} for one in document["stages"]],
        "caution": document["caution"],
    }


def _version(tx: Tx, caller: Caller, name: Named, on: date, shipped: Path) -> dict[str, Any]:
    row = store.version(tx, caller.organisation, *name)
    if row is not None:
        return {**version_answer(tx, caller, name, on), "document": json.loads(row["document"])}
    if name not in {(one.set_id, one.version) for one in released(shipped)}:
        what = "criteria version"
        raise NotFoundError(what, str(name))
    document = load_released(shipped, *name)
    return {
        "id": name.set_id,
        "version": name.version,
        "digest": digest(canonical(document)),
        "state": NOT_ADOPTED,
        "in_force_from": None,
        "retired_from": None,
        "retired_because": None,
        "published_at": None,
        "published_by": None,
        "retired_by": None,
        "has_source": shipped_text(name, shipped) is not None,
        "fits_as_well": [],
        **about(document),
        "document": document,
    }


def _set(tx: Tx, caller: Caller, versions: Sequence[Adopted], on: date) -> dict[str, Any]:
    """Return a set: what people read about it comes from the version in force, else from the greatest."""
    judging = adoption.in_force(versions, on)
    shown = judging or versions[-1]
    return {
        "id": shown.set_id,
        "version_in_force": judging.version if judging else None,
        **about(by_digest(tx, caller.organisation, shown.digest).document),
        "versions": [_brief(one, versions, on) for one in reversed(versions)],
    }


def _brief(one: Adopted, versions: Sequence[Adopted], on: date) -> dict[str, Any]:
    return {
        "id": one.set_id,
        "version": one.version,
        "digest": one.digest,
        "state": state(one, versions, on),
        "in_force_from": one.in_force_from.isoformat(),
        "retired_from": one.retired_from.isoformat() if one.retired_from else None,
        "retired_because": one.reason,
    }


def _not_adopted(sets: Mapping[str, Sequence[Adopted]], shipped: Path) -> list[dict[str, Any]]:
    adopted = {(one.set_id, one.version) for versions in sets.values() for one in versions}
    return [
        {
            "id": one.set_id,
            "version": one.version,
            "digest": one.digest,
            "state": NOT_ADOPTED,
            **about(load_released(shipped, one.set_id, one.version)),
        }
        for one in released(shipped)
        if (one.set_id, one.version) not in adopted
    ]
