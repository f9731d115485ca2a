"""Who adds to the records of an organisation, and who waits until nobody does; SQLite has one writer anyway.

No lock of a row serves: that of the organisation is held by whoever hands its reminders over.
"""

from typing import Any
from uuid import UUID

import sqlalchemy as sa

from service.store.database import Tx

_KEY_BYTES = 8


def is_one(tx: Tx, organisation: str) -> list[sa.ColumnElement[Any]]:
    """Return what is selected beside other columns by who adds to a record, and so waits for who is to be alone."""
    return [] if _has_one_writer(tx) else [sa.func.pg_advisory_xact_lock_shared(_key(organisation))]


def be_alone(tx: Tx, organisation: str) -> None:
    """Wait until nobody adds to a record of an organisation, and keep others waiting until the transaction ends.

    Who adds after it sees what it changed; who did before it is seen by it. It comes before every other lock.
    """
    if not _has_one_writer(tx):
        tx.execute(sa.select(sa.func.pg_advisory_xact_lock(_key(organisation))))


def _has_one_writer(tx: Tx) -> bool:
    return tx.dialect.name == "sqlite"


def _key(organisation: str) -> sa.ColumnElement[int]:
    return sa.literal(int.from_bytes(UUID(organisation).bytes[-_KEY_BYTES:], signed=True), sa.BigInteger)
