"""Criteria versions that an organisation has adopted, their retirements, and its drafts."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from service.domain.adoption import Adopted
from service.store.database import Tx
from service.store.tables import (
    actors,
    criteria_drafts,
    criteria_retirements,
    criteria_versions,
    organisations,
)

Row = Mapping[str, Any]

versions, retirements, drafts = criteria_versions, criteria_retirements, criteria_drafts

_RETIRED = sa.and_(
    retirements.c.organisation_id == versions.c.organisation_id,
    retirements.c.set_id == versions.c.set_id,
    retirements.c.version == versions.c.version,
)
_ADOPTED = (
    versions.c.set_id,
    versions.c.version,
    versions.c.digest,
    versions.c.in_force_from,
    retirements.c.retired_from,
    retirements.c.reason,
)


@dataclass(frozen=True, slots=True)
class NewVersion:
    """A version about to be adopted: its resolved document and the texts from which it was made."""

    set_id: str
    version: int
    digest: str
    document: str
    source: str | None
    examples: str | None
    in_force_from: date


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft as it is kept."""

    set_id: str
    version: int
    source: str
    examples: str
    revision: int
    edited_by: str
    edited_at: datetime

    @property
    def name(self) -> str:
        """Return what people call it: `club-ankle/1`."""
        return f"{self.set_id}/{self.version}"


def lock(tx: Tx, organisation: str) -> None:
    """Let one change of the organisation's criteria happen at a time; posting batteries goes on meanwhile."""
    tx.execute(sa.select(organisations.c.id).where(organisations.c.id == organisation).with_for_update(key_share=True))


def adopted(tx: Tx, organisation: str, set_id: str | None = None) -> list[Adopted]:
    """Return every adopted version, or those of one set, by set and version."""
    query = (
        sa.select(*_ADOPTED)
        .select_from(versions.outerjoin(retirements, _RETIRED))
        .where(versions.c.organisation_id == organisation)
        .order_by(versions.c.set_id, versions.c.version)
    )
    if set_id is not None:
        query = query.where(versions.c.set_id == set_id)
    return sorted(Adopted(*row) for row in tx.execute(query))


def in_order_of_publication(tx: Tx, organisation: str) -> list[str]:
    """Return the digests of every adopted version, the newest last."""
    query = (
        sa.select(versions.c.digest)
        .where(versions.c.organisation_id == organisation)
        .order_by(versions.c.published_at, versions.c.version)
    )
    return list(tx.execute(query).scalars())


def document(tx: Tx, organisation: str, digest: str) -> str | None:
    """Return the resolved document of a digest, or None where the organisation has adopted none of it."""
    query = sa.select(versions.c.document).where(
        versions.c.organisation_id == organisation, versions.c.digest == digest
    )
    return tx.execute(query.limit(1)).scalar()


def version(tx: Tx, organisation: str, set_id: str, number: int) -> Row | None:
    """Return one adopted version with its texts, who published it and what became of it, or None."""
    publisher, retirer = actors.alias(), actors.alias()
    query = (
        sa.select(
            *_ADOPTED,
            versions.c.document,
            versions.c.source,
            versions.c.examples,
            versions.c.published_at,
            publisher.c.display_name.label("published_by"),
            retirements.c.recorded_at,
            retirer.c.display_name.label("retired_by"),
        )
        .select_from(
            versions.outerjoin(retirements, _RETIRED)
            .join(publisher, _is_actor(publisher, versions.c.organisation_id, versions.c.published_by))
            .outerjoin(retirer, _is_actor(retirer, retirements.c.organisation_id, retirements.c.actor_id))
        )
        .where(
            versions.c.organisation_id == organisation,
            versions.c.set_id == set_id,
            versions.c.version == number,
        )
    )
    row = tx.execute(query).one_or_none()
    return None if row is None else row._asdict()


def _is_actor(one: sa.FromClause, organisation: sa.Column[str], id_: sa.Column[str]) -> sa.ColumnElement[bool]:
    return sa.and_(one.c.organisation_id == organisation, one.c.id == id_)


def adopt(tx: Tx, organisation: str, one: NewVersion, *, by: str, at: datetime) -> None:
    """Add a version."""
    tx.execute(
        sa.insert(versions).values(
            organisation_id=organisation,
            set_id=one.set_id,
            version=one.version,
            digest=one.digest,
            document=one.document,
            source=one.source,
            examples=one.examples,
            in_force_from=one.in_force_from,
            published_by=by,
            published_at=at,
        )
    )


def retire(  # noqa: PLR0913 - the columns of one row
    tx: Tx, organisation: str, one: Adopted, *, retired_from: date, reason: str, by: str, at: datetime
) -> None:
    """Add the retirement of a version."""
    tx.execute(
        sa.insert(retirements).values(
            organisation_id=organisation,
            set_id=one.set_id,
            version=one.version,
            retired_from=retired_from,
            reason=reason,
            actor_id=by,
            recorded_at=at,
        )
    )


def draft_list(tx: Tx, organisation: str) -> list[Draft]:
    """Return every draft, by set and version."""
    query = (
        sa.select(drafts).where(drafts.c.organisation_id == organisation).order_by(drafts.c.set_id, drafts.c.version)
    )
    return sorted((_draft(row) for row in tx.execute(query).mappings()), key=lambda one: (one.set_id, one.version))


def draft(tx: Tx, organisation: str, set_id: str, number: int) -> Draft | None:
    """Return one draft, or None."""
    row = tx.execute(sa.select(drafts).where(_is_draft(organisation, set_id, number))).mappings().one_or_none()
    return None if row is None else _draft(row)


def _draft(row: Any) -> Draft:
    return Draft(**{key: row[key] for key in Draft.__slots__})


def _is_draft(organisation: str, set_id: str, number: int) -> sa.ColumnElement[bool]:
    return sa.and_(drafts.c.organisation_id == organisation, drafts.c.set_id == set_id, drafts.c.version == number)


def add_draft(tx: Tx, organisation: str, one: Draft) -> None:
    """Add a draft."""
    kept = {key: getattr(one, key) for key in Draft.__slots__}
    tx.execute(sa.insert(drafts).values(organisation_id=organisation, **kept))


def change_draft(tx: Tx, organisation: str, one: Draft) -> None:
    """Put new texts in place of a draft's; its lock is held, so nobody else changes it meanwhile."""
    kept = {key: getattr(one, key) for key in ("source", "examples", "revision", "edited_by", "edited_at")}
    tx.execute(sa.update(drafts).where(_is_draft(organisation, one.set_id, one.version)).values(**kept))


def remove_draft(tx: Tx, organisation: str, set_id: str, number: int) -> None:
    """Remove a draft, if it is there."""
    tx.execute(sa.delete(drafts).where(_is_draft(organisation, set_id, number)))
