"""A PostgreSQL that a test may stop."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import Databases, MadeDatabase
from tests.postgres import PostgresServer, postgres


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[tuple[PostgresServer, MadeDatabase]]:
    """A server that the test may stop, with a migrated database in it."""
    with postgres(fast=False) as server, Databases(tmp_path) as made:
        made.server = server
        with made.copy("postgresql") as database:
            yield server, database
