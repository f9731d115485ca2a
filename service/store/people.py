"""Athletes, episodes and batteries by the refs of the sender, and by our ids."""

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.store.database import Tx
from service.store.tables import actors, athletes, batteries, episodes, findings


def athlete_of_ref(tx: Tx, organisation: str, ref: str) -> str | None:
    """Return the id of an athlete by ref."""
    query = sa.select(athletes.c.id).where(athletes.c.organisation_id == organisation, athletes.c.ref == ref)
    return tx.execute(query).scalar_one_or_none()


def make_athlete(tx: Tx, organisation: str, id_: str, ref: str) -> str:
    """Return the id of the athlete of a ref, made if there is none; two requests that make one make it once."""
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    values = {"organisation_id": organisation, "id": id_, "ref": ref, "entries": 0}
    tx.execute(insert(athletes).values(values).on_conflict_do_nothing())
    return str(athlete_of_ref(tx, organisation, ref))


def athlete(tx: Tx, organisation: str, id_: str) -> sa.Row[Any] | None:
    """Return an athlete's row."""
    return tx.execute(_of(athletes, organisation).where(athletes.c.id == id_)).one_or_none()


def athlete_without_entries(tx: Tx, organisation: str, id_: str) -> dict[str, Any]:
    """Return the row of an athlete that has no entry yet."""
    row = athlete(tx, organisation, id_)
    assert row is not None, "the athlete is there: it was locked"  # noqa: S101
    return row._asdict()


def episode(tx: Tx, organisation: str, id_: str) -> sa.Row[Any] | None:
    """Return an episode's row."""
    return tx.execute(_of(episodes, organisation).where(episodes.c.id == id_)).one_or_none()


def with_athletes_ref(tx: Tx, organisation: str, *, episode: str) -> sa.Row[Any] | None:
    """Return an episode's row with the ref of its athlete, `athlete_ref`."""
    same = (athletes.c.organisation_id == episodes.c.organisation_id) & (athletes.c.id == episodes.c.athlete_id)
    query = _of(episodes, organisation).add_columns(athletes.c.ref.label("athlete_ref"))
    return tx.execute(query.select_from(episodes.join(athletes, same)).where(episodes.c.id == episode)).one_or_none()


def episode_of_ref(tx: Tx, organisation: str, ref: str) -> sa.Row[Any] | None:
    """Return an episode's row by ref."""
    return tx.execute(_of(episodes, organisation).where(episodes.c.ref == ref)).one_or_none()


def episode_id_of_ref(tx: Tx, organisation: str, ref: str) -> str | None:
    """Return the id of an episode by ref."""
    row = episode_of_ref(tx, organisation, ref)
    return None if row is None else str(row.id)


def episodes_of(tx: Tx, organisation: str, athlete_id: str) -> list[sa.Row[Any]]:
    """Return the rows of an athlete's episodes, the latest onset first."""
    query = _of(episodes, organisation).where(episodes.c.athlete_id == athlete_id)
    return list(tx.execute(query.order_by(episodes.c.onset_on.desc(), episodes.c.id.desc())))


def battery(tx: Tx, organisation: str, id_: str) -> sa.Row[Any] | None:
    """Return a battery's row."""
    return tx.execute(_of(batteries, organisation).where(batteries.c.id == id_)).one_or_none()


def batteries_of_ref(tx: Tx, organisation: str, ref: str) -> list[sa.Row[Any]]:
    """Return the revisions of a battery, the latest first."""
    query = _of(batteries, organisation).where(batteries.c.ref == ref)
    return list(tx.execute(query.order_by(batteries.c.revision.desc())))


def superseding(tx: Tx, organisation: str, id_: str) -> str | None:
    """Return the battery that took the place of one."""
    query = sa.select(batteries.c.id).where(
        batteries.c.organisation_id == organisation, batteries.c.supersedes_id == id_
    )
    return tx.execute(query).scalar_one_or_none()


def _of(table: sa.Table, organisation: str) -> sa.Select[Any]:
    return sa.select(table).where(table.c.organisation_id == organisation)


def actors_named(tx: Tx, organisation: str, ids: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Return what people call actors, and their professions, by id."""
    columns = actors.c
    query = sa.select(columns.id, columns.display_name, columns.profession, columns.kind).where(
        columns.organisation_id == organisation, columns.id.in_(sorted(set(ids)))
    )
    return {row["id"]: dict(row) for row in tx.execute(query).mappings()}


def findings_of(tx: Tx, organisation: str, episode_ids: Iterable[str]) -> list[sa.Row[Any]]:
    """Return the findings of episodes, open ones and closed ones, in the order in which they were raised."""
    query = _of(findings, organisation).where(findings.c.episode_id.in_(sorted(set(episode_ids))))
    return list(tx.execute(query.order_by(findings.c.raised_by, findings.c.finding)))
