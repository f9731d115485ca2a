"""`scheduler` as a process: what is due is sent, once or until it is stopped, and a stop finishes what was begun."""

import json
import signal
import subprocess
from threading import Event

import pytest

from tests.cli.commands import ROOT, run
from tests.cli.serving import COMMAND, SECONDS, serving
from tests.clinic import Clinic
from tests.reminders.due import add_due, add_mail, add_webhook
from tests.reminders.receivers import mail_server, receiver
from tests.world import new_world


@pytest.fixture
def clinic(own_database):
    made = Clinic(new_world(own_database.url))
    yield made
    made.world.context.database.close()


@pytest.fixture
def received():
    with receiver() as one:
        yield one


def environ(clinic, **more):
    settings = {"RTS_DATABASE_URL": clinic.world.url, "RTS_WEBHOOK_NETWORKS": "127.0.0.0/8", "RTS_TICK_SECONDS": "1"}
    return {**settings, "RTS_LOG_LEVEL": "error", **more}


def once(clinic, monkeypatch, **more):
    for name, value in environ(clinic, **more).items():
        monkeypatch.setenv(name, value)
    return subprocess.run(
        [*COMMAND, "scheduler", "--once"], cwd=ROOT, capture_output=True, text=True, check=False, timeout=SECONDS
    )


def test_once_sends_what_is_due_and_leaves(clinic, received, monkeypatch):
    add_webhook(clinic, received.url)
    add_mail(clinic, "clinician", "kim@example.org")
    ids = add_due(clinic, 3)
    with mail_server() as box:
        mail = {"RTS_SMTP_URL": box.url, "RTS_MAIL_FROM": "rts@example.org"}
        first, second = once(clinic, monkeypatch, **mail), once(clinic, monkeypatch, **mail)

    assert [(one.returncode, one.stdout, one.stderr) for one in (first, second)] == [(0, "", "")] * 2
    told = [json.loads(body)["data"] for _, body in received.requests]
    assert sorted((one["task_id"], one["step"]) for one in told) == sorted((one, "overdue:1") for one in ids)
    assert len(box.mails) == 1
    assert {one["state"] for one in clinic.found("deliveries")} == {"delivered"}


def test_a_stop_finishes_what_is_being_sent_and_leaves(clinic, received):
    begun, may_answer = Event(), Event()

    def answer(_before):
        begun.set()
        may_answer.wait(SECONDS)
        return 204, {}

    received.answer = answer
    add_webhook(clinic, received.url)
    add_due(clinic, 1)
    with serving("scheduler", environ=environ(clinic)) as started:
        assert started.told == {"scheduler": "running"}
        assert begun.wait(SECONDS)
        started.process.send_signal(signal.SIGTERM)
        with pytest.raises(subprocess.TimeoutExpired):
            started.process.wait(0.2)
        may_answer.set()
        assert started.process.wait(SECONDS) == 0

    one = clinic.row("deliveries")
    assert (one["state"], one["attempts"], len(received.requests)) == ("delivered", 1, 1)


def test_a_database_that_is_not_there_is_refused(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("RTS_DATABASE_URL", f"sqlite:///{tmp_path / 'none.sqlite'}")

    ran = run(capsys, "scheduler", "--once")

    assert ran.code == 2
    assert "none.sqlite" in ran.err
