"""How fast batteries are posted: `.venv/bin/python tests/benchmarks/posting.py [--database URL] [--json] [--profile]`.

One process of `waitress` with 8 threads serves a fresh SQLite file (`synchronous=FULL`), or the PostgreSQL database of
`--database`; a second process posts over 8 connections, ten batteries an athlete. Three routes take turns:

post    POST /v1/batteries: a battery of 17 measurements, judged for team training;
floor   the same access key, the same reading of the body and the same statements, with a constant decision;
commit  no reading, no checks: the key is looked up and one row is committed.

Figures are medians of the rounds; the ratio of post to floor is the one that matters. At the end post is sent at 80 %
of its throughput, where waiting shows. Times are measured here and never asserted in tests.
"""

import argparse
import cProfile
import http.client
import json
import multiprocessing
import pstats
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import sqlalchemy as sa
import waitress

from schemas import strict_json
from schemas.battery import BatterySchema
from service.api.access import ROLES, caller, context
from service.api.blueprint import Blueprint
from service.api.reading import idempotency_key
from service.api.routes import BLUEPRINTS
from service.app import joined
from service.domain.battery import canonical_value
from service.domain.canonical import canonical, digest
from service.domain.chain import Head, link
from service.domain.codes import HOLD_KINDS
from service.domain.record import instant
from service.settings import Settings
from service.store import audit, criteria, entries, history, outbox, people, reminders, tables
from service.store.database import Database
from service.store.idempotency import Claim, claim
from service.store.ids import new_id
from service.store.migrating import upgrade
from service.use_cases.access import authenticate
from service.use_cases.choosing import named_set
from service.use_cases.context import Context
from service.use_cases.posting import post_battery

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # for tests.world, whose organisation and keys serve here too
THREADS, CONNECTIONS, EACH_ATHLETE = 8, 8, 10
SECONDS, ROUNDS, LOAD = 3, 3, 0.8
PROFILED = 150
ROUTES = {"post": "/v1/batteries", "floor": "/v1/floor", "commit": "/v1/commit"}
STEPS = 6
"""Reminders of the retest and of the question of the morning after."""

HELD = ("eversion-symmetry", "side-hop-floor")
SCHEMA = BatterySchema()


# The server


def blueprint() -> Blueprint:
    """The two routes that are measured beside the real one."""
    blp = Blueprint("measured", __name__, url_prefix="/v1", description="Measured beside the real route.")

    @blp.post("/floor")
    @blp.arguments(BatterySchema)
    @blp.answers(None, status=201)
    def floor(body: Mapping[str, Any]) -> Mapping[str, Any]:
        """Do what posting does, with a constant decision."""
        key = idempotency_key()
        who, now = caller(), context().clock()
        asked = digest(canonical(canonical_value(body)))
        return context().database.write(
            lambda tx: kept(tx, who, body, Claim(who.organisation, who.actor, key, "floor", asked), now)
        )

    @blp.post("/commit")
    @blp.answers(None, status=201)
    def commit() -> Mapping[str, Any]:
        """Commit one row."""
        who, now = caller(), context().clock()
        one = Claim(who.organisation, who.actor, idempotency_key(), "commit", "sha256:")
        context().database.write(lambda tx: claim(tx, one, new_id(now), now))
        return {"id": None}

    return blp


def kept(tx: sa.Connection, who: Any, body: Mapping[str, Any], claimed: Claim, now: datetime) -> Mapping[str, Any]:
    """Send the statements of a post."""
    battery, decision = new_id(now), new_id(now)
    organisation = who.organisation
    claim(tx, claimed, battery, now)
    athlete = people.athlete_of_ref(tx, organisation, body["athlete"]["ref"])
    is_new = athlete is None
    athlete = athlete or people.make_athlete(tx, organisation, new_id(now), body["athlete"]["ref"])
    row = people.episode_of_ref(tx, organisation, body["episode"]["ref"])
    episode = new_id(now) if row is None else row.id
    head = entries.head(tx, organisation, athlete, is_locked=True)
    entries.read(tx, organisation, athlete)
    history.standings(tx, organisation, athlete)
    people.batteries_of_ref(tx, organisation, body["ref"])
    criteria.adopted(tx, organisation)
    criteria.in_order_of_publication(tx, organisation)
    links = []
    for kind, id_, document in (
        ("battery", battery, CONSTANT["battery"]),
        ("decision", decision, CONSTANT["decision"]),
    ):
        links.append(
            link(
                head if not links else Head(links[-1].sequence, links[-1].digest),
                organisation=organisation,
                athlete=athlete,
                id_=id_,
                kind=kind,
                episode=episode,
                occurred_at=instant(body["performed_at"]),
                occurred_on=body["performed_at"].date(),
                recorded_at=instant(now),
                actor=who.actor,
                salt="0" * 32,
                document=document,
                private={"ref": body["ref"]},
            )
        )
    _write_state(tx, who, body, links, is_new_episode=row is None, is_new=is_new, now=now)
    reminders.plans(tx, organisation, [organisation, episode])
    day = now.date()
    reminders.plan(tx, organisation, [reminders.New(new_id(now), battery, day, "on_day", now) for _ in range(STEPS)])
    outbox.webhooks_on(tx, organisation)
    return CONSTANT["answer"]


def _write_state(  # noqa: PLR0913 - all that the rows are made of
    tx: Any, who: Any, body: Any, links: Any, *, is_new_episode: bool, is_new: bool, now: datetime
) -> None:
    own = {"organisation_id": who.organisation, "athlete_id": links[0].athlete}
    battery, decision = links
    t = tables
    tx.execute(
        sa.update(t.athletes)
        .where(t.athletes.c.organisation_id == who.organisation, t.athletes.c.id == battery.athlete)
        .values(entries=decision.sequence, head_digest=decision.digest, birth_year=2000)
    )
    if is_new_episode:
        tx.execute(
            sa.insert(t.episodes),
            [own | {"id": battery.episode, "ref": body["episode"]["ref"], "current_decision_id": decision.id}],
        )
    else:
        tx.execute(
            sa.update(t.episodes)
            .where(t.episodes.c.organisation_id == who.organisation, t.episodes.c.id == battery.episode)
            .values(current_decision_id=decision.id)
        )
    entries.add(tx, links)
    at = body["performed_at"]
    tx.execute(
        sa.insert(t.batteries),
        [
            own
            | {
                "id": battery.id,
                "episode_id": battery.episode,
                "ref": body["ref"],
                "revision": 1,
                "kind": "assessment",
                "performed_at": at,
                "performed_on": at.date(),
                "posted_by": who.actor,
                "state": "standing",
            }
        ],
    )
    if not is_new:
        tx.execute(
            sa.update(t.decisions)
            .where(
                t.decisions.c.organisation_id == who.organisation,
                t.decisions.c.athlete_id == battery.athlete,
                t.decisions.c.state == "standing",
            )
            .values(state="superseded")
        )
    tx.execute(
        sa.insert(t.decisions),
        [
            own
            | {
                "id": decision.id,
                "episode_id": battery.episode,
                "sequence": decision.sequence,
                "battery_id": battery.id,
                "target_stage": "team_training",
                "condition": "lateral_ankle_sprain",
                "set_id": "lateral-ankle-sprain",
                "version": 1,
                "as_of": at,
                "decided_at": now,
                "outcome": "hold",
                **dict.fromkeys(HOLD_KINDS, False),
                "state": "standing",
                "posted_by": who.actor,
            }
        ],
    )
    tx.execute(
        sa.insert(t.unmet_criteria),
        [
            {
                "organisation_id": who.organisation,
                "decision_id": decision.id,
                "criterion_id": one,
                "status": "not_met",
                "decided_at": now,
            }
            for one in HELD
        ],
    )
    task = {"window_days": 2, "state": "open", "updated_at": now, "due_on": at.date()}
    tx.execute(
        sa.update(t.tasks)
        .where(
            t.tasks.c.organisation_id == who.organisation,
            t.tasks.c.episode_id == battery.episode,
            t.tasks.c.kind == "retest",
            t.tasks.c.state == "open",
        )
        .values(state="closed")
    )
    tx.execute(
        sa.insert(t.tasks),
        [
            own | task | {"id": str(uuid4()), "kind": kind, "episode_id": battery.episode, **of}
            for kind, of in (
                ("retest", {"decision_id": decision.id, "battery_id": None}),
                ("follow_up", {"battery_id": battery.id, "decision_id": None}),
            )
        ],
    )
    for one in links:
        audit.note(
            tx,
            organisation=who.organisation,
            id_=new_id(now),
            at=now,
            actor=who.actor,
            action=f"record {one.kind}",
            object_kind=one.kind,
            object_id=one.id,
            athlete=one.athlete,
        )


CONSTANT: dict[str, Any] = {}


def serve(url: str, port: int, is_profiled: bool, ready: Any) -> None:  # noqa: FBT001
    """Serve until the parent ends this process."""
    from tests.world import new_world  # noqa: PLC0415

    world = new_world(url)
    one = named_set("lateral-ankle-sprain")
    new = criteria.NewVersion(one.id, one.version, one.digest, canonical(one.document), None, None, date(2020, 1, 1))
    world.context.database.write(
        lambda tx: criteria.adopt(tx, world.organisation, new, by=world.administrator.actor, at=world.clock())
    )
    real = Context(Database(url), lambda: datetime.now(UTC), "0.0.0")  # noqa: TID251
    first = post_battery(
        real, world.submitter, SCHEMA.load(strict_json.read(json.dumps(json_body("warm", 0)))[0]), uuid4().hex
    )
    chain = real.database.read(lambda tx: entries.read(tx, world.organisation, first.answer["athlete_id"]))
    CONSTANT.update(battery=dict(chain[0].content), decision=dict(chain[1].content), answer=dict(first.answer))
    settings = Settings(database_url=url, port=port, log_level="error")
    roles = ROLES | {f"measured.{name}": ROLES["batteries.create"] for name in ("floor", "commit")}
    app = joined(settings, real, blueprints=(*BLUEPRINTS, blueprint()), roles=roles, authenticate=authenticate)
    if is_profiled:
        app.wsgi_app = _profiled(app.wsgi_app)  # type: ignore[method-assign]
    server = waitress.create_server(app, host="127.0.0.1", port=port, threads=THREADS)
    ready.put((server.effective_port, world.keys["submitter"]))
    server.run()


def _profiled(inner: Any) -> Any:
    """Profile the real route, and print where its time goes after a while."""
    profile, seen = cProfile.Profile(), [0]
    lock = threading.Lock()

    def app(environ: Any, start: Any) -> Any:
        with lock:
            profile.enable()
            try:
                return inner(environ, start)
            finally:
                profile.disable()
                seen[0] += 1
                if seen[0] == PROFILED:
                    pstats.Stats(profile, stream=sys.stderr).sort_stats("tottime").print_stats(35)
                    pstats.Stats(profile, stream=sys.stderr).sort_stats("cumtime").print_stats(60)

    return app


# The client

EXAMPLE = json.loads((ROOT / "criteria_sets/lateral-ankle-sprain/example-battery.json").read_text(encoding="utf-8"))


def json_body(who: str, place: int) -> dict[str, Any]:
    """The body of an athlete's battery, one a day."""
    at = datetime.fromisoformat("2026-11-01T10:00:00+01:00") + timedelta(days=place)
    body = EXAMPLE | {
        "ref": f"{who}-{place}",
        "athlete": EXAMPLE["athlete"] | {"ref": who},
        "episode": EXAMPLE["episode"] | {"ref": f"{who}-1", "onset_on": "2026-10-04"},
        "since_last": {"events": [], "sessions": []},
        "performed_at": at.isoformat(),
    }
    return json.loads(json.dumps(body))


def bodies() -> Iterator[bytes]:
    """Yield bodies of new athletes, each with ten batteries in order; made beforehand but for the names."""
    batteries = [json.dumps(json_body("WHO", place)) for place in range(EACH_ATHLETE)]
    while True:
        who = uuid4().hex
        yield from (one.replace("WHO", who).encode() for one in batteries)


def load(port: int, key: str, route: str, *, seconds: float, rate: float | None = None) -> tuple[float, list[float]]:
    """Return requests a second, and each one's time in ms; with a rate they are sent at set moments."""
    taken: list[float] = []
    ends = time.perf_counter() + seconds

    def run(place: int) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
        waiting = bodies()
        due = time.perf_counter() + place / (rate or 1)
        while time.perf_counter() < ends:
            if rate is not None:
                time.sleep(max(0.0, due - time.perf_counter()))
            start = due if rate is not None else time.perf_counter()
            connection.request(
                "POST",
                ROUTES[route],
                next(waiting) if route != "commit" else b"",
                headers | {"Idempotency-Key": uuid4().hex},
            )
            answer = connection.getresponse()
            said = answer.read()
            if answer.status != 201:
                message = f"{route}: {answer.status} {said[:300]!r}"
                raise RuntimeError(message)
            taken.append((time.perf_counter() - start) * 1000)
            due += CONNECTIONS / (rate or 1)

    threads = [threading.Thread(target=run, args=(place,)) for place in range(CONNECTIONS)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    return len(taken) / seconds, taken


def measure(port: int, key: str) -> dict[str, Any]:
    """Return the figures of every route."""
    rates: dict[str, list[float]] = {name: [] for name in ROUTES}
    times: dict[str, list[float]] = {name: [] for name in ROUTES}
    for _ in range(ROUNDS):
        for name in ROUTES:
            rate, taken = load(port, key, name, seconds=SECONDS)
            rates[name].append(rate)
            times[name] += taken
    found: dict[str, Any] = {
        name: {"a second": round(statistics.median(rates[name])), **_quantiles(times[name])} for name in ROUTES
    }
    at = LOAD * statistics.median(rates["post"])
    _, taken = load(port, key, "post", seconds=2 * SECONDS, rate=at)
    found[f"post at {LOAD:.0%}"] = {"a second": round(at), **_quantiles(taken)}
    found["post / floor"] = round(
        statistics.median(a / b for a, b in zip(rates["post"], rates["floor"], strict=True)), 2
    )
    return found


def _quantiles(times: list[float]) -> dict[str, float]:
    cuts = statistics.quantiles(times, n=100)
    return {"p50 ms": round(cuts[49], 1), "p99 ms": round(cuts[98], 1)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--database", help="a migrated PostgreSQL database; by default a new SQLite file")
    parser.add_argument("--json", action="store_true")
    parser.add_argument(
        "--profile", action="store_true", help="say where 150 posts spend their time, one after another"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = options.database or f"sqlite:///{folder}/record.sqlite"
        if options.database is None:
            upgrade(url)
        forked = multiprocessing.get_context("spawn")
        ready = forked.Queue()
        server = forked.Process(target=serve, args=(url, 0, options.profile, ready), daemon=True)
        server.start()
        port, key = ready.get(timeout=60)
        try:
            if options.profile:
                load(port, key, "post", seconds=15)
                return
            found = measure(port, key)
        finally:
            server.terminate()
            server.join()
    if options.json:
        print(json.dumps(found))
        return
    for name, one in found.items():
        print(
            f"{name:<14}",
            one if not isinstance(one, dict) else "  ".join(f"{key} {value}" for key, value in one.items()),
        )


if __name__ == "__main__":
    main()
