"""Migrated databases for tests: migrated once a kind and a test run, then copied.

Nothing is cleaned up between tests, since the record can't be deleted: each test makes an organisation of its own. On
PostgreSQL the tables belong to one role and the service runs under another, as where it is deployed.
"""

import contextlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Self
from uuid import uuid4

import sqlalchemy as sa

from service.store.migrating import upgrade
from tests.postgres import PostgresServer, postgres

OWNER, SERVING = "rts_test_owner", "rts_test_service"
KINDS = ("sqlite", "postgresql")


@dataclass(frozen=True)
class MadeDatabase:
    """One migrated database: the address for the service, and the one of who owns it (the same on SQLite)."""

    url: str
    owner_url: str


class Databases:
    """Copies of a migrated database of each kind; PostgreSQL starts when the first test asks for it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._ends = contextlib.ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ends.close()

    @cached_property
    def server(self) -> PostgresServer:
        """The PostgreSQL server of this test run, or of this worker of it."""
        return self._ends.enter_context(postgres())

    @contextlib.contextmanager
    def copy(self, kind: str) -> Iterator[MadeDatabase]:
        """A copy that goes when the block ends."""
        with self._sqlite() if kind == "sqlite" else self._postgresql() as made:
            yield made

    @contextlib.contextmanager
    def _sqlite(self) -> Iterator[MadeDatabase]:
        folder = self._folder / uuid4().hex
        folder.mkdir()
        file = shutil.copyfile(self._sqlite_template, folder / "record.sqlite")
        yield MadeDatabase(f"sqlite:///{file}", f"sqlite:///{file}")
        shutil.rmtree(folder)

    @cached_property
    def _sqlite_template(self) -> Path:
        file = self._folder / "migrated.sqlite"
        upgrade(f"sqlite:///{file}")
        assert not file.with_name(f"{file.name}-wal").exists(), "a copy of the file alone would lack its log"
        return file

    @contextlib.contextmanager
    def _postgresql(self) -> Iterator[MadeDatabase]:
        with _on_server(self.server, template=self._postgresql_template) as name:
            yield MadeDatabase(self.server.url(name, SERVING), self.server.url(name, OWNER))

    @cached_property
    def _postgresql_template(self) -> str:
        make_roles(self.server)
        name = self._ends.enter_context(_on_server(self.server))
        upgrade(self.server.url(name, OWNER), serving_role=SERVING)
        return name


@contextlib.contextmanager
def _on_server(server: PostgresServer, template: str | None = None) -> Iterator[str]:
    """A database that goes with the block: the server may have been there before the tests."""
    name = server.create_database(template=template, owner=OWNER)
    try:
        yield name
    finally:
        server.drop_database(name)


def make_roles(server: PostgresServer) -> None:
    """Two roles for all databases of the server, which may have them from an earlier run."""
    for role in (OWNER, SERVING):
        with contextlib.suppress(sa.exc.ProgrammingError, sa.exc.IntegrityError):  # another worker was first
            server.execute(f"CREATE ROLE {role} LOGIN PASSWORD '{role}'")
