"""`criteria adopt` and `criteria publish`, as an operator runs them."""

import json
from pathlib import Path
from typing import Any

import pytest

from service.cli.outcomes import BAD_INPUT
from service.store.migrating import upgrade
from tests.cli.commands import SET, run

SHIPPED = "lateral-ankle-sprain/1"
FROM = ("--from", "2026-09-01")


@pytest.fixture
def database(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    """The options that name a database with one organisation."""
    url = f"sqlite:///{tmp_path}/record.sqlite"
    upgrade(url)
    made = run(capsys, "organisation", "create", "Invented clinic", "--zone", "Europe/Berlin", "--database", url)
    assert made.code == 0
    return "--database", url


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """A copy of the shipped set under an id of one's own."""
    path = tmp_path / "own" / "club-ankle" / "1.yaml"
    path.parent.mkdir(parents=True)
    source = (SET / "1.yaml").read_text(encoding="utf-8").replace("id: lateral-ankle-sprain\n", "id: club-ankle\n", 1)
    path.write_text(source, encoding="utf-8")
    path.with_name("1.examples.yaml").write_bytes((SET / "1.examples.yaml").read_bytes())
    return path


def answered(capsys: pytest.CaptureFixture[str], *arguments: object) -> Any:
    ran = run(capsys, *arguments, "--json")
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def test_a_shipped_version_is_adopted_from_a_day_on(capsys: Any, database: Any) -> None:
    ran = run(capsys, "criteria", "adopt", SHIPPED, *FROM, *database)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"{SHIPPED}: in force from 2026-09-01 on\nsha256:")
    for part in ("For:", "Limits:", "Caution:"):
        assert part in ran.out


def test_adopting_the_same_again_says_that_nothing_was_changed(capsys: Any, database: Any) -> None:
    first = answered(capsys, "criteria", "adopt", SHIPPED, *FROM, *database)
    assert answered(capsys, "criteria", "adopt", SHIPPED, *FROM, *database) == first
    assert "nothing was changed" in run(capsys, "criteria", "adopt", SHIPPED, *FROM, *database).words


def test_adopting_from_another_day_is_refused(capsys: Any, database: Any) -> None:
    run(capsys, "criteria", "adopt", SHIPPED, *FROM, *database)
    ran = run(capsys, "criteria", "adopt", SHIPPED, "--from", "2026-09-02", *database)
    assert ran.code == BAD_INPUT
    assert "in force from 2026-09-01" in " ".join(ran.err.split())


@pytest.mark.parametrize(
    ("name", "day", "said"),
    [
        ("lateral-ankle-sprain", "2026-09-01", "names no version"),
        ("lateral-ankle-sprain/x", "2026-09-01", "names no version"),
        ("lateral-ankle-sprain/0", "2026-09-01", "ID/VERSION"),
        ("lateral-ankle-sprain/99", "2026-09-01", "no released criteria set"),
        (SHIPPED, "tomorrow", "--from"),
    ],
)
def test_a_wrong_name_or_day_is_refused(capsys: Any, database: Any, name: str, day: str, said: str) -> None:
    ran = run(capsys, "criteria", "adopt", name, "--from", day, *database)
    assert ran.code == BAD_INPUT
    assert said in " ".join(ran.err.split())


def test_a_set_of_ones_own_replaces_the_shipped_one(capsys: Any, database: Any, own: Path) -> None:
    run(capsys, "criteria", "adopt", SHIPPED, *FROM, *database)
    day = ("--from", "2026-10-01")
    refused = run(capsys, "criteria", "publish", own, *day, *database)
    assert refused.code == BAD_INPUT
    assert "--replaces  conflicts: lateral-ankle-sprain/1 fits a condition of club-ankle/1" in refused.err
    made = answered(capsys, "criteria", "publish", own, *day, "--replaces", "lateral-ankle-sprain", *database)
    assert (made["id"], made["version"], made["in_force_from"]) == ("club-ankle", 1, "2026-10-01")


def test_a_shipped_version_replaces_a_set_of_ones_own(capsys: Any, database: Any, own: Path) -> None:
    answered(capsys, "criteria", "publish", own, *FROM, *database)
    again = ("criteria", "adopt", SHIPPED, "--from", "2026-10-01")
    refused = run(capsys, *again, *database)
    assert refused.code == BAD_INPUT
    assert "--replaces  conflicts: club-ankle/1 fits a condition of lateral-ankle-sprain/1" in refused.err
    assert answered(capsys, *again, "--replaces", "club-ankle", *database)["in_force_from"] == "2026-10-01"


def test_faults_are_told_at_the_file_that_was_given(capsys: Any, database: Any, own: Path) -> None:
    own.write_text(own.read_text(encoding="utf-8").replace("acceptance: simple", "acceptance: none"), encoding="utf-8")
    ran = run(capsys, "criteria", "publish", own, *FROM, *database)
    assert ran.code == BAD_INPUT
    assert f"{own}:" in ran.err


@pytest.mark.parametrize("content", [None, b"\xff\xfe"])
def test_a_file_that_can_not_be_read_is_refused(capsys: Any, database: Any, own: Path, content: bytes | None) -> None:
    if content is None:
        own.unlink()
    else:
        own.write_bytes(content)
    assert run(capsys, "criteria", "publish", own, *FROM, *database).code == BAD_INPUT
