"""`due ...`: the operator looks at what is due; a clinician puts it off, calls it off, or reports a check-in."""

import pytest

from service.use_cases.context import ADMINISTRATOR
from service.use_cases.reminding import hand_due
from tests.builders import SESSION_CHECK
from tests.clinic import ATHLETE, EPISODE, small

NOBODY = "01990a5d-ac96-774b-bcce-b302099a8057"
REASON = ("--reason", "Travels.")


@pytest.fixture
def task(line):
    """The retest of a hold, due on 2026-11-22 and in its window until 2026-11-24."""
    line.clinic.post_battery(small("A", session_check=SESSION_CHECK | {"limp": True}))
    return line.clinic.row("tasks", kind="retest")


def ids(listed):
    return [one["id"] for one in listed["items"]]


def test_what_is_due_is_listed_in_words(line, task):
    said = f"{task['id']}  2026-11-22 to 2026-11-24  KB-1  retest: upcoming\n"
    assert line.run("due", "list", "--kind", "retest").out == said

    line.clinic.at("2026-11-25T08:00:00+01:00")
    hand_due(line.clinic.world.context, has_mail=False)
    assert "retest: overdue; reminded 2026-11-25 07:00 UTC" in line.run("due", "list").out
    assert f"episode {task['episode_id']}" in line.run("due", "show", task["id"]).words


def test_the_list_takes_filters(line, task):
    every = ids(line.json("due", "list"))
    assert task["id"] in every
    for asked in (
        ("--kind", "retest", "--status", "upcoming"),
        ("--athlete", task["athlete_id"], "--kind", "retest"),
        ("--episode", task["episode_id"], "--from", "2026-11-22", "--to", "2026-11-22", "--kind", "retest"),
    ):
        assert ids(line.json("due", "list", *asked)) == [task["id"]]
    assert line.run("due", "list", "--status", "closed").out == "Nothing fits.\n"
    assert line.faults("due", "list", "--status", "late", "--from", "soon", "--athlete", "KB-1") == {
        ("--status", "unknown_name"),
        ("--from", "wrong_type"),
        ("--athlete", "bad_text"),
    }


def test_a_list_that_is_cut_says_so(line):
    for ref in ("KB-1", "KB-2"):
        named = {"athlete": ATHLETE | {"ref": ref}, "episode": EPISODE | {"ref": f"{ref}-1"}}
        line.clinic.post_battery(small(ref, session_check=SESSION_CHECK | {"limp": True}, **named))

    cut, whole = line.run("due", "list", "--limit", "1"), line.run("due", "list", "--limit", "2")

    assert (len(cut.out.splitlines()), "There are more" in cut.err) == (1, True)
    assert (len(whole.out.splitlines()), "There are more" in whole.err) == (2, False)


def test_a_clinician_puts_a_task_off_and_calls_it_off(line, task):
    moved = line.json("due", "reschedule", task["id"], "--on", "2026-11-30", *REASON, *line.key_of())
    assert (moved["due_on"], moved["last_day"]) == ("2026-11-30", "2026-12-02")

    ran = line.run("due", "cancel", task["id"].upper(), *REASON, *line.key_of())

    assert ran.code == 0
    assert "retest: closed, cancelled" in ran.out
    again = line.refused("due", "cancel", task["id"], *REASON, *line.key_of())
    assert again["code"] == "task_closed"


def test_a_check_in_is_reported_and_nothing_else_is(line, task):
    refused = line.refused("due", "done", task["id"], "--note", "Fine.", *line.key_of())
    assert refused["code"] == "closes_by_itself"

    body = {"position": {"stage": "competition", "participation": "competition"}, "valid_until": "2027-06-30"}
    line.clinic.post(f"/v1/episodes/{task['episode_id']}/sign-offs", {**body, "rationale": "invented"})
    check_in = line.clinic.found("tasks", kind="check_in")[0]
    done = line.json("due", "done", check_in["id"], "--note", "Plays without pain.", *line.key_of())
    assert done["closed_because"] == "done"


def test_what_can_not_be_is_refused_by_option(line, task):
    assert line.faults("due", "reschedule", task["id"], "--on", "2020-01-01", *REASON, *line.key_of()) == {
        ("--on", "out_of_range")
    }
    assert line.faults("due", "reschedule", task["id"], *line.key_of()) == {
        ("--on", "missing"),
        ("--reason", "missing"),
    }
    assert line.faults("due", "show", "KB-1") == {("ID", "bad_text")}
    assert line.refused("due", "show", NOBODY)["code"] == "not_found"
    assert line.refused("due", "cancel", task["id"], *REASON, *line.key_of(ADMINISTRATOR))["code"] == "forbidden"
