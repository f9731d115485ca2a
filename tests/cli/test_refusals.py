"""Bad input is exit code 2: every fault with its place, its code and its mend; JSON where that was asked for."""

import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from service.cli.refusals import TITLES
from service.domain import errors
from service.domain.errors import ServiceError
from tests import builders
from tests.cli.commands import EXAMPLE, SET, as_json, example, run, written

Change = Callable[[dict[str, Any]], object]


def leaves(kind: type[ServiceError]) -> list[type[ServiceError]]:
    below = kind.__subclasses__()
    return [leaf for one in below for leaf in leaves(one)] if below else [kind]


def test_every_error_has_a_title():
    ours = [one for one in leaves(ServiceError) if not one.__module__.startswith("service.api")]
    codes = {one.code for one in ours} - {ServiceError.code}
    documents = {errors.INVALID_BATTERY, errors.INVALID_EVALUATION, errors.INVALID_BODY}
    own = {"broken_json", "too_large", "too_deep", "invalid_option", "invalid_setting"}

    assert set(TITLES) == codes | documents | own


def side_hop(body: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in body["measurements"] if one["test"] == "side_hop_time")
    return found


FAULTS: dict[str, tuple[Change, str, str]] = {
    "unknown test": (lambda b: side_hop(b).update(test="side_hop"), "#/measurements/9/test", "unknown_name"),
    "unknown field": (lambda b: b.update(colour="red"), "#/colour", "unknown_field"),
    "side of a test of the person": (
        lambda b: b["measurements"][0].update(side="left"),
        "#/measurements/0/side",
        "wrong_side",
    ),
    "no side": (lambda b: side_hop(b).pop("side"), "#/measurements/9/side", "missing"),
    "unit of another dimension": (lambda b: side_hop(b).update(unit="cm"), "#/measurements/9/unit", "wrong_unit"),
    "no unit": (lambda b: side_hop(b).pop("unit"), "#/measurements/9/unit", "unit_missing"),
    "a number as text": (
        lambda b: side_hop(b)["trials"][0].update(value="9.8"),
        "#/measurements/9/trials/0/value",
        "wrong_type",
    ),
    "no whole number": (
        lambda b: b["measurements"][3].update(value=5.7),
        "#/measurements/3/value",
        "not_whole",
    ),
    "pain that is no whole number": (lambda b: side_hop(b).update(pain=5.7), "#/measurements/9/pain", "not_whole"),
    "an impossible value": (
        lambda b: side_hop(b)["trials"][0].update(value=0),
        "#/measurements/9/trials/0/value",
        "out_of_range",
    ),
    "13 digits": (
        lambda b: side_hop(b)["trials"][0].update(value=1234567890123),
        "#/measurements/9/trials/0/value",
        "out_of_range",
    ),
    "U+0000": (lambda b: b.update(tester="staff\0"), "#/tester", "bad_text"),
    "a lone surrogate": (lambda b: b.update(tester="staff\ud800"), "#/tester", "bad_text"),
    "1,000 trials": (
        lambda b: side_hop(b).update(trials=[{"value": 9}] * 1000),
        "#/measurements/9/trials",
        "too_many_trials",
    ),
    "7 trials of 6": (
        lambda b: side_hop(b).update(trials=[{"value": 9}] * 7),
        "#/measurements/9/trials",
        "too_many_trials",
    ),
    "a battery before onset": (
        lambda b: b.update(performed_at="2026-10-03T16:30:00+02:00", since_last={"events": []}),
        "#/performed_at",
        "before_onset",
    ),
    "a time in the future": (
        lambda b: b.update(performed_at="2199-11-20T16:30:00+01:00"),
        "#/performed_at",
        "in_the_future",
    ),
    "a time out of this world": (
        lambda b: b.update(performed_at="0001-01-01T00:00:00+14:00"),
        "#/performed_at",
        "out_of_range",
    ),
    "a leg measured after the battery": (
        lambda b: b["athlete"].update(leg_length={"left": {"value": 90, "unit": "cm"}, "measured_on": "2026-11-21"}),
        "#/athlete/leg_length/measured_on",
        "in_the_future",
    ),
    "a session after the battery": (
        lambda b: b["since_last"]["sessions"][1].update(on="2026-11-21"),
        "#/since_last/sessions/1/on",
        "in_the_future",
    ),
    "a measurement sent twice": (
        lambda b: b["measurements"].append(side_hop(b)),
        "#/measurements/15",
        "duplicate",
    ),
    "more trials summed up than may be": (
        lambda b: b["measurements"][3].update(trials_summarised=7),
        "#/measurements/3/trials_summarised",
        "too_many_trials",
    ),
    "minutes of a drill": (
        lambda b: b["since_last"]["sessions"][1].update(minutes=30),
        "#/since_last/sessions/1/minutes",
        "conflicts",
    ),
    "a birth year after the battery": (
        lambda b: b["athlete"].update(birth_year=2030),
        "#/athlete/birth_year",
        "in_the_future",
    ),
    "a birth month after the battery": (
        lambda b: b["athlete"].update(birth_year=2026, birth_month=12),
        "#/athlete/birth_month",
        "in_the_future",
    ),
    "an answer that is none": (
        lambda b: b["session_check"].update(medication_24h="vodka"),
        "#/session_check/medication_24h",
        "unknown_name",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_with_place_code_and_mend(capsys, tmp_path, name):
    change, pointer, code = FAULTS[name]
    body = example()
    change(body)
    file = written(tmp_path / "b.json", body)

    text = run(capsys, "evaluate", file)
    problem = json.loads(run(capsys, "evaluate", file, "--json").out)
    assert text.code == 2
    assert text.out == ""
    assert f"  {pointer}  {code}: " in text.err
    assert problem["code"] == "invalid_battery"
    assert [(one["pointer"], one["code"]) for one in problem["errors"]] == [(pointer, code)]
    assert all(one["detail"] for one in problem["errors"])


def test_all_faults_of_the_shape_are_told_at_once(capsys, tmp_path):
    body = example(colour="red", kind="exam")
    side_hop(body)["pain"] = 11

    ran = run(capsys, "evaluate", written(tmp_path / "b.json", body))
    assert ran.code == 2
    assert "3 faults to mend" in ran.err
    assert all(place in ran.err for place in ("#/colour", "#/kind", "#/measurements/9/pain"))


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("{", "broken_json", "line 1"),
        ("", "broken_json", "the text is empty"),
        ('{"a": NaN}', "broken_json", "NaN"),
        ('{"a": 1, "a": 2}', "broken_json", "'a'"),
        ("[" * 13 + "]" * 13, "too_deep", "12 levels"),
        (" " * (1024 * 1024 + 1), "too_large", "more than 1048576 bytes"),
        ('{"kind": 1E+10}', "invalid_battery", "exponent"),
        ("[]", "invalid_battery", "a list is no battery"),
        ("null", "invalid_battery", "an object is wanted"),
    ],
)
def test_a_text_that_is_no_battery_is_refused_as_a_whole(capsys, tmp_path, text, code, said):
    file = tmp_path / "b.json"
    file.write_text(text, encoding="utf-8")

    ran = run(capsys, "evaluate", file, "--json")
    assert ran.code == 2
    assert json.loads(ran.out)["code"] == code
    assert said in ran.out


def test_a_file_of_entries_without_a_battery_is_refused(capsys, tmp_path):
    document = builders.file({"event": {"kind": "setback", "on": "2026-11-01"}}) | {"target_stage": "competition"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert ran.code == 2
    assert "#/entries  missing: there is no battery to judge" in ran.err


def test_the_place_of_a_fault_in_a_file_of_entries_is_that_of_the_file(capsys, tmp_path):
    wrong = builders.battery(measurements=[builders.measured("side_hop_time", "left", 9, unit="cm")])
    document = builders.file(wrong) | {"target_stage": "competition"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert "#/entries/0/battery/measurements/0/unit  wrong_unit" in ran.err


@pytest.mark.parametrize(
    ("arguments", "option", "said"),
    [
        (("--zone", "Mars/Phobos"), "--zone", "Europe/Berlin"),
        (("--zone", "../etc"), "--zone", "Europe/Berlin"),
        (("--zone", "Europe"), "--zone", "Europe/Berlin"),
        (("--as-of", "2026-11-21T09:00:00"), "--as-of", "a moment with offset"),
        (("--as-of", "tomorrow"), "--as-of", "a moment with offset"),
        (("--as-of", "2199-01-01T00:00:00Z"), "--as-of", "this lies after now"),
        (("--as-of", "2026-11-01T00:00:00Z"), "--as-of", "choose a later moment"),
    ],
)
def test_an_option_that_can_not_be_used_is_named_with_its_mend(capsys, arguments, option, said):
    text = run(capsys, "evaluate", EXAMPLE, *arguments)
    problem = json.loads(run(capsys, "evaluate", EXAMPLE, *arguments, "--json").out)

    assert text.code == 2
    assert f"  {option}  " in text.err
    assert said in text.err
    assert problem["code"] == "invalid_option"
    assert problem["errors"][0]["pointer"] == option


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("no-such-file.json", "no such file or directory"),
        (SET, "is a folder; give one file"),
        ("a\0b", "no U+0000"),
    ],
)
def test_a_file_that_can_not_be_read_is_refused_in_a_sentence(capsys, file, said):
    ran = run(capsys, "evaluate", file)

    assert ran.code == 2
    assert said in ran.err
    assert "Traceback" not in ran.err


def test_what_a_sender_writes_can_not_steer_the_terminal(capsys, tmp_path):
    body = example()
    body["athlete"]["ref"] = "KB\x1b[2J\u202e"
    body["\x1b[31mred"] = 1
    refused = run(capsys, "evaluate", written(tmp_path / "b.json", body))

    assert refused.code == 2
    assert "\x1b" not in refused.err + refused.out
    assert r"#/\x1b[31mred  unknown_field: " in refused.err
    assert "#/athlete/ref  bad_text: " in refused.err


def test_a_line_break_in_a_name_does_not_make_a_line(capsys, tmp_path):
    ran = run(capsys, "evaluate", written(tmp_path / "b.json", example(**{"red\nblue": 1})))

    assert r"  #/red\nblue  unknown_field: " in ran.err
    assert len(ran.err.splitlines()) == 2


def test_a_value_in_a_file_of_entries_is_a_fault_where_it_was_written(capsys, tmp_path):
    short = builders.battery(measurements=[{"test": "heel_rise_repetitions", "side": "left", "value": Decimal("5.7")}])
    long = builders.battery("KB-2", measurements=[builders.measured("heel_rise_repetitions", "left", "5.7")])
    document = builders.file(short, long) | {"target_stage": "competition"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert "#/entries/0/battery/measurements/0/value  not_whole" in ran.err
    assert "#/entries/1/battery/measurements/0/trials/0/value  not_whole" in ran.err


def test_unanswered_questions_are_no_error_but_a_reason(capsys, tmp_path):
    body = example(session_check=None, referral=None, since_last=None)

    ran = run(capsys, "evaluate", written(tmp_path / "b.json", body))
    assert ran.code == 3
    assert ran.out.count("Not answered:") > 9


@pytest.mark.parametrize("arguments", [(), ("evaluate",), ("judge",), ("criteria",), ("evaluate", "a", "--colour")])
def test_a_command_that_is_none_is_exit_code_2(capsys, arguments):
    with pytest.raises(SystemExit) as left:
        run(capsys, *arguments)

    assert left.value.code == 2


def test_the_json_of_a_body_is_written_as_it_was_sent():
    assert as_json(example()["measurements"][9]["trials"][0]) == '{"value": 9.80}'
