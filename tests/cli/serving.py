"""Commands that serve, started as a user starts them on a free port, and always stopped."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tests.cli.commands import ROOT

COMMAND = (sys.executable, "-m", "service")
SECONDS = 240
"""Longer than anything takes, also on a machine that has other work."""


@dataclass
class Serving:
    """A process that answers, and the line that it printed then."""

    process: subprocess.Popen[str]
    told: dict[str, Any]

    @property
    def url(self) -> str:
        return str(self.told["url"])

    def stop(self, by: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(by)
        return self.process.wait(timeout=SECONDS)


@contextlib.contextmanager
def serving(*arguments: object, environ: Mapping[str, str] | None = None) -> Iterator[Serving]:
    """Start a command with --json and wait for its line."""
    with subprocess.Popen(
        [*COMMAND, *map(str, arguments), "--json"],
        cwd=ROOT,
        env={**os.environ, **(environ or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            assert line, f"it left with {process.wait(timeout=SECONDS)} instead of answering"
            yield Serving(process, json.loads(line))
        finally:
            process.kill()


@contextlib.contextmanager
def stopped_once_it_answers(url: str) -> Iterator[None]:
    """Stop a command that serves in this process, once it answers, as Ctrl-C does; never after the block."""
    is_over = threading.Event()

    def stop() -> None:
        while not is_over.wait(0.05):
            with contextlib.suppress(OSError):
                ask(f"{url}/health/live")
                os.kill(os.getpid(), signal.SIGINT)
                return

    stopping = threading.Thread(target=stop)
    stopping.start()
    try:
        yield
    finally:
        is_over.set()
        stopping.join()


@dataclass(frozen=True)
class Answer:
    """What was answered."""

    status: int
    body: Any
    headers: Mapping[str, str]


def ask(url: str, *, key: str | None = None, data: bytes | None = None, **headers: str) -> Answer:
    """Send one request; headers are named with underscores for their hyphens."""
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    if key is not None:
        sent["Authorization"] = f"Bearer {key}"
    request = urllib.request.Request(url, data=data, headers=sent)  # noqa: S310 - our own server
    try:
        with urllib.request.urlopen(request, timeout=SECONDS) as response:  # noqa: S310 - likewise
            return Answer(response.status, json.loads(response.read() or b"null"), dict(response.headers))
    except urllib.error.HTTPError as error:
        with error:
            return Answer(error.code, json.loads(error.read() or b"null"), dict(error.headers))
