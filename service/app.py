"""The one place where the parts are joined. Nothing happens at import, and nothing is asked of the database here."""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from flask import Flask, Response, request
from flask.json.provider import DefaultJSONProvider
from werkzeug.middleware.proxy_fix import ProxyFix

from schemas.strict_json import MOST_BYTES
from service.api import calendar, docs
from service.api.access import ROLES, Authenticate, keep_the_door
from service.api.blueprint import Blueprint
from service.api.observing import log_to_stderr, observe, operation
from service.api.openapi import api_of, document
from service.api.problems import answer_errors
from service.api.reading import refuse_arguments_not_read
from service.api.routes import BLUEPRINTS
from service.console import routes as console
from service.settings import Settings, service_version
from service.store.database import Database
from service.use_cases.access import authenticate
from service.use_cases.context import Context

Clock = Callable[[], datetime]

SECURITY_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
}


class PlainJson(DefaultJSONProvider):
    """JSON in the order that it was written in; what is no plain value is a fault of ours."""

    sort_keys = False
    ensure_ascii = False

    @staticmethod
    def default(value: Any) -> Any:
        """Refuse: use cases answer plain values, so that nobody learns a date or a number in the wrong form.

        Raises:
            TypeError: always.
        """
        message = f"{type(value).__name__} is no plain value"
        raise TypeError(message)


def create_app(settings: Settings, *, clock: Clock | None = None) -> Flask:
    """Return the service; it starts without its database, and says so at /health/ready."""
    context = context_of(settings, clock=clock)
    return joined(settings, context, blueprints=BLUEPRINTS, roles=ROLES, authenticate=authenticate)


def context_of(settings: Settings, *, clock: Clock | None = None) -> Context:
    """Return the parts of the service as the operator chooses them."""
    return Context(
        Database(settings.database_url),
        clock or _now,
        service_version(),
        webhook_networks=settings.webhook_networks,
        public_url=settings.public_url,
    )


def joined(
    settings: Settings,
    context: Context,
    *,
    blueprints: Sequence[Blueprint],
    roles: Mapping[str, frozenset[str]],
    authenticate: Authenticate,
) -> Flask:
    """Return an app of these parts."""
    app = Flask("service.api", static_folder=None)
    app.json = PlainJson(app)
    app.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app.extensions["rts"] = context
    app.extensions["rts-settings"] = settings
    log_to_stderr(settings.log_level)
    observe(app, context.clock)
    answer_errors(app)
    keep_the_door(app, context, roles, authenticate, {console.NAME: console.identify, calendar.NAME: calendar.identify})
    _protect(app)
    api = api_of(app, version=context.service_version, prefix=settings.url_prefix)
    for blueprint in (*blueprints, operation):
        api.register_blueprint(blueprint)
    refuse_arguments_not_read(app)
    app.extensions["rts-openapi"] = document(app, api, roles)
    app.register_blueprint(docs.blueprint())
    app.register_blueprint(console.blp)
    _stand_behind_proxies(app, settings)
    return app


def _now() -> datetime:
    return datetime.now(UTC)


def _protect(app: Flask) -> None:
    @app.after_request
    def protect(response: Response) -> Response:
        for name, value in SECURITY_HEADERS.items():
            response.headers.setdefault(name, value)
        if request.path.startswith("/v1/"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response


def _stand_behind_proxies(app: Flask, settings: Settings) -> None:
    """Believe as many proxies as the operator says, and answer under the path that they show."""
    count = settings.trusted_proxies
    inner: Any = app.wsgi_app
    if count:
        inner = ProxyFix(inner, x_for=count, x_proto=count, x_host=count)
    prefix = settings.url_prefix

    def under_prefix(environ: dict[str, Any], start_response: Any) -> Any:
        if prefix:
            asked = environ.get("PATH_INFO", "")
            environ["SCRIPT_NAME"] = prefix
            # Some proxies take the prefix away and some hand it on.
            environ["PATH_INFO"] = asked.removeprefix(prefix) if f"{asked}/".startswith(f"{prefix}/") else asked
        return inner(environ, start_response)

    app.wsgi_app = under_prefix  # type: ignore[method-assign]
