"""A clinician's browser without a browser: signed in, and sending forms as the page gave them.

reader = signed_in(world)
html = reader.page(f"/console/athletes/{athlete}")
reader.send(f"/console/episodes/{episode}/events", {"kind": "setback", "on": "2026-11-21"}, page=html)
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from html import unescape
from typing import Any

from service.use_cases.context import CLINICIAN
from tests.world import World

_TOKEN = re.compile(r'name="form_token" value="([0-9a-f]{64})"')
_TAG = re.compile(r"<[^>]*>")


@dataclass(frozen=True)
class Reader:
    """One signed-in person."""

    flask: Any

    def get(self, path: str) -> Any:
        return self.flask.get(path)

    def page(self, path: str) -> str:
        """The HTML of a page that is there."""
        response = self.flask.get(path)
        assert response.status_code == 200, response.text
        return str(response.text)

    def send(self, path: str, fields: Mapping[str, Any], *, token: str | None = None) -> Any:
        """Send a form of the console; the response."""
        sent = {"form_token": self.token() if token is None else token, **fields}
        return self.flask.post(path, data=sent, headers={"Sec-Fetch-Site": "same-origin"})

    def done(self, path: str, fields: Mapping[str, Any]) -> str:
        """Send a form that is accepted; where the browser is sent on to."""
        response = self.send(path, fields)
        assert response.status_code == 303, text_of(response.text)
        return str(response.headers["Location"])

    def token(self) -> str:
        found = _TOKEN.search(self.page("/console/terms"))
        assert found is not None
        return found.group(1)


def visitor(world: World) -> Any:
    """A browser that nobody has signed in with; cookies are kept by it."""
    return world.client(None).flask


def signed_in(world: World, role: str = CLINICIAN) -> Reader:
    flask = visitor(world)
    response = flask.post("/console/sign-in", data={"key": world.keys[role]})
    assert response.status_code == 303, response.text
    return Reader(flask)


def text_of(html: str) -> str:
    """What a page says, in one line."""
    return " ".join(unescape(_TAG.sub(" ", html)).split())
