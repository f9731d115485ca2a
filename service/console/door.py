"""Signing in and out: a person's key opens a session, and a cookie that no script reads carries it."""

import hmac
import re
from datetime import timedelta
from urllib.parse import urlsplit

import flask
from flask import Response, current_app, g, request, url_for

from service.api.access import caller, context
from service.console.blueprint import NAME, SEE_OTHER, blp, form_token, go_to, page
from service.domain.errors import ForbiddenError
from service.settings import Settings
from service.use_cases import console_sessions
from service.use_cases.context import CLINICIAN, Caller, Context

COOKIE = "rts_console"
TOKEN = "form_token"  # noqa: S105 - the name of a field

_CHANGING = frozenset({"POST"})
_OWN_SITE = frozenset({"same-origin", "none"})
_NOT_OURS = "This form was not sent from a page of the console. Open the page again and send it from there."
_NOT_VALID = (
    "This key does not open the console. It needs the access key of a person, one that has not expired or been "
    "revoked; ask your administrator for another."
)
_SECRET = re.compile(r"[A-Za-z0-9_-]{43}", re.ASCII)


def identify(context: Context) -> Caller:
    """Return who is signed in; anybody else is sent to sign in, and comes back afterwards."""
    secret = request.cookies.get(COOKIE, "")
    known = None
    if _SECRET.fullmatch(secret):
        known = console_sessions.resume(context, secret, idle=timedelta(minutes=_settings().idle_minutes))
    if known is None:
        flask.abort(_to_sign_in())
    g.session_secret = secret
    return known


@blp.before_request
def refuse_other_sites() -> None:
    """Refuse a change that another site's page asks the browser for.

    Raises:
        ForbiddenError: it is not from here.
    """
    if request.method not in _CHANGING:
        return
    comes_from = request.headers.get("Sec-Fetch-Site", "none")
    origin = request.headers.get("Origin")
    is_ours = comes_from in _OWN_SITE and (origin is None or urlsplit(origin).netloc == request.host)
    if is_ours and "session_secret" in g:
        sent = request.headers.get("X-Form-Token") or request.form.get(TOKEN, "")
        is_ours = hmac.compare_digest(sent.encode(), form_token().encode())
    if not is_ours:
        raise ForbiddenError(_NOT_OURS, roles=())


@blp.get("/")
def home() -> Response:
    """Show the first page."""
    return go_to("team" if CLINICIAN in caller().roles else "settings")


@blp.get("/sign-in")
def sign_in() -> Response:
    """Ask for the key."""
    return page("console/sign_in.html", then=_then(request.args.get("then")))


@blp.post("/sign-in")
def signed_in() -> Response:
    """Begin a session."""
    then = _then(request.form.get("then"))
    found = console_sessions.sign_in(context(), request.form.get("key", "").strip())
    if found is None:
        return page("console/sign_in.html", 401, then=then, refused=_NOT_VALID)
    response = _redirect(then)
    response.set_cookie(COOKIE, found.secret, path=_place(), secure=request.is_secure, httponly=True, samesite="Lax")
    return response


@blp.post("/sign-out")
def sign_out() -> Response:
    """End the session; what was typed and not sent is forgotten by the browser, too."""
    console_sessions.sign_out(context(), caller(), g.session_secret)
    response = go_to("sign_in")
    response.delete_cookie(COOKIE, path=_place())
    response.headers["Clear-Site-Data"] = '"storage"'
    return response


@blp.get("/<path:rest>")
def nowhere(rest: str) -> Response:
    """Answer an address that is none as a page."""
    flask.abort(404, rest)


def _settings() -> Settings:
    settings: Settings = current_app.extensions["rts-settings"]
    return settings


def _place() -> str:
    return url_for(f"{NAME}.home").rstrip("/")


def _to_sign_in() -> Response:
    """Send a reader to sign in, and back afterwards; what a form sent is not sent again by itself."""
    here = f"{request.script_root}{request.path}"
    if request.method == "GET":
        then = f"{request.script_root}{request.full_path.rstrip('?')}"
    else:
        # A form that was refused stands at its own address, where there is nothing to read.
        page = urlsplit(request.referrer or "")
        then = page.path if page.netloc == request.host and page.path != here else ""
    return _redirect(url_for(f"{NAME}.sign_in", then=then or None))


def _then(asked: str | None) -> str:
    """Return where to go afterwards: a page of the console, never another site."""
    home = url_for(f"{NAME}.home")
    parts = urlsplit(asked or "")
    is_ours = not parts.scheme and not parts.netloc and parts.path.startswith(home) and "\\" not in (asked or "")
    return str(asked) if asked and is_ours else home


def _redirect(address: str) -> Response:
    response = flask.redirect(address, SEE_OTHER)
    assert isinstance(response, Response)  # noqa: S101 - the class of our own app
    return response
