"""What rebuilding the current state asks of the store: whose records there are, page by page."""

from collections.abc import Iterator

import sqlalchemy as sa

from service.store.database import Database, Tx
from service.store.state import TABLES, Row, State
from service.store.tables import METADATA, athletes

PAGE = 500

Differing = tuple[str, tuple[str, ...], tuple[str, ...]]
"""A row that two states have differently: its table, its key and the columns, or none of them."""


def athlete_ids(database: Database, organisation: str) -> Iterator[str]:
    """Yield the ids of an organisation's athletes in their order; each page is a short read of its own."""
    after: str | None = None
    while True:
        page = _page(database, organisation, after)
        yield from page
        if len(page) < PAGE:
            return
        after = page[-1]


def _page(database: Database, organisation: str, after: str | None) -> list[str]:
    def read(tx: Tx) -> list[str]:
        query = sa.select(athletes.c.id).where(athletes.c.organisation_id == organisation)
        if after is not None:
            query = query.where(athletes.c.id > after)
        return list(tx.execute(query.order_by(athletes.c.id).limit(PAGE)).scalars())

    return database.read(read)


def differing(stored: State, rebuilt: State) -> Iterator[Differing]:
    """Yield each row that two states have differently; no columns: only one of the states has the row."""
    for table in TABLES:
        for key in sorted({*stored[table], *rebuilt[table]}, key=str):
            before, after = stored[table].get(key), rebuilt[table].get(key)
            if before != after:
                yield table, tuple(map(str, key)), _columns(before, after)


def _columns(before: Row | None, after: Row | None) -> tuple[str, ...]:
    if before is None or after is None:
        return ()
    return tuple(name for name in before if before[name] != after.get(name))


def key_columns(table: str) -> tuple[str, ...]:
    """Return the names of what a row's key says, in its order."""
    columns = METADATA.tables[table].primary_key.columns
    return tuple(column.name for column in columns if column.name != "organisation_id")
