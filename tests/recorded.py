"""A record to look at: batteries posted and decided in a new organisation, told in a few lines. All invented.

clinic = clinic_of(new_world(database_url))
clinic.post(battery("A"), stage="team_training")
clinic.morning("A")
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

from schemas.battery import BatterySchema
from schemas.faults import load
from service.domain.canonical import canonical
from service.store import criteria as store
from service.use_cases.context import Caller
from service.use_cases.posting import post_battery
from tests.builders import ATHLETE, EPISODE, criteria, follow_up
from tests.world import World

STAGE = "team_training"
CONDITION_IN_FORCE_FROM = date(2020, 1, 1)
_LATER = timedelta(minutes=5)


@dataclass
class Clinic:
    """An organisation that has adopted the lateral ankle sprain set, and what is posted to it."""

    world: World
    keys: Any = field(default_factory=lambda: count(1))

    def body(
        self,
        entry: Mapping[str, Any],
        *,
        athlete: str = "KB-1",
        episode: str | None = None,
        stage: str | None = STAGE,
        person: Mapping[str, Any] | None = None,
        **changes: Any,
    ) -> dict[str, Any]:
        """Return an entry of `tests.builders` as the body of a post, plain JSON; a change of None takes a key away."""
        sent = dict(entry["battery"])
        sent["athlete"] = {"ref": athlete, "new": True, **ATHLETE, **(person or {})}
        if sent["kind"] == "assessment":
            first = {"ref": f"{athlete}-1", "new": True, **EPISODE}
            sent["episode"] = first | ({"ref": episode, "recurrence_of": first["ref"]} if episode else {})
            sent["target_stage"] = stage
        return plain({key: one for key, one in {**sent, **changes}.items() if one is not None})

    def post(self, entry: Mapping[str, Any], *, by: Caller | None = None, **more: Any) -> dict[str, Any]:
        """Post a battery five minutes after it was performed, by the submitter unless another is named."""
        sent = self.body(entry, **more)
        self.world.at(datetime.fromisoformat(sent["performed_at"]) + _LATER)
        loaded, faults = load(BatterySchema(), exact(sent))
        assert faults == [], f"this is no battery: {faults}"
        caller = by or self.world.submitter
        return dict(post_battery(self.world.context, caller, loaded, key=f"post-{next(self.keys)}").answer)

    def morning(self, ref: str, at: str = "2026-11-21T08:00:00+01:00", **more: Any) -> dict[str, Any]:
        """Post the quiet morning after a battery."""
        return self.post(follow_up(ref, at), **more)


def clinic_of(world: World) -> Clinic:
    """Adopt the shipped set for an organisation."""
    one = criteria()
    version = store.NewVersion(
        one.id, one.version, one.digest, canonical(one.document), None, None, CONDITION_IN_FORCE_FROM
    )
    by, at = world.administrator.actor, world.clock()
    world.context.database.write(lambda tx: store.adopt(tx, world.organisation, version, by=by, at=at))
    return Clinic(world)


def plain(value: Any) -> Any:
    """Return a document as JSON carries it: figures as numbers."""
    if isinstance(value, Mapping):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return float(value) if isinstance(value, Decimal) else value


def exact(document: Any) -> Any:
    """Return a document as the strict reader gives it: figures exact."""
    return json.loads(json.dumps(document), parse_float=Decimal)
