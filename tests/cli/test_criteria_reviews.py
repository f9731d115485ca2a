"""`criteria-review ...`: the operator looks at the yearly reviews of criteria, and says what became of them."""

import pytest

from service.use_cases.criteria_reviews import follow_everywhere

REASON = ("--reason", "After the congress.")


@pytest.fixture
def review(line):
    follow_everywhere(line.clinic.world.context)
    [one] = line.json("criteria-review", "list")["items"]
    return one


def test_where_no_review_was_asked_for_none_is_listed(line):
    assert line.run("criteria-review", "list").out == "No criteria are to be reviewed.\n"


def test_a_review_is_put_off_and_done_and_the_next_one_follows(line, review):
    moved = line.run("criteria-review", "reschedule", review["id"], "--on", "2027-10-01", *REASON)
    assert moved.out == f"{review['id']}  2027-10-01 to 2027-10-29  lateral-ankle-sprain/1: upcoming\n"

    done = line.json(
        "criteria-review", "done", review["id"].upper(), "--note", "Nothing published changes a threshold."
    )

    assert done["closed_because"] == "done"
    listed = line.run("criteria-review", "list").out.splitlines()
    assert [one.partition("  ")[2] for one in listed] == [
        "2027-10-01 to 2027-10-29  lateral-ankle-sprain/1: closed, done",
        "2027-11-20 to 2027-12-18  lateral-ankle-sprain/1: upcoming",
    ]


def test_what_is_called_off_can_not_be_changed_any_more(line, review):
    assert line.json("criteria-review", "cancel", review["id"], *REASON)["closed_because"] == "cancelled"

    assert line.refused("criteria-review", "done", review["id"], "--note", "x")["code"] == "task_closed"


def test_what_can_not_be_is_refused_by_option(line, review):
    refused = line.faults("criteria-review", "reschedule", review["id"], "--on", "2020-01-01", *REASON)
    assert refused == {("--on", "out_of_range")}
    assert line.faults("criteria-review", "cancel", review["id"]) == {("--reason", "missing")}
    assert line.faults("criteria-review", "cancel", "lateral-ankle-sprain/1", *REASON) == {("ID", "bad_text")}
    nobody = "01990a5d-ac96-774b-bcce-b302099a8057"
    assert line.refused("criteria-review", "cancel", nobody, *REASON)["code"] == "not_found"
    other = ("--organisation", nobody)
    assert line.faults("criteria-review", "cancel", review["id"], *REASON, *other) == {
        ("--organisation", "unknown_name")
    }
