"""What every use case is handed: the parts of the service that runs, and who asks."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv4Network, IPv6Network
from typing import Any
from zoneinfo import ZoneInfo

from service.store.database import Database

SUBMITTER, CLINICIAN, ADMINISTRATOR = "submitter", "clinician", "administrator"
ROLES = (SUBMITTER, CLINICIAN, ADMINISTRATOR)

PERSON, SYSTEM = "person", "system"


@dataclass(frozen=True, slots=True)
class Context:
    """The parts of the service that runs.

    Attributes:
        database: where the record is kept.
        clock: returns now, with its zone.
        service_version: the release that runs.
        webhook_networks: networks inside the operator's own that webhooks may be sent to.
        public_url: the address at which people reach the service; empty where the operator names none.
    """

    database: Database
    clock: Callable[[], datetime]
    service_version: str
    webhook_networks: tuple[IPv4Network | IPv6Network, ...] = ()
    public_url: str = ""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks, as the access key says.

    Attributes:
        organisation: the organisation's id; nothing of another one is seen.
        actor: the actor's id.
        kind: person or system.
        name: what people call the actor.
        profession: the person's profession, where it is known.
        roles: what the actor may do.
        zone: the organisation's time zone.
        request_id: what the request is called in the logs.
    """

    organisation: str
    actor: str
    kind: str
    name: str
    profession: str | None
    roles: frozenset[str]
    zone: ZoneInfo
    request_id: str | None = None


@dataclass(frozen=True, slots=True)
class Created:
    """What was created, or had been by an earlier request with the same key.

    `is_new` is False where all of it had been so before, so that nothing was created. `etag` names its state, where it
    can be changed.
    """

    answer: Mapping[str, Any]
    id: str
    replayed: bool = False
    is_new: bool = True
    etag: str | None = None
