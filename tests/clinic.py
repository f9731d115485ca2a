"""A clinic for tests of the record: an organisation that has adopted the ankle set, and clients that post to it.

clinic = new_clinic(database_url)
passed = clinic.post_battery(small("A-1"))
clinic.post(f"/v1/episodes/{passed['episode_id']}/events", {"kind": "setback", "on": "2026-11-21"})
clinic.state_of(passed["id"])
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

import sqlalchemy as sa

from service.domain.canonical import canonical
from service.domain.chain import Head, Link, broken_at
from service.domain.criteria import CriteriaSet
from service.store import criteria as store
from service.store import entries
from service.store.database import Tx
from service.store.tables import METADATA
from service.use_cases.choosing import named_set
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from service.use_cases.history import show_decision
from service.use_cases.rebuilding import check
from tests import builders
from tests.world import Client, World, new_world

SET = "lateral-ankle-sprain"
ATHLETE = {"ref": "KB-1", "new": True, "birth_year": 2000}
EPISODE = {"ref": "KB-1-1", "new": True, **builders.EPISODE}
AT = "2026-11-20T16:30:00+01:00"


@dataclass(frozen=True)
class Clinic:
    """One organisation with a criteria set in force."""

    world: World

    @property
    def submitter(self) -> Client:
        return self.world.client(SUBMITTER)

    @property
    def clinician(self) -> Client:
        return self.world.client(CLINICIAN)

    @property
    def administrator(self) -> Client:
        return self.world.client(ADMINISTRATOR)

    def at(self, moment: str) -> "Clinic":
        self.world.at(moment)
        return self

    def post_battery(self, body: Mapping[str, Any], **more: Any) -> dict[str, Any]:
        """Post a battery that is accepted; the answer."""
        return created(send(self.submitter, "/v1/batteries", body, **more))

    def post(self, path: str, body: Mapping[str, Any], role: str = CLINICIAN, **more: Any) -> dict[str, Any]:
        """Post what is accepted; the answer."""
        return created(send(self.world.client(role), path, body, **more))

    def refused(self, path: str, body: Any, role: str = CLINICIAN, **more: Any) -> Any:
        """Post what is refused, and see that nothing of it is stored; the response."""
        before = self.rows()
        response = send(self.world.client(role), path, body, **more)
        assert response.status_code >= 400, response.text
        assert self.rows() == before, "something of a refused request was stored"
        return response

    def decide(self, episode: str, stage: str = "rebuild") -> dict[str, Any]:
        return self.post(f"/v1/episodes/{episode}/decisions", {"target_stage": stage})

    def decision(self, id_: str) -> dict[str, Any]:
        return show_decision(self.world.context, self.world.clinician, id_)

    def state_of(self, decision: str) -> str:
        """What has become of a decision, as it reads today."""
        return str(self.decision(decision)["standing"]["state"])

    def rows(self) -> dict[str, int]:
        """How many rows the organisation has in each table."""

        def count(tx: Tx) -> dict[str, int]:
            tables = [one for one in METADATA.sorted_tables if "organisation_id" in one.c]
            return {one.name: _count(tx, one, self.world.organisation) for one in tables}

        return self.world.context.database.read(count)

    def row(self, table: str, **key: Any) -> dict[str, Any]:
        """The one row of a table that has these values."""
        [found] = self.found(table, **key)
        return found

    def found(self, table: str, **key: Any) -> list[dict[str, Any]]:
        """The rows of a table that have these values, always in the same order."""
        asked = METADATA.tables[table]
        same = [asked.c[name] == value for name, value in {"organisation_id": self.world.organisation, **key}.items()]
        query = sa.select(asked).where(*same).order_by(*asked.primary_key.columns)
        return self.world.context.database.read(lambda tx: [dict(row) for row in tx.execute(query).mappings()])

    def update(self, table: str, values: Mapping[str, Any], *, id: str) -> None:  # noqa: A002 - as the column
        """Write into a row what only sending writes."""
        columns = METADATA.tables[table].c
        is_it = (columns.organisation_id == self.world.organisation) & (columns.id == id)
        asked = sa.update(METADATA.tables[table]).where(is_it).values(**values)
        self.world.context.database.write(lambda tx: tx.execute(asked))

    def chain(self, athlete: str) -> list[Link]:
        return self.world.context.database.read(lambda tx: entries.read(tx, self.world.organisation, athlete))

    def assert_sound(self) -> None:
        """Every chain holds, and the state is what a rebuild would make of it."""
        report = check(self.world.context, self.world.organisation)
        assert report.is_clean, (report.broken, report.differences)

    def assert_intact(self, athlete: str) -> list[Link]:
        """The athlete's chain holds, and ends where the athlete's row says."""
        chain = self.chain(athlete)
        row = self.row("athletes", id=athlete)
        assert broken_at(chain, Head(row["entries"], row["head_digest"])) is None
        return chain


def new_clinic(url: str, *, at: str = "2026-11-20T18:00:00+01:00", from_: str = "2020-01-01") -> Clinic:
    """A new organisation in which the ankle set is in force from a day on."""
    world = new_world(url, at=at)
    adopt(world, ankle_set(), from_)
    return Clinic(world)


def adopt(world: World, one: CriteriaSet, from_: str) -> None:
    version = store.NewVersion(
        one.id, one.version, one.digest, canonical(one.document), None, None, date.fromisoformat(from_)
    )
    by, at = world.administrator.actor, world.clock()
    world.context.database.write(lambda tx: store.adopt(tx, world.organisation, version, by=by, at=at))


@cache
def ankle_set() -> CriteriaSet:
    return named_set(SET)


def send(client: Client, path: str, body: Any, *, key: str | None = None, text: str | None = None) -> Any:
    """Post a document, or a text as it is; numbers leave as they were written."""
    headers = {"Content-Type": "application/json"} | ({"Idempotency-Key": key} if key else {})
    return client.post(path, data=json.dumps(body, default=float) if text is None else text, headers=headers)


def created(response: Any) -> dict[str, Any]:
    assert response.status_code == 201, response.text
    answer: dict[str, Any] = response.json
    return answer


def small(ref: str | None = "A", at: str = AT, **changes: Any) -> dict[str, Any]:
    """A battery that passes the small gate `rebuild`: no limp, little pain; a change of None takes a key away."""
    body = {
        "kind": "assessment",
        "ref": ref,
        "athlete": ATHLETE,
        "episode": EPISODE,
        "target_stage": "rebuild",
        "performed_at": at,
        "session_check": dict(builders.SESSION_CHECK),
        "referral": builders.referral_answers(),
        "since_last": {"events": [], "sessions": []},
        "measurements": [{"test": "pain_worst_24h", "value": 1}],
    }
    return {key: one for key, one in {**body, **changes}.items() if one is not None}


def whole(ref: str = "A", at: str = AT, **changes: Any) -> dict[str, Any]:
    """A battery that passes every gate, but for the next morning."""
    asked = {"athlete": ATHLETE, "episode": EPISODE, "target_stage": "hop_and_cut"}
    return dict(builders.battery(ref, at, **{**asked, **changes})["battery"])


def _count(tx: Tx, table: sa.Table, organisation: str) -> int:
    counted = sa.select(sa.func.count()).select_from(table).where(table.c.organisation_id == organisation)
    return int(tx.execute(counted).scalar_one())
