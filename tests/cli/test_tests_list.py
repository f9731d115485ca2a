"""`tests list` says what can be measured."""

import json

import pytest

from service.cli import catalogue
from service.use_cases import choosing
from tests.cli.commands import SET, run


def test_every_test_says_unit_sides_trials_and_direction(capsys):
    words = run(capsys, "tests", "list").words

    expected = (
        "side_hop_time Side hop; time in s (or ms, min), of each side; 2 to 6 trials, best of the first 3; lower is"
    )
    assert expected in words
    assert "pain_worst_24h Worst pain in the last 24 hours; pain, of the person; 1 trial; lower is better" in words


def test_the_protocol_is_shown_on_demand(capsys):
    plain, verbose = run(capsys, "tests", "list"), run(capsys, "tests", "list", "--verbose")

    assert "A trial is invalid" not in plain.words
    assert "A trial is invalid" in verbose.words
    assert "Compared only under the same support, footwear, surface and arms." in verbose.words


def test_the_json_has_every_test_with_the_units_that_it_takes(capsys):
    tests = json.loads(run(capsys, "tests", "list", "--json").out)["tests"]

    found = {one["id"]: one for one in tests}
    assert found["side_hop_time"]["units"] == ["s", "ms", "min"]
    assert found["heel_rise_repetitions"]["units"] == []
    assert found["evertor_strength"]["trials"] == {"minimum": 2, "scored": 3, "maximum": 6, "summary": "best"}


def test_the_tests_of_one_set_are_listed(capsys):
    every = run(capsys, "tests", "list", "--json").out

    assert run(capsys, "tests", "list", "--json", "--set", "lateral-ankle-sprain").out == every
    assert run(capsys, "tests", "list", "--json", "--set", SET / "1.yaml").code == 0
    assert run(capsys, "tests", "list", "--set", "knee").code == 2


@pytest.mark.parametrize(
    ("folder", "said"), [("nowhere", "there is no folder"), (".", "lists no released criteria set")]
)
def test_without_released_sets_there_is_no_list(capsys, monkeypatch, tmp_path, folder, said):
    monkeypatch.setattr(catalogue, "shipped_sets", lambda: choosing.shipped_sets(tmp_path / folder))

    ran = run(capsys, "tests", "list")
    assert ran.code == 2
    assert ran.out == ""
    assert said in ran.err
