"""The database is busy or gone: 503 with Retry-After, nothing half done, and it goes on by itself afterwards."""

import sqlite3
from contextlib import closing

import sqlalchemy as sa

from service.store import database as store
from tests.clinic import new_clinic, send, small
from tests.databases import SERVING

AT = {"A": "2026-11-20T16:00:00+01:00", "B": "2026-11-20T17:00:00+01:00"}


def post(clinic, ref):
    return send(clinic.submitter, "/v1/batteries", small(ref, AT[ref]), key=ref)


def test_a_postgresql_that_stops_and_comes_back_is_used_again_without_a_restart(own_server):
    server, database = own_server
    clinic = new_clinic(database.url)
    before = post(clinic, "A")

    server.stop()
    gone, ready = post(clinic, "B"), clinic.submitter.get("/health/ready")
    server.start()
    after, again = post(clinic, "B"), post(clinic, "A")

    assert before.status_code == 201
    assert (gone.status_code, gone.json["code"], ready.status_code) == (503, "database_unavailable", 503)
    assert int(gone.headers["Retry-After"]) > 0
    assert gone.content_type == "application/problem+json"
    assert (after.status_code, after.json["created"]) == (201, [])
    assert (again.headers["Idempotency-Replayed"], again.json["id"]) == ("true", before.json["id"])
    clinic.world.context.database.close()


def test_a_connection_that_was_cut_between_two_requests_costs_nothing(own_server):
    server, database = own_server
    clinic = new_clinic(database.url)
    post(clinic, "A")

    cut = "SELECT count(pg_terminate_backend(pid, 60000)) FROM pg_stat_activity WHERE usename = "
    assert server.execute(f"{cut}'{SERVING}'")

    assert post(clinic, "B").status_code == 201
    clinic.world.context.database.close()


def test_an_sqlite_file_that_another_program_writes_to_is_busy(databases, monkeypatch):
    monkeypatch.setattr(store, "WAIT_SECONDS", 0.2)
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        file = sa.make_url(made.url).database
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            busy = post(clinic, "A")
            read = clinic.clinician.get("/v1/decisions")
            other.execute("ROLLBACK")
        after = post(clinic, "A")
        clinic.world.context.database.close()

    assert (busy.status_code, busy.json["code"]) == (503, "database_unavailable")
    assert "Retry-After" in busy.headers
    assert read.status_code in (200, 503)
    assert after.status_code == 201
