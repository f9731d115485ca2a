"""`decisions list`, `show` and `verify`: the history at the command line, with its caution everywhere."""

import json

import pytest
import sqlalchemy as sa

from service.store.database import Database
from tests.cli.commands import run
from tests.clinic import new_clinic, small, whole

CAUTION = "a named professional decides"


@pytest.fixture(scope="module")
def clinic(databases):
    """Two batteries judged for two stages, and a setback that withdraws the pass of one."""
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        first = clinic.post_battery(small("A"))
        clinic.post(f"/v1/episodes/{first['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})
        clinic.at("2026-11-20T18:30:00+01:00").post_battery(whole("B", "2026-11-20T17:30:00+01:00"))
        yield clinic
        clinic.world.context.database.close()


def at(clinic, *arguments):
    return (*arguments, "--database", clinic.world.url)


def listed(capsys, clinic, *filters):
    said = run(capsys, *at(clinic, "decisions", "list", *filters, "--json"))
    assert said.code == 0, said.err
    return json.loads(said.out)["items"]


def test_the_history_is_listed_newest_first_with_what_became_of_each_and_the_caution(capsys, clinic):
    said = run(capsys, *at(clinic, "decisions", "list"))

    rows = [line for line in said.out.splitlines() if "KB-1" in line]
    assert ["hop_and_cut: hold" in rows[0], "rebuild: pass, withdrawn" in rows[1]] == [True, True]
    assert CAUTION in " ".join(said.out.split())


@pytest.mark.parametrize(
    ("filters", "stages"),
    [
        (("--stage", "rebuild"), ["rebuild"]),
        (("--outcome", "hold"), ["hop_and_cut"]),
        (("--state", "withdrawn"), ["rebuild"]),
        (("--limit", "1"), ["hop_and_cut"]),
        (("--athlete", "KB-1", "--signed", "false"), ["hop_and_cut", "rebuild"]),
        (("--athlete", "nobody"), []),
    ],
)
def test_filters_leave_what_fits(capsys, clinic, filters, stages):
    assert [one["target_stage"] for one in listed(capsys, clinic, *filters)] == stages


def test_a_history_that_is_cut_off_says_that_there_is_more(capsys, clinic):
    cut = run(capsys, *at(clinic, "decisions", "list", "--limit", "1"))
    whole = run(capsys, *at(clinic, "decisions", "list", "--limit", "2"))

    assert "--limit" in cut.err
    assert whole.err == ""


def test_a_stage_that_no_version_has_names_those_there_are(capsys, clinic):
    said = run(capsys, *at(clinic, "decisions", "list", "--stage", "match"))

    assert said.code == 2
    assert "--stage  unknown_name: 'match' is not on the list: protected_loading, rebuild" in said.err


def test_nothing_that_fits_is_said(capsys, clinic):
    assert run(capsys, *at(clinic, "decisions", "list", "--athlete", "nobody")).out == "No decision fits.\n"


def test_a_filter_that_is_none_names_the_option(capsys, clinic):
    said = run(capsys, *at(clinic, "decisions", "list", "--state", "fine"))

    assert said.code == 2
    assert "--state" in said.err
    assert "withdrawn" in said.err


def test_a_decision_is_shown_with_what_became_of_it_first(capsys, clinic):
    [one] = listed(capsys, clinic, "--state", "withdrawn")
    said = run(capsys, *at(clinic, "decisions", "show", one["id"]))

    assert said.out.splitlines()[0] == "PASS, WITHDRAWN: Rebuilding range, balance and strength"
    assert "A setback came after what it rests on" in " ".join(said.out.split())
    assert "Athlete KB-1" in said.out
    assert CAUTION in " ".join(said.out.split())


def test_a_void_decision_awaits_nobody_and_was_signed_by_nobody(capsys, databases):
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        taken_back = clinic.post_battery(small("A"))
        clinic.post(f"/v1/entries/{taken_back['id']}/void", {"reason": "another athlete's"})

        listing = run(capsys, *at(clinic, "decisions", "list"))
        shown = run(capsys, *at(clinic, "decisions", "show", taken_back["id"]))
        clinic.world.context.database.close()

    assert "rebuild: pass, void\n" in listing.out
    assert "Void." in shown.out
    assert "sign" not in listing.out.partition("Caution")[0]
    assert "signed" not in shown.out


def test_a_decision_shows_its_working_and_its_sources(capsys, clinic):
    [one] = listed(capsys, clinic, "--stage", "hop_and_cut")
    said = run(capsys, *at(clinic, "decisions", "show", one["id"], "--working", "--sources", "--json"))

    answer = json.loads(said.out)
    assert all(reason["working"] for reason in answer["reasons"])
    assert answer["caution"]["text"]


def test_a_decision_that_is_not_there_is_said(capsys, clinic):
    said = run(capsys, *at(clinic, "decisions", "show", "01990a5d-ac96-774b-bcce-b302099a8057"))

    assert said.code == 2
    assert "there is no decision" in said.err


def test_all_decisions_are_verified(capsys, clinic):
    said = run(capsys, *at(clinic, "decisions", "verify"))

    assert (said.code, said.out) == (0, "2 decisions verified, 0 of them not as they were made\n")


def test_a_decision_whose_record_was_changed_is_named(capsys, databases):
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        posted = clinic.post_battery(small("A"))
        owner = Database(made.owner_url)
        with owner.engine.begin() as tx:
            tx.exec_driver_sql("DROP TRIGGER record_entries_no_update")
            tx.execute(sa.text("UPDATE record_entries SET occurred_on = '2026-11-01' WHERE sequence = 1"))
        owner.close()
        said = run(capsys, *at(clinic, "decisions", "verify", posted["id"]))
        clinic.world.context.database.close()

    assert said.code == 1
    assert f"{posted['id']}: differs (record, today); the record does not hold from entry 1 on" in said.out
