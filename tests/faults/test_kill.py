"""Kill -9 of the service while batteries are posted: what was answered is there, and what was not can be sent again.

A few kills in every run; `pytest -m slow tests/faults` kills each database's service twenty times.
"""

import json
import random
import signal
import threading
import time
import urllib.error
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.client import HTTPException
from typing import Any
from uuid import uuid4

import pytest

from service.use_cases.context import SUBMITTER
from service.use_cases.rebuilding import check
from service.use_cases.verifying import verify_decision
from tests.cli.serving import Serving, ask, serving
from tests.clinic import Clinic, new_clinic, small

FEW, MANY = 3, 20
POSTERS = 4
BUSY = 503
SEED = 20_261_128


@dataclass
class Poster:
    """Posts one athlete's batteries one after another, and notes what was answered and what was not."""

    url: str
    key: str
    place: int
    ref: str = field(default_factory=lambda: uuid4().hex)
    sent: int = 0
    answered: dict[str, dict[str, Any]] = field(default_factory=dict)
    unanswered: dict[str, bytes] = field(default_factory=dict)
    is_over: bool = False

    def run(self) -> None:
        while not self.is_over:
            key, body = uuid4().hex, self._body()
            self.unanswered[key] = body
            if not self.send(key, body):
                return

    def send(self, key: str, body: bytes) -> bool:
        """Whether it was answered; while the database is busy the same is sent again, as the answer says."""
        try:
            answer = ask(
                f"{self.url}/v1/batteries",
                key=self.key,
                data=body,
                Content_Type="application/json",
                Idempotency_Key=key,
            )
        except (urllib.error.URLError, HTTPException, OSError):
            return False
        if answer.status == BUSY:
            return self.send(key, body)
        assert answer.status == 201, answer.body
        self.answered[key] = answer.body
        del self.unanswered[key]
        return True

    def _body(self) -> bytes:
        self.sent += 1
        moment = datetime(2026, 11, 1, 8, tzinfo=UTC) + timedelta(minutes=self.sent)
        body = small(
            f"{self.ref}-{self.sent}",
            moment.isoformat(),
            athlete={"ref": self.ref, "new": True, "birth_year": 2000},
            episode={**small()["episode"], "ref": f"{self.ref}-1"},
        )
        return json.dumps(body, default=float).encode()


def killed_after(started: Serving, posters: list[Poster], seconds: float) -> None:
    """Let the posters post for a while, then kill the service in the middle of it."""
    for one in posters:
        one.url, one.is_over = started.url, False
    threads = [threading.Thread(target=one.run) for one in posters]
    for thread in threads:
        thread.start()
    time.sleep(seconds)
    started.stop(signal.SIGKILL)
    for one in posters:
        one.is_over = True
    for thread in threads:
        thread.join()


def posted_through(clinic: Clinic, kills: int) -> list[Poster]:
    """Post while the service is killed again and again; at the end send what was never answered once more."""
    draw = random.Random(SEED)  # noqa: S311 - the same pauses in every run
    environ = {"RTS_DATABASE_URL": clinic.world.url, "RTS_PORT": "0", "RTS_LOG_LEVEL": "error"}
    posters = [Poster("", clinic.world.keys[SUBMITTER], place) for place in range(POSTERS)]
    for _ in range(kills):
        with serving("serve", environ=environ) as started:
            killed_after(started, posters, draw.uniform(0.05, 1.0))
    with serving("serve", environ=environ) as started:
        for one in posters:
            one.url = started.url
            for key, body in list(one.unanswered.items()):
                assert one.send(key, body)
    return posters


def assert_nothing_is_lost(clinic: Clinic, posters: list[Poster]) -> None:
    context, clinician = clinic.world.context, clinic.world.clinician
    answers = [answer for one in posters for answer in one.answered.values()]
    assert len(answers) >= POSTERS
    for answer in answers:
        kept = clinic.decision(answer["id"])
        assert (kept["battery_id"], kept["digest"]) == (answer["battery_id"], answer["digest"])
    for one in posters:
        batteries = {answer["battery_id"] for answer in one.answered.values()}
        assert len(batteries) == one.sent == len(one.answered), "every battery was kept once"
        last = list(one.answered.values())[-1]
        clinic.assert_intact(last["athlete_id"])
        assert verify_decision(context, clinician, last["id"])["result"] == "identical"
    assert check(context, clinic.world.organisation).is_clean


def test_what_was_answered_outlives_a_kill(database_url):
    clinic = new_clinic(database_url)

    assert_nothing_is_lost(clinic, posted_through(clinic, FEW))


@pytest.mark.slow
def test_what_was_answered_outlives_twenty_kills(database_url):
    clinic = new_clinic(database_url)

    assert_nothing_is_lost(clinic, posted_through(clinic, MANY))
