"""A decision is judged again from the record as it is kept; whatever was changed in it shows."""

from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.errors import NotFoundError
from service.domain.judge import verdict_of
from service.store.database import Database
from service.store.tables import METADATA
from service.use_cases.context import CLINICIAN
from service.use_cases.verifying import verify_decision
from tests.builders import battery
from tests.databases import Databases, MadeDatabase
from tests.recorded import Clinic, clinic_of
from tests.world import new_world

ENTRIES = METADATA.tables["record_entries"]
OTHER_ID = "01890a5d-ac96-774b-bcce-b302099a8057"

# What the owner of a database may put into each column of the third entry of four; words in capitals stand for ids.
CHANGES = {
    "id": "ID",
    "sequence": "9",
    "kind": "'consent'",
    "occurred_at": "'2026-11-20T15:30:01.000000Z'",
    "occurred_on": "'2026-11-22'",
    "recorded_at": "'2026-11-20T15:30:01.000000Z'",
    "format": "2",
    "salt": "'00'",
    "document": "document || ' '",
    "document_digest": "'sha256:00'",
    "private": "'{}'",
    "private_digest": "'sha256:00'",
    "previous_digest": "NULL",
    "digest": "'sha256:00'",
    "episode_id": "NULL",
    "actor_id": "ACTOR",
    "athlete_id": "ID",
    "organisation_id": "ORGANISATION",
}


@pytest.fixture
def clinic(own_database: MadeDatabase) -> Clinic:
    return new_clinic(own_database)


def new_clinic(made: MadeDatabase) -> Clinic:
    """A record of four entries: a battery and the morning after it, each with its decision."""
    clinic = clinic_of(new_world(made.url))
    clinic.post(battery("A"))
    clinic.morning("A")
    return clinic


def decisions_of(clinic: Clinic) -> list[str]:
    table = METADATA.tables["decisions"]
    query = (
        sa.select(table.c.id)
        .where(table.c.organisation_id == clinic.world.organisation)
        .order_by(table.c.decided_at, table.c.id)
    )
    return clinic.world.context.database.read(lambda tx: list(tx.execute(query).scalars()))


def verified(clinic: Clinic, place: int = -1) -> dict[str, Any]:
    return verify_decision(clinic.world.context, clinic.world.clinician, decisions_of(clinic)[place])


def change(made: MadeDatabase, *statements: str) -> None:
    """What somebody who owns the database can do: take the guards away and change what they like."""
    database = Database(made.owner_url, for_migration=True)
    with database.engine.begin() as connection:
        for table in ("record_entries", "criteria_versions"):
            for guard in ("update", "delete"):
                on = "" if database.is_sqlite else f" ON {table}"
                connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {table}_no_{guard}{on}")
        if not database.is_sqlite:
            _drop_references(connection)
        for statement in statements:
            connection.exec_driver_sql(statement)
    database.close()


def _drop_references(connection: sa.Connection) -> None:
    for table in METADATA.tables:
        for one in sa.inspect(connection).get_foreign_keys(table):
            if ENTRIES.name in (table, one["referred_table"]):
                connection.exec_driver_sql(f"ALTER TABLE {table} DROP CONSTRAINT {one['name']}")


def stored(made: MadeDatabase, value: str) -> str:
    """An id as the database keeps it."""
    return value if made.url.startswith("postgresql") else value.replace("-", "")


def put(made: MadeDatabase, clinic: Clinic, sequence: int, /, **columns: str) -> None:
    """Put SQL expressions into columns of an entry."""
    values = ", ".join(f"{name} = {value}" for name, value in columns.items())
    change(made, f"UPDATE record_entries SET {values} {of_entry(made, clinic, sequence)}")  # noqa: S608 - of this test


def of_entry(made: MadeDatabase, clinic: Clinic, sequence: int) -> str:
    return f"WHERE organisation_id = '{stored(made, clinic.world.organisation)}' AND sequence = {sequence}"


def test_an_untouched_decision_is_identical(clinic: Clinic) -> None:
    found = verified(clinic)

    assert found["result"] == "identical"
    assert found["differences"] == []
    assert found["chain"] == {"intact": True, "entries": 4, "first_broken": None}
    assert found["caution"]["text"]


def test_the_stored_state_of_an_untouched_decision_is_what_the_record_says(clinic: Clinic) -> None:
    assert [verified(clinic, place)["state"] for place in (0, 1)] == [{"result": "matches", "differences": []}] * 2


STATE_CHANGES = {
    "outcome": ("decisions", "outcome = CASE outcome WHEN 'pass' THEN 'hold' ELSE 'pass' END", ["outcome"]),
    "hold_because": ("decisions", "not_met = NOT not_met", ["hold_because"]),
    "state": ("decisions", "state = 'void'", ["state"]),
    "target_stage": ("decisions", "target_stage = 'competition'", ["target_stage"]),
}


@pytest.mark.parametrize("changed", STATE_CHANGES)
def test_a_row_that_was_changed_beside_the_record_differs(
    own_database: MadeDatabase, clinic: Clinic, changed: str
) -> None:
    table, expression, differences = STATE_CHANGES[changed]
    latest = decisions_of(clinic)[-1]
    change(own_database, f"UPDATE {table} SET {expression} WHERE id = '{stored(own_database, latest)}'")  # noqa: S608 - of this test

    found = verified(clinic)

    assert (found["result"], found["chain"]["intact"]) == ("identical", True)
    assert found["state"] == {"result": "differs", "differences": differences}


def test_the_state_of_a_record_that_does_not_hold_is_not_compared(own_database: MadeDatabase, clinic: Clinic) -> None:
    put(own_database, clinic, 1, occurred_on="'2026-11-01'")

    assert verified(clinic)["state"] == {"result": "not_compared", "differences": []}


def test_each_decision_is_judged_with_what_was_on_record_then(clinic: Clinic) -> None:
    clinic.post(battery("B", "2026-11-24T16:30:00+01:00"), stage="competition")

    assert [verified(clinic, place)["result"] for place in range(3)] == ["identical"] * 3


def test_a_change_in_any_column_names_the_first_broken_entry(own_database: MadeDatabase) -> None:
    other = clinic_of(new_world(own_database.url)).world
    assert {column.name for column in ENTRIES.c} == set(CHANGES)
    for column, value in CHANGES.items():
        clinic = new_clinic(own_database)
        decision = decisions_of(clinic)[-1]
        ids = {"ID": OTHER_ID, "ACTOR": clinic.world.administrator.actor, "ORGANISATION": other.organisation}
        one = f"'{stored(own_database, ids[value])}'" if value in ids else value

        put(own_database, clinic, 3, **{column: one})
        found = verify_decision(clinic.world.context, clinic.world.clinician, decision)

        assert (found["result"], found["chain"]["first_broken"]) == ("differs", 3), column
        assert found["differences"][0] == "record", column


def test_what_only_sqlite_would_keep_in_a_column_is_seen_too(databases: Databases) -> None:
    """SQLite keeps any value in any column, and other texts of the same moment or id."""
    same = {name: f"replace({name}, 'Z', '+00:00')" for name in ("occurred_at", "recorded_at")}
    same |= {"occurred_on": "'20261121'", "id": "upper(id)"}
    odd = [(name, value) for name in CHANGES if name != "kind" for value in ("x'00'", "'no such thing'")]
    with databases.copy("sqlite") as made:
        for column, value in (*odd, *same.items()):
            clinic = new_clinic(made)
            decision = decisions_of(clinic)[-1]

            put(made, clinic, 3, **{column: value})
            found = verify_decision(clinic.world.context, clinic.world.clinician, decision)

            assert (found["result"], found["chain"]["first_broken"]) == ("differs", 3), (column, value)


def test_what_was_changed_after_a_decision_does_not_touch_it(own_database: MadeDatabase, clinic: Clinic) -> None:
    put(own_database, clinic, 3, document="'{}'")

    first = verified(clinic, 0)

    assert first["result"] == "identical"
    assert first["chain"] == {"intact": False, "entries": 4, "first_broken": 3}


def test_a_document_that_is_no_json_any_more_differs(own_database: MadeDatabase) -> None:
    for text in ("", "no JSON", "[1", "7", "null", "[]", "[" * 3000, '{"verdict": 1}'):
        for sequence in (1, 4):
            clinic = new_clinic(own_database)
            put(own_database, clinic, sequence, document=f"'{text}'")

            found = verified(clinic)

            assert (found["result"], found["chain"]["first_broken"]) == ("differs", sequence), text


def test_what_was_nulled_without_an_erasure_on_record_is_broken(own_database: MadeDatabase) -> None:
    for columns in (("document", "private", "salt"), ("private",), ("salt",), ("document",)):
        clinic = new_clinic(own_database)
        put(own_database, clinic, 2, **dict.fromkeys(columns, "NULL"))

        found = verified(clinic, 0)

        assert (found["result"], found["chain"]["first_broken"]) == ("differs", 2), columns


def test_an_erasure_that_was_made_of_something_else_proves_nothing(own_database: MadeDatabase, clinic: Clinic) -> None:
    put(own_database, clinic, 4, kind="'erasure'", document="'no JSON'")

    assert verified(clinic, 0)["chain"]["first_broken"] == 4


def test_a_cut_tail_is_broken_after_the_last_entry(own_database: MadeDatabase, clinic: Clinic) -> None:
    change(own_database, f"DELETE FROM record_entries {of_entry(own_database, clinic, 4)}")  # noqa: S608 - of this test

    cut, kept = verified(clinic, 1), verified(clinic, 0)

    assert (cut["result"], cut["chain"]["first_broken"]) == ("differs", 4)
    assert (kept["result"], kept["chain"]["intact"]) == ("identical", False)


def test_criteria_that_were_changed_differ(own_database: MadeDatabase, clinic: Clinic) -> None:
    change(own_database, "UPDATE criteria_versions SET document = document || ' '")

    found = verified(clinic)

    assert (found["result"], found["differences"]) == ("differs", ["criteria"])
    assert found["caution"] is None


def test_words_of_a_newer_release_are_told_from_another_verdict(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.use_cases import verifying  # noqa: PLC0415

    real = verifying.advice_of
    monkeypatch.setattr(verifying, "advice_of", lambda *one, **more: real(*one, **more) | {"summary": "New words."})

    found = verified(clinic)

    assert (found["result"], found["differences"]) == ("same_verdict", ["advice/summary"])


def test_another_verdict_says_what_differs(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.use_cases import verifying  # noqa: PLC0415

    def other(judging: Any, stage: str) -> dict[str, Any]:
        verdict = verdict_of(judging, stage)
        first, *rest = verdict["reasons"]
        return verdict | {"outcome": "hold", "reasons": [[*first[:3], "below", *first[4:]], *rest]}

    monkeypatch.setattr(verifying, "verdict_of", other)

    found = verified(clinic)

    assert found["result"] == "differs"
    assert found["differences"][0] == "outcome"
    assert found["differences"][1].startswith("reasons/")
    assert found["chain"]["intact"]


def test_a_submitter_verifies_own_posts_only(clinic: Clinic) -> None:
    theirs = clinic.post(battery("C"), athlete="KB-2", by=clinic.world.clinician)["id"]
    context, submitter = clinic.world.context, clinic.world.submitter

    own = verify_decision(context, submitter, next(one for one in decisions_of(clinic) if one != theirs))
    assert own["result"] == "identical"
    with pytest.raises(NotFoundError):
        verify_decision(context, submitter, theirs)
    assert verify_decision(context, clinic.world.administrator, theirs)["result"] == "identical"


def test_another_organisations_decision_is_not_found(own_database: MadeDatabase, clinic: Clinic) -> None:
    other = new_world(own_database.url)

    with pytest.raises(NotFoundError):
        verify_decision(other.context, other.clinician, decisions_of(clinic)[0])


def test_every_verification_is_noted(clinic: Clinic) -> None:
    verified(clinic)
    log = METADATA.tables["audit_log"]
    query = sa.select(log).where(log.c.action == "verify_decision")

    rows = clinic.world.context.database.read(lambda tx: list(tx.execute(query)))

    assert [(row.actor_id, row.object_id) for row in rows] == [
        (clinic.world.callers[CLINICIAN].actor, decisions_of(clinic)[-1])
    ]
