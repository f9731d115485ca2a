"""What the operator sees: one line a request, figures, probes. Never a ref, a body, a key or a name of a person."""

import json
import logging
import re
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TextIO

import prometheus_client
from flask import Flask, Response, current_app, g, request
from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from schemas import fields
from schemas.document import DocumentSchema
from service.api.access import context
from service.api.blueprint import Blueprint
from service.api.problems import NOT_READY, RefusedRequestError
from service.domain.errors import DatabaseUnavailableError
from service.use_cases.backlog import read_backlog
from service.use_cases.readiness import why_not_ready

REQUEST_ID, TRACE = "X-Request-Id", "traceparent"
UNMATCHED = "unmatched"
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
# W3C trace context: version, trace id, parent id, flags; ids of zeros and the version ff are no ids.
_TRACE = re.compile(r"(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}", re.ASCII)
_LOG = logging.getLogger("rts.access")


@dataclass(frozen=True, slots=True)
class Metrics:
    """The figures of one app."""

    registry: CollectorRegistry
    requests: Counter
    seconds: Histogram

    def observe(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count one request."""
        method = method if method in METHODS else "other"
        told = (route, method, f"{status // 100}xx")
        self.requests.labels(*told).inc()
        self.seconds.labels(*told).observe(seconds)


class Backlog(Collector):
    """What waits to be reminded of and to be sent, looked at when it is asked for; without a database nothing."""

    def describe(self) -> list[GaugeMetricFamily]:
        """Return nothing: what waits is not looked at before it is asked for."""
        return []

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Yield the figures."""
        try:
            found = read_backlog(context())
        except DatabaseUnavailableError:
            return
        late = "How long the oldest reminder that is due waits to be handed over"
        yield GaugeMetricFamily("rts_reminders_late_seconds", late, value=found.late_seconds)
        deliveries = GaugeMetricFamily("rts_deliveries", "Deliveries that are not delivered", labels=["state"])
        deliveries.add_metric(["waiting"], found.waiting)
        deliveries.add_metric(["dead"], found.dead)
        yield deliveries


class Stderr(logging.StreamHandler[TextIO]):
    """Writes to what stderr is at the moment, so that it can be turned elsewhere."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:
        """Return stderr."""
        return sys.stderr

    @stream.setter
    def stream(self, _stream: TextIO) -> None:
        """Leave it."""


def log_to_stderr(level: str) -> None:
    """Send what the service logs to stderr, once."""
    log = logging.getLogger("rts")
    log.setLevel(level.upper())
    if not any(isinstance(handler, Stderr) for handler in log.handlers):
        log.addHandler(Stderr())


def observe(app: Flask, clock: Callable[[], datetime]) -> None:
    """Give every request an id, a line in the log and its place in the figures."""
    metrics = _metrics()
    app.extensions["rts-metrics"] = metrics

    @app.before_request
    def begin() -> None:
        g.started = time.perf_counter()
        sent = request.headers.get(REQUEST_ID, "")
        g.request_id = sent if _ID.fullmatch(sent) else str(uuid.uuid4())
        traced = _TRACE.fullmatch(request.headers.get(TRACE, ""))
        g.trace, g.trace_id = (traced.group(), traced.group(1)) if traced else (None, None)

    @app.after_request
    def end(response: Response) -> Response:
        response.headers[REQUEST_ID] = g.request_id
        if g.trace:
            response.headers[TRACE] = g.trace
        seconds = time.perf_counter() - g.started
        route = request.url_rule.rule if request.url_rule else UNMATCHED
        metrics.observe(route, request.method, response.status_code, seconds)
        _LOG.info(_line(clock(), route, response.status_code, seconds))
        return response


def _metrics() -> Metrics:
    registry = CollectorRegistry()
    registry.register(Backlog())
    labels = ("route", "method", "status")
    return Metrics(
        registry,
        Counter("rts_requests", "Requests answered", labels, registry=registry),
        Histogram("rts_request_seconds", "Time to answer a request", labels, registry=registry),
    )


def _line(now: datetime, route: str, status: int, seconds: float) -> str:
    """Return one line of JSON: ids are ours or opaque, and the route is the rule, not what was asked for."""
    known = g.get("caller")
    return json.dumps(
        {
            "time": now.isoformat(timespec="milliseconds"),
            "method": request.method if request.method in METHODS else "other",
            "route": route,
            "status": status,
            "ms": round(seconds * 1000, 1),
            "request_id": g.request_id,
            "trace_id": g.trace_id,
            "organisation": known.organisation if known else None,
            "actor": known.actor if known else None,
        }
    )


class ProbeSchema(DocumentSchema):
    """The answer of a probe."""

    status = fields.Choice(("ok",), required=True)


operation = Blueprint("operation", __name__, description="For the operator; keep these behind the proxy")


@operation.get("/health/live")
@operation.answers(ProbeSchema, example={"status": "ok"})
def live() -> dict[str, Any]:
    """Tell that the process answers."""
    return {"status": "ok"}


@operation.get("/health/ready")
@operation.answers(ProbeSchema, example={"status": "ok"})
def ready() -> dict[str, Any]:
    """Tell whether requests can be served: the database is reached and has this release's tables."""
    reason = why_not_ready(context())
    if reason:
        raise RefusedRequestError(NOT_READY, reason, headers={"Retry-After": "5"})
    return {"status": "ok"}


@operation.get("/metrics")
@operation.response(200, {"type": "string"}, content_type="text/plain")
def metrics() -> Response:
    """Show figures in the text format of Prometheus."""
    text = prometheus_client.generate_latest(current_app.extensions["rts-metrics"].registry)
    return current_app.response_class(text, content_type=prometheus_client.CONTENT_TYPE_LATEST)
