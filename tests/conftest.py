"""What all tests share: databases of both kinds, and how hard the property tests look.

As CI does by default, or `HYPOTHESIS_PROFILE=thorough` by hand.
"""

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, Phase, settings

from service.store import database
from tests.databases import KINDS, Databases, MadeDatabase
from tests.postgres import PostgresServer

# A story takes milliseconds to tell and to judge, so a law is tried on fewer of them than is usual.
_SHARED = settings(
    deadline=None,
    suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much),
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
)

settings.register_profile("ci", _SHARED, derandomize=True, database=None, max_examples=40)
settings.register_profile("thorough", _SHARED, max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


UNMEASURED = {"browser", "external", "properties"}
"""The folders whose tests run lines that others measure, thousands of times or in a process beside them."""

PATIENCE = 60
"""For how many seconds somebody waits here for a lock: a slow machine is no busy database."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Measure no coverage where it costs much and shows nothing."""
    for item in items:
        if UNMEASURED & set(item.path.relative_to(item.config.rootpath).parts):
            item.add_marker(pytest.mark.no_cover)


@pytest.fixture(scope="session", autouse=True)
def _unhurried() -> Iterator[None]:
    """In this process nobody is told too soon that a database is busy, and nobody waits for the disk."""
    with pytest.MonkeyPatch.context() as patching:
        patching.setattr(database, "WAIT_SECONDS", PATIENCE)
        patching.setattr(database, "DURABILITY", "OFF")
        yield


@pytest.fixture(scope="session")
def databases(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Databases]:
    """What makes the databases below; a run that asks for SQLite only starts no server."""
    with Databases(tmp_path_factory.mktemp("databases")) as made:
        yield made


@pytest.fixture(scope="session")
def postgres_server(databases: Databases) -> PostgresServer:
    """The server of this test run, or of this worker of it: it starts in half a second."""
    return databases.server


@pytest.fixture(scope="session", params=KINDS)
def database_url(request: pytest.FixtureRequest, databases: Databases) -> Iterator[str]:
    """A migrated database of each kind, for the service's role; shared, so a test makes its own organisation."""
    with databases.copy(request.param) as made:
        yield made.url


@pytest.fixture(scope="module", params=KINDS)
def file_database_url(request: pytest.FixtureRequest, databases: Databases) -> Iterator[str]:
    """The same for the tests of one file: for those that look at every organisation, which are many elsewhere."""
    with databases.copy(request.param) as made:
        yield made.url


@pytest.fixture(params=KINDS)
def own_database(request: pytest.FixtureRequest, databases: Databases) -> Iterator[MadeDatabase]:
    """A migrated database that no other test sees: for those that damage it, or count what is in it."""
    with databases.copy(request.param) as made:
        yield made
