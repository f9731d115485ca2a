"""`serve` as a process: what it refuses, how it answers, and how it stops."""

import http.client
import re
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service.store.migrating import upgrade
from tests.cli.commands import ROOT, run
from tests.cli.serving import COMMAND, SECONDS, ask, serving, stopped_once_it_answers
from tests.postgres_keeper import free_port


@pytest.fixture
def record(tmp_path: Path) -> Path:
    file = tmp_path / "record.sqlite"
    upgrade(f"sqlite:///{file}")
    return file


def environ(file: Path, **more: str) -> dict[str, str]:
    return {"RTS_DATABASE_URL": f"sqlite:///{file}", "RTS_PORT": "0", **more}


def test_it_answers_where_it_says(record):
    with serving("serve", environ=environ(record)) as started:
        ready = ask(f"{started.url}/health/ready")
        refused = ask(f"{started.url}/v1/audit")

    assert ready.status == 200
    assert (refused.status, refused.body["code"]) == (401, "unauthenticated")


def test_it_says_nothing_of_the_server_behind_it(record):
    with serving("serve", environ=environ(record)) as started:
        headers = ask(f"{started.url}/health/live").headers

    assert "Server" not in headers


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_cleanly(record, by):
    with serving("serve", environ=environ(record)) as started:
        ask(f"{started.url}/health/live")
        assert started.stop(by) == 0

    assert not record.with_name("record.sqlite-wal").exists()


def test_a_database_that_is_not_there_is_refused(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("RTS_DATABASE_URL", f"sqlite:///{tmp_path / 'none.sqlite'}")

    ran = run(capsys, "serve")
    assert ran.code == 2
    assert "there is no database" in ran.err
    assert not (tmp_path / "none.sqlite").exists()


def test_a_database_that_is_not_migrated_is_refused_with_the_command_that_mends_it(capsys, monkeypatch, tmp_path):
    (tmp_path / "empty.sqlite").touch()
    monkeypatch.setenv("RTS_DATABASE_URL", f"sqlite:///{tmp_path / 'empty.sqlite'}")

    ran = run(capsys, "serve")
    assert ran.code == 2
    assert "rts-service db upgrade" in ran.err


def test_it_migrates_first_where_it_is_told_to(tmp_path):
    file = tmp_path / "folder" / "record.sqlite"
    with serving("serve", "--migrate", environ=environ(file)) as started:
        assert ask(f"{started.url}/health/ready").status == 200


def test_a_port_in_use_is_told(capsys, monkeypatch, record):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        monkeypatch.setenv("RTS_DATABASE_URL", f"sqlite:///{record}")
        monkeypatch.setenv("RTS_PORT", str(taken.getsockname()[1]))
        ran = run(capsys, "serve")

    assert ran.code == 2
    assert "RTS_PORT  conflicts" in ran.err
    assert "can't be listened on (address already in use)" in ran.err


def test_a_setting_that_can_not_be_used_is_told(capsys, monkeypatch):
    monkeypatch.setenv("RTS_PORT", "many")

    ran = run(capsys, "serve")
    assert ran.code == 2
    assert "RTS_PORT" in ran.err


@pytest.mark.parametrize(("more", "told"), [((), "err"), (("--json",), "out")])
def test_people_and_programs_are_told_the_address(capsys, monkeypatch, record, more, told):
    port = free_port()
    for name, value in environ(record, RTS_PORT=str(port), RTS_URL_PREFIX="/rts").items():
        monkeypatch.setenv(name, value)

    with stopped_once_it_answers(f"http://127.0.0.1:{port}"):
        ran = run(capsys, "serve", *more)
    assert ran.code == 0
    assert f"http://127.0.0.1:{port}/rts" in getattr(ran, told)


def test_the_readmes_steps_to_a_record_of_ones_own_work_as_written(tmp_path):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- command: record -->\s*```sh\n(.+?)\n```", readme, re.DOTALL)
    assert block is not None
    *steps, last = block.group(1).splitlines()
    file = tmp_path / "record.sqlite"
    script = "\n".join(steps).replace("sqlite:///rts-data/record.sqlite", f"sqlite:///{file}")
    script = script.replace(".venv/bin/rts-service", f"'{COMMAND[0]}' -m service")

    subprocess.run(["/bin/sh", "-ec", script], cwd=ROOT, check=True, capture_output=True, timeout=SECONDS)
    assert last == ".venv/bin/rts-service serve"
    with serving("serve", environ=environ(file)) as started:
        assert ask(f"{started.url}/health/ready").status == 200


def test_a_stop_takes_no_new_connection_and_finishes_the_requests_that_run(tmp_path):
    """A request that waits for the database is running when the stop comes, and is answered."""
    program = SLOW.format(folder=str(tmp_path))
    with subprocess.Popen(
        [COMMAND[0], "-c", program], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().strip()
            answers: list[int] = []
            asking = threading.Thread(target=lambda: answers.append(ask_slowly(url)))
            asking.start()
            wait_for(tmp_path / "begun")
            process.send_signal(signal.SIGTERM)
            asking.join(timeout=SECONDS)
            assert process.wait(timeout=SECONDS) == 0
        finally:
            process.kill()

    assert answers == [200]


SLOW = """
import time
from pathlib import Path
from types import SimpleNamespace
from flask import Flask
from service.cli.server import listen, serve, url_of
from service.settings import Settings

app = Flask("slow")
app.extensions["rts"] = SimpleNamespace(database=SimpleNamespace(close=lambda: None))

@app.get("/")
def slow():
    Path({folder!r}, "begun").touch()
    time.sleep(1)
    return "x" * 3_000_000

with listen("127.0.0.1", 0, option="--port") as listening:
    serve(app, listening, Settings(), ready=lambda: print(url_of(listening), flush=True))
"""


def ask_slowly(url: str) -> int:
    parts = urlsplit(url)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=SECONDS)
    try:
        connection.request("GET", "/")
        answer = connection.getresponse()
        return answer.status if len(answer.read()) == 3_000_000 else 0
    finally:
        connection.close()


def wait_for(file: Path) -> None:
    until = time.monotonic() + SECONDS
    while not file.exists() and time.monotonic() < until:
        time.sleep(0.02)
    assert file.exists()
