"""A key for a person or a system by name, as the operator gives it: the actor is made where there is none yet."""

from collections.abc import Iterator, Mapping
from typing import Any

from schemas.access import ActorSchema
from schemas.faults import load, pointer
from service.domain.errors import INVALID_BODY, FieldError, InvalidDocumentError
from service.store import access
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access_keys import add_key, end_faults
from service.use_cases.actors import add_actor
from service.use_cases.context import Caller, Context

_DESCRIBING = ("kind", "profession", "registration", "email")


def give_key(context: Context, caller: Caller, actor: Mapping[str, Any], key: Mapping[str, Any]) -> dict[str, Any]:
    """Make a key for the one actor of a name who is not disabled, or for a new actor.

    Args:
        context: the parts of the service that runs.
        caller: the operator.
        actor: `display_name` and whatever else is told of the actor, as a body of `schemas.access.ActorSchema`.
        key: `label` and `expires_at`, where they are given.

    Raises:
        InvalidDocumentError: faults of the actor or the key; an actor of that name who is described otherwise.
    """
    now = context.clock()

    def work(tx: Tx) -> dict[str, Any]:
        named = access.actors_named(tx, caller.organisation, actor["display_name"])
        body, faults = (actor, list(_differences(named, actor))) if named else _new(actor)
        faults += end_faults(key, now)
        if faults:
            raise InvalidDocumentError(INVALID_BODY, faults)
        holder = named[0] if named else add_actor(tx, caller, body, id_=new_id(now), now=now)
        return add_key(tx, caller, holder, key, id_=new_id(now), now=now)

    return context.database.write(work)


def _new(actor: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[FieldError]]:
    body, faults = load(ActorSchema(), dict(actor))
    return body, [FieldError(pointer(one.path), one.code, one.detail) for one in faults]


def _differences(named: list[access.Actor], actor: Mapping[str, Any]) -> Iterator[FieldError]:
    """Yield what speaks against a further key for the actor of a name."""
    first, *more = named
    if more:
        ids = ", ".join(one.id for one in named)
        yield FieldError("#/display_name", "conflicts", f"several actors have this name: {ids}; give another name")
    elif first.is_operator:
        yield FieldError("#/display_name", "conflicts", "the operator at the command line needs no key")
    else:
        for field in _DESCRIBING:
            if field in actor and actor[field] != getattr(first, field):
                yield _otherwise(field, getattr(first, field))
        if "roles" in actor and set(actor["roles"]) != set(first.roles):
            yield _otherwise("roles", ", ".join(first.roles))


def _otherwise(field: str, known: str | None) -> FieldError:
    detail = f"there is an actor of this name with {field} {known or 'not given'}; leave this out for a further key"
    return FieldError(f"#/{field}", "conflicts", f"{detail}, or give another name")
