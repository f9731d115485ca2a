"""Batteries to post: one of a new athlete of the club, and the retest that one of its athletes has today."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from service.demo.bodies import athlete_body, episode_body, visit_body
from service.demo.club import ZONE
from service.demo.returning import NO_HEALTHY_SIDE
from service.demo.story import Injury, Measured, Screen, Story, Visit
from service.demo.usual import PAIN, SIDE_HOP, Figures, hopping, instead, training

RETESTED = NO_HEALTHY_SIDE
"""Whose retest is due on the day after that on which the club is loaded."""

_FIGURES = Figures()


def first_battery(now: datetime) -> dict[str, Any]:
    """Return the body of a battery of all that team training asks, which is held for one reason.

    The side hop is at 78.8 % of the other side.

    Args:
        now: at every call another athlete, named after the time.
    """
    local = (now - timedelta(minutes=1)).astimezone(ZONE)
    shown = [one for one in hopping(0, _FIGURES).measured if one.test != PAIN]
    slow = Measured(SIDE_HOP, "11.30 11.17 11.25", "8.90 8.80 8.85", pain=2, instability=2)
    visit = replace(instead(training(0, _FIGURES), *shown, slow), screen=Screen(), at=f"{local:%H:%M}")
    return _body(visit, local)


def retest_battery(now: datetime, today: date) -> dict[str, Any]:
    """Return the body of the battery that closes that retest: this time every landing is held.

    Args:
        now: it was performed a minute before.
        today: from which the days of the stories count in the record: the day on which the club was loaded.
    """
    local = (now - timedelta(minutes=1)).astimezone(ZONE)
    [injury] = RETESTED.injuries
    last = [step for step in injury.steps if isinstance(step, Visit)][-1]
    clean = Measured(SIDE_HOP, "11.6 11.3 11.2", "11.2 11.5 11.3", pain=1, instability=1)
    visit = replace(instead(last, clean), day=0, at=f"{local:%H:%M}", sessions=())
    body = visit_body(RETESTED, injury, visit, local.date())
    body["athlete"] = athlete_body(RETESTED, today)
    body["episode"] = episode_body(RETESTED, injury, today)
    return body


def _body(visit: Visit, local: datetime) -> dict[str, Any]:
    injury = Injury(onset=-40, involved="left", steps=(visit,))
    name = f"NU-{local:%Y%m%d-%H%M%S}"
    story = Story(ref=name, title="A first battery", turns=24, sex="female", injuries=(injury,))
    today = local.date()
    body = visit_body(story, injury, visit, today)
    body["athlete"] = athlete_body(story, today) | {"new": True}
    body["episode"] = episode_body(story, injury, today) | {"new": True}
    return body
