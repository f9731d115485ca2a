"""`webhook ...` and `delivery ...`: the operator says where systems are told, and sees what became of it."""

import pytest

URL = "https://receiver.invalid/rts"
INSIDE = "http://127.0.0.1:9/rts"
NOBODY = "01990a5d-ac96-774b-bcce-b302099a8057"


@pytest.fixture
def webhook(line):
    return line.json("webhook", "create", URL, "--event", "decision.made", "--event", "task.due", "--label", "Invented")


def test_a_webhook_is_made_and_its_secret_is_shown_once(line):
    ran = line.run("webhook", "create", URL)

    secret = ran.out.splitlines()[-1]
    assert secret.startswith("whsec_")
    assert "shown this once" in ran.words
    listed = line.run("webhook", "list").out + line.run("webhook", "list", "--json").out
    assert URL in listed
    assert "every type" in listed
    assert secret.removeprefix("whsec_") not in listed
    assert line.clinic.row("webhooks")["secret"] == secret


def test_a_webhook_as_json(line, webhook):
    assert (webhook["events"], webhook["label"]) == (["decision.made", "task.due"], "Invented")
    told = {name: one for name, one in webhook.items() if name not in ("secret", "note")}
    assert line.json("webhook", "list") == {"webhooks": [told]}


def test_a_network_of_ones_own_is_sent_to_only_where_the_operator_allows_it(line, monkeypatch):
    assert line.faults("webhook", "create", INSIDE) == {("URL", "refused_network")}

    monkeypatch.setenv("RTS_WEBHOOK_NETWORKS", "127.0.0.0/8")
    one = line.json("webhook", "create", INSIDE)
    line.json("webhook", "off", one["id"])
    monkeypatch.delenv("RTS_WEBHOOK_NETWORKS")
    assert line.faults("webhook", "on", one["id"]) == {("ID", "refused_network")}


def test_what_can_not_be_a_webhook_is_refused_by_option(line, webhook):
    made = line.faults("webhook", "create", "ftp://receiver.invalid", "--event", "decision.unmade", "--label", " ")
    assert made == {("--event", "unknown_name"), ("--label", "bad_text")}
    assert line.faults("webhook", "create", "ftp://receiver.invalid") == {("URL", "bad_text")}
    for hours, code in (("169", "out_of_range"), ("soon", "wrong_type"), ("-1", "wrong_type")):
        rotated = line.faults("webhook", "rotate", webhook["id"], "--keep-previous", hours)
        assert rotated == {("--keep-previous", code)}
    assert line.faults("webhook", "on", "mine") == {("ID", "bad_text")}
    assert line.refused("webhook", "remove", NOBODY)["code"] == "not_found"


def test_a_new_secret_is_shown_once_and_the_one_before_signs_for_a_while(line, webhook):
    ran = line.run("webhook", "rotate", webhook["id"], "--keep-previous", "2")

    row = line.clinic.row("webhooks")
    assert ran.out.splitlines()[-1] == row["secret"] != webhook["secret"]
    assert row["previous_secret"] == webhook["secret"]
    assert line.json("webhook", "rotate", webhook["id"], "--keep-previous", "0")["previous_secret_until"] is None


def test_a_webhook_is_turned_off_and_on_and_removed(line, webhook):
    assert line.run("webhook", "off", webhook["id"]).out.startswith(f"{webhook['id']}  off\n")
    assert line.refused("webhook", "test", webhook["id"])["code"] == "conflicts"
    on = line.json("webhook", "on", webhook["id"])
    assert {name: on[name] for name in ("url", "events", "label", "state")} == {
        name: webhook[name] for name in ("url", "events", "label", "state")
    }

    assert line.run("webhook", "remove", webhook["id"]).out == f"{webhook['id']}  removed\n"
    assert "There is no webhook yet" in line.run("webhook", "list").words


def test_a_test_waits_and_its_delivery_is_shown(line, webhook):
    ran = line.run("webhook", "test", webhook["id"])

    assert f"webhook.test to webhook {webhook['id']}: waiting" in ran.words
    assert "It waits to be sent" in ran.words
    [delivery] = line.json("delivery", "list", "--type", "webhook.test", "--webhook", webhook["id"])["items"]
    shown = line.run("delivery", "show", delivery["id"])
    assert '"type": "webhook.test",' in shown.out
    assert line.json("delivery", "show", delivery["id"])["body"]["data"]["webhook_id"] == webhook["id"]


def test_a_delivery_that_is_dead_is_listed_with_its_cause_and_sent_again(line, webhook):
    id_ = line.json("webhook", "test", webhook["id"])["id"]
    # As it is written where a receiver answers nothing else for three days.
    because = {"state": "dead", "attempts": 10, "status": 503, "error": "the receiver answered 503"}
    line.clinic.update("deliveries", because, id=id_)
    listed = line.run("delivery", "list", "--state", "dead")
    assert listed.out.endswith("dead, 10 tries; the receiver answered 503\n")

    again = line.json("delivery", "replay", id_)

    assert (again["id"], again["state"], again["attempts"]) == (id_, "waiting", 0)
    assert line.run("delivery", "list", "--state", "dead").out == "No delivery fits.\n"


def test_a_list_of_deliveries_that_is_cut_says_so_and_a_filter_is_named(line, webhook):
    for _ in range(2):
        line.json("webhook", "test", webhook["id"])

    assert "There are more" in line.run("delivery", "list", "--limit", "1").err
    assert line.faults("delivery", "list", "--state", "lost", "--channel", "fax") == {
        ("--state", "unknown_name"),
        ("--channel", "unknown_name"),
    }
