"""When reminders are due: laws of a plan, and moments around changes of the clock by the IANA tz database."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.reminding import (
    ADMINISTRATORS,
    BEFORE,
    CLINICIANS,
    DEFAULT,
    ON_DAY,
    OVERDUE,
    Due,
    Reminder,
    counting,
    moment_of,
    name_of,
    planned,
    to_of,
)

BERLIN, NEW_YORK, SYDNEY, LORD_HOWE, APIA = (
    ZoneInfo(name)
    for name in ("Europe/Berlin", "America/New_York", "Australia/Sydney", "Australia/Lord_Howe", "Pacific/Apia")
)
ZONES = (BERLIN, NEW_YORK, SYDNEY, LORD_HOWE, APIA, ZoneInfo("Asia/Kathmandu"), ZoneInfo("Antarctica/Troll"))
MINUTE, DAY = timedelta(minutes=1), timedelta(days=1)
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)

# The first moments of a new offset, by the IANA tz database: the days around them are where a mistake shows.
CHANGES = (
    date(2027, 3, 28),  # Europe/Berlin +01 -> +02 at 01:00Z, and Antarctica/Troll +00 -> +02
    date(2027, 10, 31),  # and back
    date(2027, 3, 14),  # America/New_York -05 -> -04 at 07:00Z
    date(2027, 11, 7),  # and back, at 06:00Z
    date(2027, 4, 4),  # Australia/Sydney +11 -> +10, Australia/Lord_Howe +11 -> +10:30
    date(2027, 10, 3),  # and back
    date(2028, 2, 29),
    date(2011, 12, 30),  # Pacific/Apia -10 -> +14: this day was skipped
)

zones = st.sampled_from(ZONES)
hours = st.one_of(
    st.times().map(lambda one: one.replace(second=0, microsecond=0)),
    st.builds(time, st.integers(1, 3), st.sampled_from((0, 15, 29, 30, 45, 59))),  # where clocks change
)
days = st.one_of(
    st.builds(lambda on, away: on + away * DAY, st.sampled_from(CHANGES), st.integers(-2, 2)),
    st.dates(date(2011, 1, 1), date(2037, 12, 31)),
)
steps = st.lists(
    st.one_of(
        st.fixed_dictionaries({"when": st.sampled_from((BEFORE, OVERDUE)), "days": st.integers(1, 60)}),
        st.just({"when": ON_DAY}),
    ).map(lambda one: {**one, "to": [CLINICIANS]}),
    max_size=6,
    unique_by=name_of,
)
plans = st.builds(lambda at, all_: {"at": at.isoformat("minutes"), "steps": all_}, hours, steps)
dues = st.builds(lambda on, window, late: Due(on, on + window * DAY, late), days, st.integers(0, 14), st.booleans())


@st.composite
def asked(draw: st.DrawFn) -> tuple[Due, dict[str, Any], ZoneInfo, datetime]:
    """A task, a plan, a zone, and a moment some days from the task."""
    due, plan, zone = draw(dues), draw(plans), draw(zones)
    seconds = draw(st.integers(-90 * 86_400, 90 * 86_400))
    return due, plan, zone, datetime.combine(due.due_on, time(), UTC) + timedelta(seconds=seconds)


def by_the_clock(on: date, at: time, zone: ZoneInfo) -> datetime:
    """The moment at which a clock on the wall shows an hour, found by looking at it minute after minute.

    Where the clock jumps over the hour, it is as long after the jump as the hour lies beyond it.
    """
    wanted = datetime.combine(on, at)
    moment = datetime.combine(on, at, UTC) - DAY
    while (shown := (moment + MINUTE).astimezone(zone).replace(tzinfo=None)) < wanted:
        moment += MINUTE
    if shown == wanted:
        return moment + MINUTE
    return moment + (wanted - moment.astimezone(zone).replace(tzinfo=None))


def day_of(due: Due, step: str) -> date:
    when, _, days = step.partition(":")
    away = int(days or 0) * DAY
    return due.last_day + away if when == OVERDUE else due.due_on - away


@given(on=days, at=hours, zone=zones)
def test_an_hour_of_a_day_is_the_moment_at_which_the_clock_shows_it(on, at, zone):
    assert moment_of(on, at, zone) == by_the_clock(on, at, zone)


@given(asked())
def test_each_step_comes_on_its_day_at_the_hour_of_the_organisation(one):
    due, plan, zone, _ = one
    at = time.fromisoformat(plan["at"])
    first = datetime.combine(due.due_on - 70 * DAY, time(), UTC)

    for step, moment in planned(due, plan, zone, first):
        assert moment == by_the_clock(day_of(due, step), at, zone)
        assert moment.tzinfo is UTC


@given(asked())
def test_the_last_step_of_a_late_task_comes_at_the_next_hour_of_the_organisation(one):
    due, plan, zone, now = one
    at = time.fromisoformat(plan["at"])
    before = planned(due, plan, zone, LONG_AGO)
    found = planned(due, plan, zone, now)

    if before and before[-1].at <= now and found:
        [(step, moment)] = found
        assert step == before[-1].step
        assert now < moment <= now + 2 * DAY
        today = now.astimezone(zone).date()
        assert moment in {by_the_clock(today + away * DAY, at, zone) for away in (0, 1)}


@given(asked())
def test_no_reminder_lies_in_the_past_and_each_step_is_there_once_in_order(one):
    due, plan, zone, now = one
    found = planned(due, plan, zone, now)

    assert all(each.at > now for each in found)
    assert found == sorted(found, key=lambda each: (each.at, each.step))
    names = [each.step for each in found]
    assert len(set(names)) == len(names)
    assert set(names) <= {name_of(step) for step in plan["steps"]}


@given(asked())
def test_whoever_has_a_step_is_reminded_whenever_the_task_is_made(one):
    due, plan, zone, now = one
    is_named = any(step["when"] != OVERDUE or due.is_late_possible for step in plan["steps"])
    next_day = now.astimezone(zone).date() + DAY

    found = planned(due, plan, zone, now)

    assert is_named or not found
    if is_named and (due.is_late_possible or next_day <= due.last_day):
        assert found


@given(asked())
def test_what_can_not_be_done_any_more_is_not_reminded_of(one):
    due, plan, zone, now = one
    due = due._replace(is_late_possible=False)

    for step, moment in planned(due, plan, zone, now):
        assert not step.startswith(OVERDUE)
        assert not due.is_lapsed(moment.astimezone(zone).date())


@given(asked(), st.timedeltas(timedelta(), timedelta(days=30)))
def test_later_there_is_no_more_to_come_than_before(one, pause):
    due, plan, zone, now = one
    before, after = planned(due, plan, zone, now), planned(due, plan, zone, now + pause)

    still = [each for each in before if each.at > now + pause]
    assert after == still or (not still and len(after) <= 1)


@given(asked(), st.integers(0, 60))
def test_a_longer_window_puts_off_what_is_overdue_and_nothing_else(one, more):
    due, plan, zone, _ = one
    longer = due._replace(last_day=due.last_day + more * DAY)
    before = dict(planned(due, plan, zone, LONG_AGO))
    after = dict(planned(longer, plan, zone, LONG_AGO))

    assert before.keys() == after.keys()
    for step, moment in before.items():
        if step.startswith(OVERDUE):
            assert after[step] == by_the_clock(day_of(longer, step), time.fromisoformat(plan["at"]), zone)
        else:
            assert after[step] == moment


@given(asked(), st.data())
def test_a_step_that_is_still_owed_is_kept_though_it_is_past(one, data):
    due, plan, zone, now = one
    every = planned(due, plan, zone, LONG_AGO)
    owed = {each.step for each in every if data.draw(st.booleans())}

    kept = planned(due, plan, zone, now, owed)

    expected = [each for each in every if each.at > now or each.step in owed]
    assert kept == (expected or planned(due, plan, zone, now))


def test_a_plan_without_a_step_reminds_of_nothing():
    assert planned(Due(date(2027, 1, 1), date(2027, 1, 1)), {"at": "07:00", "steps": []}, BERLIN, LONG_AGO) == []


# Moments by the IANA tz database (2026), read off its rules: Rule EU (last Sundays of March and October at 01:00Z),
# US (second Sunday of March, first of November, 02:00 local), AN (first Sundays of April and October at 03:00 and
# 02:00 local), LH (the same days, by half an hour); Zone Pacific/Apia, -10 until the end of 2011-12-29, then +14.
SEVEN = [
    (BERLIN, "2027-03-27", "2027-03-27T06:00Z"),
    (BERLIN, "2027-03-28", "2027-03-28T05:00Z"),
    (BERLIN, "2027-10-30", "2027-10-30T05:00Z"),
    (BERLIN, "2027-10-31", "2027-10-31T06:00Z"),
    (NEW_YORK, "2027-03-13", "2027-03-13T12:00Z"),
    (NEW_YORK, "2027-03-14", "2027-03-14T11:00Z"),
    (NEW_YORK, "2027-11-06", "2027-11-06T11:00Z"),
    (NEW_YORK, "2027-11-07", "2027-11-07T12:00Z"),
    (SYDNEY, "2027-04-03", "2027-04-02T20:00Z"),
    (SYDNEY, "2027-04-04", "2027-04-03T21:00Z"),
    (SYDNEY, "2027-10-02", "2027-10-01T21:00Z"),
    (SYDNEY, "2027-10-03", "2027-10-02T20:00Z"),
    (LORD_HOWE, "2027-04-03", "2027-04-02T20:00Z"),
    (LORD_HOWE, "2027-04-04", "2027-04-03T20:30Z"),
    (LORD_HOWE, "2027-10-02", "2027-10-01T20:30Z"),
    (LORD_HOWE, "2027-10-03", "2027-10-02T20:00Z"),
    (BERLIN, "2028-02-28", "2028-02-28T06:00Z"),
    (BERLIN, "2028-02-29", "2028-02-29T06:00Z"),
    (BERLIN, "2028-03-01", "2028-03-01T06:00Z"),
    (APIA, "2011-12-29", "2011-12-29T17:00Z"),
    (APIA, "2011-12-30", "2011-12-30T17:00Z"),  # never there: seven o'clock on the 31st
    (APIA, "2011-12-31", "2011-12-30T17:00Z"),
    (APIA, "2012-01-01", "2011-12-31T17:00Z"),
]
SKIPPED = [
    (BERLIN, "2027-03-28T02:30", "2027-03-28T01:30Z"),
    (NEW_YORK, "2027-03-14T02:30", "2027-03-14T07:30Z"),
    (SYDNEY, "2027-10-03T02:30", "2027-10-02T16:30Z"),
    (LORD_HOWE, "2027-10-03T02:15", "2027-10-02T15:45Z"),
]
TWICE = [
    (BERLIN, "2027-10-31T02:30", "2027-10-31T00:30Z"),
    (NEW_YORK, "2027-11-07T01:30", "2027-11-07T05:30Z"),
    (SYDNEY, "2027-04-04T02:30", "2027-04-03T15:30Z"),
    (LORD_HOWE, "2027-04-04T01:45", "2027-04-03T14:45Z"),
]
CASES = [*((zone, f"{on}T07:00", moment) for zone, on, moment in SEVEN), *SKIPPED, *TWICE]


@pytest.mark.parametrize(("zone", "local", "moment"), CASES)
def test_an_hour_around_a_change_of_the_clock_is_this_moment(zone, local, moment):
    shown, expected = datetime.fromisoformat(local), datetime.fromisoformat(moment)

    assert moment_of(shown.date(), shown.time(), zone) == expected
    assert by_the_clock(shown.date(), shown.time(), zone) == expected


def test_the_usual_plan_over_a_leap_day():
    due = Due(date(2028, 2, 28), date(2028, 2, 28))

    assert planned(due, DEFAULT, BERLIN, LONG_AGO) == [
        Reminder("before:2", datetime(2028, 2, 26, 6, tzinfo=UTC)),
        Reminder("on_day", datetime(2028, 2, 28, 6, tzinfo=UTC)),
        Reminder("overdue:1", datetime(2028, 2, 29, 6, tzinfo=UTC)),
        Reminder("overdue:7", datetime(2028, 3, 6, 6, tzinfo=UTC)),
    ]


def test_another_time_zone_has_its_own_moments():
    due, now = Due(date(2027, 3, 14), date(2027, 3, 14)), datetime(2027, 3, 14, 1, tzinfo=UTC)

    assert planned(due, DEFAULT, BERLIN, now)[0] == Reminder("on_day", datetime(2027, 3, 14, 6, tzinfo=UTC))
    assert planned(due, DEFAULT, NEW_YORK, now)[0] == Reminder("on_day", datetime(2027, 3, 14, 11, tzinfo=UTC))
    assert planned(due, DEFAULT, SYDNEY, now)[0] == Reminder("overdue:1", datetime(2027, 3, 14, 20, tzinfo=UTC))


def test_an_episode_may_have_its_own_steps_at_the_hour_of_its_organisation():
    own, steps = {"at": "08:00", "steps": []}, [{"when": ON_DAY, "to": [ADMINISTRATORS]}]

    assert counting(None, None) == DEFAULT
    assert counting(own, None) == own
    assert counting(own, {"steps": steps}) == {"at": "08:00", "steps": steps}
    assert counting(None, {"steps": steps}) == {"at": DEFAULT["at"], "steps": steps}


def test_a_step_says_to_whom_it_goes_and_one_that_is_gone_goes_to_the_clinicians():
    steps = [*DEFAULT["steps"], {"when": OVERDUE, "days": 9, "to": ["00000000-0000-4000-8000-000000000001"]}]

    assert to_of(steps, "before:2") == [CLINICIANS]
    assert to_of(steps, "overdue:7") == [CLINICIANS, ADMINISTRATORS]
    assert to_of(steps, "overdue:9") == ["00000000-0000-4000-8000-000000000001"]
    assert to_of(steps, "before:3") == [CLINICIANS]
