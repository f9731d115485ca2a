"""A clinic of which everything due may be sent: it has a database of its own."""

from collections.abc import Iterator

import pytest

from tests.clinic import Clinic, new_clinic
from tests.databases import Databases


@pytest.fixture
def clinic(databases: Databases) -> Iterator[Clinic]:
    with databases.copy("sqlite") as database:
        made = new_clinic(database.url)
        yield made
        made.world.context.database.close()
