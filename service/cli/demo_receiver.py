"""The receiver beside a demonstration: it takes messages, checks their signatures and notes them in a file."""

import hmac
import json
import os
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from schemas.query_fields import MOST_LIMIT
from schemas.webhooks import ON
from service.reminders.signing import signature
from service.use_cases.access import authenticate
from service.use_cases.context import Context
from service.use_cases.webhooks import (
    change_webhook,
    create_webhook,
    list_webhooks,
    rotate_secret,
    show_webhook,
)

LABEL = "Receiver of this demonstration"
MOST_BYTES = 64 * 1024
MOST_SECONDS_APART = 300


class Receiver(ThreadingHTTPServer):
    """A server on this machine; `secret` is what it checks signatures by."""

    daemon_threads = True

    def __init__(self, file: Path, tell: Callable[[str], None]) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.secret = ""
        self.url = f"http://127.0.0.1:{self.server_port}/"
        self._file = file
        self._tell = tell
        self._seen: set[str] = set()
        self._writing = threading.Lock()

    def is_genuine(self, id_: str, timestamp: str, signatures: str, body: bytes) -> bool:
        """Tell whether a message was signed with the secret, within the last minutes."""
        if not timestamp.isdecimal() or abs(time.time() - int(timestamp)) > MOST_SECONDS_APART:
            return False
        wanted = signature([self.secret], id_=id_, timestamp=int(timestamp), body=body)
        return any(hmac.compare_digest(wanted.encode(), one.encode()) for one in signatures.split())

    def take(self, id_: str, body: bytes) -> None:
        """Note a message that is genuine, and say so once for each id."""
        message = json.loads(body)
        with self._writing:
            is_repeat = id_ in self._seen
            self._seen.add(id_)
            now = datetime.now(UTC).isoformat(timespec="milliseconds")  # noqa: TID251 - when it came, by the real clock
            line = {"received_at": now, "webhook_id": id_, "repeated": is_repeat, "message": message}
            with open(self._file, "a", encoding="utf-8", opener=_for_own_eyes) as noting:
                noting.write(json.dumps(line, ensure_ascii=False) + "\n")
        if not is_repeat:
            self._tell(f"received {_said(message)}")


class _Handler(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        """Take a message, or refuse what the service did not send."""
        length = self.headers.get("Content-Length", "")
        body = self.rfile.read(int(length)) if length.isdecimal() and int(length) <= MOST_BYTES else b""
        id_, timestamp, signatures = (
            self.headers.get(f"webhook-{name}", "") for name in ("id", "timestamp", "signature")
        )
        is_genuine = self.server.is_genuine(id_, timestamp, signatures, body)
        if is_genuine:
            self.server.take(id_, body)
        self.send_response(HTTPStatus.NO_CONTENT if is_genuine else HTTPStatus.UNAUTHORIZED)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        """Say nothing of requests; what is taken is told by itself."""


@contextmanager
def receiving(file: Path, *, tell: Callable[[str], None]) -> Iterator[Receiver]:
    """Receive while the block runs.

    Args:
        file: where a line of JSON is added for each message.
        tell: is told in words of each.
    """
    with Receiver(file, tell) as receiver:
        answering = threading.Thread(target=receiver.serve_forever, daemon=True)
        answering.start()
        try:
            yield receiver
        finally:
            receiver.shutdown()
            answering.join()


def register(receiver: Receiver, context: Context, administrator: str) -> None:
    """Let the club's messages be sent to a receiver: with all that still waits for those of earlier starts.

    Args:
        receiver: learns the secret.
        context: the parts of the service that runs.
        administrator: the secret of an administrator's access key; where it was revoked, nothing is sent.
    """
    caller = authenticate(context, administrator)
    if caller is None:
        return
    body = {"url": receiver.url, "events": [], "label": LABEL}
    key = str(uuid.uuid4())
    webhooks = list_webhooks(context, caller, limit=MOST_LIMIT).items
    known = next((one["id"] for one in webhooks if one["label"] == LABEL), None)
    if known is None:
        made = create_webhook(context, caller, body, key=key)
    else:
        _, etag = show_webhook(context, caller, known)
        change_webhook(context, caller, known, body | {"state": ON}, etag=etag)
        made = rotate_secret(context, caller, known, {"keep_previous_hours": 0}, key=key)
    receiver.secret = made.answer["secret"]


def _for_own_eyes(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _said(message: dict[str, Any]) -> str:
    data = message["data"]
    of_task = f": {data['kind'].replace('_', ' ')}, due {data['due_on']}" if "due_on" in data else ""
    return f"{message['type']}{of_task}"
