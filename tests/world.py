"""A new organisation on a migrated database, with a key for each role and a clock that the test sets.

world = new_world(database_url)
world.at("2026-11-20T16:30:00+01:00")
post_battery(world.context, world.submitter, body, key="1")
world.client(CLINICIAN).get("/v1/decisions")
"""

from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any
from uuid import uuid4

from service.settings import Settings
from service.store.database import Database
from service.use_cases.access import authenticate, operator
from service.use_cases.access_keys import create_access_key
from service.use_cases.actors import create_actor
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, PERSON, ROLES, SUBMITTER, SYSTEM, Caller, Context
from service.use_cases.organisations import create_organisation

START = "2026-11-20T18:00:00+01:00"
ZONE = "Europe/Berlin"

# Invented people.
ACTORS = {
    SUBMITTER: {"kind": SYSTEM, "display_name": "Invented record system"},
    CLINICIAN: {"kind": PERSON, "display_name": "Invented Clinician", "profession": "physiotherapist"},
    ADMINISTRATOR: {"kind": PERSON, "display_name": "Invented Administrator"},
}


class Clock:
    """Says the moment that it was set to."""

    def __init__(self) -> None:
        self.now = datetime.fromisoformat(START)

    def __call__(self) -> datetime:
        return self.now


@dataclass(frozen=True)
class Client:
    """A client of the API that sends its key, and an Idempotency-Key of its own where none is given."""

    flask: Any
    key: str | None

    def get(self, path: str, **more: Any) -> Any:
        return self.open("GET", path, **more)

    def post(self, path: str, body: Any = None, **more: Any) -> Any:
        return self.open("POST", path, body, **more)

    def put(self, path: str, body: Any = None, **more: Any) -> Any:
        return self.open("PUT", path, body, **more)

    def delete(self, path: str, **more: Any) -> Any:
        return self.open("DELETE", path, **more)

    def open(
        self, method: str, path: str, body: Any = None, *, headers: dict[str, str] | None = None, **more: Any
    ) -> Any:
        sent = {"Authorization": f"Bearer {self.key}"} if self.key else {}
        sent |= {"Idempotency-Key": uuid4().hex} if method == "POST" else {}
        if body is not None:
            more["json"] = body
        return self.flask.open(path, method=method, headers=sent | (headers or {}), **more)


@dataclass(frozen=True)
class World:
    """One organisation: its callers by role, their keys, and the clock."""

    url: str
    context: Context
    clock: Clock
    organisation: str
    keys: dict[str, str] = field(repr=False)
    callers: dict[str, Caller]

    @property
    def submitter(self) -> Caller:
        return self.callers[SUBMITTER]

    @property
    def clinician(self) -> Caller:
        return self.callers[CLINICIAN]

    @property
    def administrator(self) -> Caller:
        return self.callers[ADMINISTRATOR]

    def at(self, moment: str | datetime) -> "World":
        """Set the clock."""
        self.clock.now = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
        return self

    def client(self, role: str | None) -> Client:
        """A client with the key of a role, or without a key."""
        return self.client_with(self.keys[role] if role else None)

    def client_with(self, key: str | None) -> Client:
        return Client(_app(self.url, self.clock).test_client(), key)


def new_world(url: str, *, zone: str = ZONE, at: str = START) -> World:
    """A new organisation; the clock is the database's, and is set anew."""
    context, clock = _parts(url)
    clock.now = datetime.fromisoformat(at)
    made = create_organisation(context, {"name": f"Invented clinic {uuid4().hex[:8]}", "time_zone": zone})
    organisation = made["organisation"]["id"]
    keys = {role: new_key(context, organisation, roles=[role], **ACTORS[role]) for role in ROLES}
    callers = {role: _caller(context, key) for role, key in keys.items()}
    return World(url, context, clock, organisation, keys, callers)


def new_key(context: Context, organisation: str, *, expires_at: datetime | None = None, **actor: Any) -> str:
    """A key of a new actor, as it is presented."""
    by = operator(context, organisation)
    holder = create_actor(context, by, actor, key=uuid4().hex).id
    body = {"actor_id": holder} | ({"expires_at": expires_at} if expires_at else {})
    return str(create_access_key(context, by, body, key=uuid4().hex).answer["secret"])


def _caller(context: Context, key: str) -> Caller:
    found = authenticate(context, key)
    assert found is not None
    return found


@cache
def _parts(url: str) -> tuple[Context, Clock]:
    """One pool of connections for all tests on a database."""
    clock = Clock()
    return Context(Database(url), clock, "0.0.0"), clock


@cache
def _app(url: str, clock: Clock) -> Any:
    from service.app import create_app  # noqa: PLC0415 - tests of use cases need no web framework

    return create_app(Settings(database_url=url), clock=clock)
