"""The demonstration: from nothing to a first answer, and again."""

import base64
import json
import shutil
import socket
import stat
import subprocess
import sys
import time
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest
from standardwebhooks import Webhook

from schemas.battery import BatterySchema
from schemas.faults import load
from service.cli.demo import Demo, post_command, read_command
from service.cli.demo_receiver import receiving
from service.demo.batteries import RETESTED, first_battery
from service.demo.club import STORIES
from tests.cli.commands import CAUTION, ROOT, run
from tests.cli.serving import SECONDS, Answer, Serving, ask, serving, stopped_once_it_answers
from tests.postgres_keeper import free_port

JSON = "application/json"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which a start was interrupted and the next one was not; loading takes a while and happens once."""
    folder = tmp_path_factory.mktemp("demo") / "home"
    folder.mkdir()
    for name in ("record.loading.sqlite", "record.loading.sqlite-wal", "keys.json.part"):
        (folder / name).write_bytes(b"half of it")
    with serving("demo", "--home", folder, "--port", 0) as first:
        received(folder, "task.due")
        assert first.stop() == 0
    return folder


@pytest.fixture
def started(home):
    with serving("demo", "--home", home, "--port", 0) as again:
        yield again


def posted(started: Serving, home: Path, key: str) -> Answer:
    body = (home / "battery.json").read_bytes()
    url = f"{started.url}/v1/batteries"
    return ask(url, key=started.told["keys"]["submitter"], data=body, Content_Type=JSON, Idempotency_Key=key)


def decisions(started: Serving) -> list[str]:
    answer = ask(f"{started.url}/v1/decisions?limit=200", key=started.told["keys"]["clinician"])
    return [one["id"] for one in answer.body["items"]]


def test_whatever_was_there_it_leaves_a_record_keys_and_a_battery_for_nobody_elses_eyes(home):
    files = {one.name: stat.S_IMODE(one.stat().st_mode) for one in home.iterdir()}

    names = ("record.sqlite", "keys.json", "battery.json", "retest.json", "received.jsonl")
    assert files == dict.fromkeys(names, 0o600)
    assert "invented" in json.loads((home / "keys.json").read_text(encoding="utf-8"))["note"]


def test_the_line_names_the_address_and_the_keys(started):
    assert set(started.told) == {"url", "keys"}
    assert set(started.told["keys"]) == {"submitter", "clinician", "administrator"}
    assert started.url.startswith("http://127.0.0.1:")


def test_the_battery_is_judged_and_a_repeat_is_answered_the_same(started, home):
    first = posted(started, home, "try-1")
    again = posted(started, home, "try-1")

    assert (first.status, first.body["outcome"], first.body["hold_because"]) == (201, "hold", ["not_met"])
    assert [one["criterion"] for one in first.body["reasons"] if one["required"] and one["status"] != "met"] == [
        "side-hop-floor"
    ]
    assert first.body["caution"]["text"]
    assert again.body["id"] == first.body["id"]
    assert again.headers["Idempotency-Replayed"] == "true"


def test_with_a_better_side_hop_the_same_battery_passes(started, home):
    body = json.loads((home / "battery.json").read_text(encoding="utf-8"))
    hop = next(one for one in body["measurements"] if (one["test"], one.get("side")) == ("side_hop_time", "left"))
    hop["trials"] = [{"value": 9.9}, {"value": 9.7}, {"value": 9.8}]
    data = json.dumps(body | {"ref": f"{body['ref']}-mended"}).encode()
    headers = {"Content_Type": JSON, "Idempotency_Key": "try-mended"}
    answer = ask(f"{started.url}/v1/batteries", key=started.told["keys"]["submitter"], data=data, **headers)

    assert (answer.status, answer.body["outcome"]) == (201, "pass")


@pytest.mark.skipif(shutil.which("curl") is None, reason="needs curl")
def test_the_printed_lines_work_when_pasted(started, home):
    demo = Demo(started.url, home, started.told["keys"])

    def pasted(line: str) -> dict[str, object]:
        ran = subprocess.run(["/bin/sh", "-c", line], capture_output=True, text=True, check=True, timeout=SECONDS)
        return dict(json.loads(ran.stdout))

    assert pasted(post_command(demo, "battery.json"))["outcome"] == "hold"
    assert pasted(read_command(demo))["items"]


def received(home: Path, type_: str, **wanted: str) -> dict[str, Any]:
    """What the receiver has noted of a type and of what is wanted, once it is there."""
    file = home / "received.jsonl"
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        whole, _, _being_written = (file.read_text(encoding="utf-8") if file.exists() else "").rpartition("\n")
        lines = whole.splitlines()
        noted = (json.loads(line)["message"] for line in lines)
        found = [one["data"] for one in noted if one["type"] == type_ and wanted.items() <= one["data"].items()]
        if found:
            return dict(found[0])
        time.sleep(0.1)
    raise AssertionError((type_, wanted))


def test_a_reminder_reaches_the_receiver_at_the_first_start_and_the_retest_closes_its_task(home, started):
    keys = started.told["keys"]
    athlete = ask(f"{started.url}/v1/athletes?ref={RETESTED.ref}", key=keys["clinician"]).body
    task = f"{started.url}{received(home, 'task.due', kind='retest', athlete_id=athlete['id'])['href']}"
    assert ask(task, key=keys["clinician"]).body["state"] == "open"

    data = (home / "retest.json").read_bytes()
    headers = {"Content_Type": JSON, "Idempotency_Key": "retest"}
    answer = ask(f"{started.url}/v1/batteries", key=keys["submitter"], data=data, **headers)

    assert (answer.status, answer.body["outcome"], answer.body["target_stage"]) == (201, "pass", "team_training")
    closed = ask(task, key=keys["clinician"]).body
    assert (closed["state"], closed["closed_because"]) == ("closed", "done")
    assert received(home, "decision.made", decision_id=answer.body["id"])["awaiting_sign_off"]


def test_the_receiver_takes_nothing_that_the_service_did_not_send(tmp_path):
    with receiving(tmp_path / "received.jsonl", tell=lambda _: None) as receiver:
        receiver.secret = "whsec_" + base64.b64encode(b"invented").decode()
        now = str(int(datetime.now(UTC).timestamp()))  # noqa: TID251 - the receiver looks at the real clock
        forged = ask(receiver.url, data=b"{}", webhook_id="msg", webhook_timestamp=now, webhook_signature="v1,AAAA")
        old = Webhook(receiver.secret).sign("msg", datetime.fromtimestamp(1_000_000_000, UTC), "{}")
        late = ask(receiver.url, data=b"{}", webhook_id="msg", webhook_timestamp="1000000000", webhook_signature=old)

    assert (forged.status, late.status) == (401, 401)
    assert not (tmp_path / "received.jsonl").exists()


def test_a_restart_keeps_everything(home):
    with serving("demo", "--home", home, "--port", 0) as first:
        made = posted(first, home, "before-the-restart").body["id"]
        before, keys = decisions(first), first.told["keys"]
        first.stop()
    with serving("demo", "--home", home, "--port", 0) as second:
        after = decisions(second)
        assert second.told["keys"] == keys

    assert made in before
    assert after == before
    assert len(before) > len(STORIES)


def test_each_role_may_do_what_it_may(started):
    keys = started.told["keys"]

    assert ask(f"{started.url}/v1/audit", key=keys["administrator"]).status == 200
    assert ask(f"{started.url}/v1/audit", key=keys["submitter"]).status == 403
    assert ask(f"{started.url}/v1/audit").status == 401


def test_lost_keys_are_told(capsys, tmp_path, home):
    shutil.copyfile(home / "record.sqlite", tmp_path / "record.sqlite")

    ran = run(capsys, "demo", "--home", tmp_path, "--port", 0)
    assert ran.code == 2
    assert "does not hold the keys of this demonstration" in ran.err


def test_a_port_in_use_is_told_before_anything_is_loaded(capsys, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        ran = run(capsys, "demo", "--home", tmp_path / "none", "--port", taken.getsockname()[1])

    assert ran.code == 2
    assert "can't be listened on (address already in use)" in ran.err
    assert not (tmp_path / "none").exists()


def test_a_port_out_of_range_is_told(capsys, tmp_path):
    ran = run(capsys, "demo", "--home", tmp_path, "--port", 70000)

    assert ran.code == 2
    assert "a port from 0 to 65535 is wanted" in ran.err


def test_a_home_that_is_a_file_is_told(capsys, tmp_path):
    (tmp_path / "file").touch()

    ran = run(capsys, "demo", "--home", tmp_path / "file", "--port", 0)
    assert ran.code == 2
    assert "file exists" in ran.err


def test_people_get_lines_to_paste_and_the_caution(capsys, home):
    port = free_port()

    with stopped_once_it_answers(f"http://127.0.0.1:{port}"):
        ran = run(capsys, "demo", "--home", home, "--port", port)
    assert ran.code == 0
    assert len([line for line in ran.out.splitlines() if line.startswith("curl -sS ")]) == 3
    assert "Everything in it is invented" in ran.words
    assert CAUTION in ran.words
    key = json.loads((home / "keys.json").read_text(encoding="utf-8"))["clinician"]
    console = f"The console for clinicians is http://127.0.0.1:{port}/console/, and this key signs in there:"
    assert ran.out.splitlines()[ran.out.splitlines().index(console) + 1] == key


def test_the_printed_key_opens_the_console(started):
    typed = urlencode({"key": started.told["keys"]["clinician"]})
    connection = HTTPConnection(urlsplit(started.url).netloc, timeout=SECONDS)
    connection.request("POST", "/console/sign-in", typed, {"Content-Type": "application/x-www-form-urlencoded"})
    answer = connection.getresponse()
    connection.close()

    assert (answer.status, answer.headers["Location"]) == (303, "/console/")
    assert "rts_console=" in answer.headers["Set-Cookie"]


@pytest.mark.parametrize("at", ["2026-11-28T00", "2026-11-28T09", "2026-11-28T23", "2026-03-29T01"])
def test_the_first_battery_is_a_body_that_can_be_posted_at_any_hour(at):
    """The last of these is that at which summer begins: a minute before it the clock said an hour less."""
    now = datetime.fromisoformat(f"{at}:00:30+00:00")
    body = first_battery(now)

    document, faults = load(BatterySchema(), body)
    assert faults == []
    assert 0 <= (now - document["performed_at"]).total_seconds() < 180


def test_the_modules_of_the_demo_are_loaded_by_no_other_command():
    program = "import sys; import service.cli.command_line; sys.exit('service.demo.club' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", program], cwd=ROOT, check=False).returncode == 0
