"""Organisations: their name, and the time zone in which their days begin."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.domain.errors import NotFoundError
from service.domain.record import instant
from service.store import access, writers
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access import add_operator, caller_of
from service.use_cases.access_keys import add_key
from service.use_cases.actors import add_actor
from service.use_cases.audit import note
from service.use_cases.context import ADMINISTRATOR, SYSTEM, Caller, Context
from service.use_cases.reminding import replan

FIRST_ADMINISTRATOR = "First administrator"

_WHAT = "organisation"


def create_organisation(context: Context, body: Mapping[str, Any]) -> dict[str, Any]:
    """Make an organisation and its first administrator's key: for the operator, before anybody has a key.

    Args:
        context: the parts of the service that runs.
        body: as `schemas.access.OrganisationSchema` loads it.
    """
    now = context.clock()
    one = access.Organisation(new_id(now), body["name"], body["time_zone"], now)
    first = {"kind": SYSTEM, "display_name": FIRST_ADMINISTRATOR, "roles": [ADMINISTRATOR]}

    def work(tx: Tx) -> dict[str, Any]:
        access.add_organisation(tx, one)
        operator = caller_of(add_operator(context, tx, one.id), one.time_zone)
        note(tx, operator, at=now, action="create_organisation", object_kind=_WHAT, object_id=one.id)
        holder = add_actor(tx, operator, first, id_=new_id(now), now=now)
        return {"organisation": _answer(one), "access_key": add_key(tx, operator, holder, {}, id_=new_id(now), now=now)}

    return context.database.write(work)


def list_organisations(context: Context) -> list[dict[str, Any]]:
    """Return every organisation, oldest first: for the operator, who sees them all."""
    return [_answer(one) for one in context.database.read(access.every_organisation)]


def show_organisation(context: Context, caller: Caller) -> dict[str, Any]:
    """Return the caller's organisation."""
    return _answer(context.database.read(lambda tx: _own(tx, caller)))


def change_organisation(context: Context, caller: Caller, body: Mapping[str, Any]) -> dict[str, Any]:
    """Give the caller's organisation another name or time zone; what is stored keeps its days."""
    now = context.clock()

    def work(tx: Tx) -> dict[str, Any]:
        writers.be_alone(tx, caller.organisation)
        access.lock_organisation(tx, caller.organisation)
        before = _answer(_own(tx, caller))
        changed = [f"{key}: {before[key]} -> {body[key]}" for key in ("name", "time_zone") if before[key] != body[key]]
        if changed:
            access.change_organisation(tx, caller.organisation, name=body["name"], time_zone=body["time_zone"])
            _note_change(tx, caller, now, "; ".join(changed))
            replan(tx, caller.organisation, now)
        return _answer(_own(tx, caller))

    return context.database.write(work)


def _note_change(tx: Tx, caller: Caller, now: datetime, detail: str) -> None:
    id_ = caller.organisation
    note(tx, caller, at=now, action="change_organisation", object_kind=_WHAT, object_id=id_, detail=detail)


def _own(tx: Tx, caller: Caller) -> access.Organisation:
    found = access.organisation(tx, caller.organisation)
    if found is None:
        raise NotFoundError(_WHAT, caller.organisation)
    return found


def _answer(one: access.Organisation) -> dict[str, Any]:
    return {"id": one.id, "name": one.name, "time_zone": one.time_zone, "created_at": instant(one.created_at)}
