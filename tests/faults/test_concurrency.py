"""Many at once: one record stays one record, one request is one request, one ref is one battery's."""

import json
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any, TypeVar

import pytest

from schemas.battery import BatterySchema
from schemas.faults import load
from schemas.strict_json import read
from service.domain.errors import ConflictError
from service.use_cases.context import Created
from service.use_cases.posting import post_battery
from tests.clinic import EPISODE, Clinic, new_clinic, small

T = TypeVar("T")

THREADS, POSTS = 8, 20
EQUAL = 16
JUDGED_EACH = 20
"""Every so many posts one is judged, so that decisions and their standing are among what is written."""


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def at_once(work: Callable[[int], T], many: int) -> list[T]:
    """What each of many threads returns that start together."""
    together = Barrier(many)

    def one(number: int) -> T:
        together.wait()
        return work(number)

    with ThreadPoolExecutor(many) as pool:
        return list(pool.map(one, range(many)))


def post(clinic: Clinic, body: dict[str, Any], key: str) -> Created:
    loaded, faults = load(BatterySchema(), read(json.dumps(body))[0])
    assert faults == []
    return post_battery(clinic.world.context, clinic.world.submitter, loaded, key)


def one_of_many(thread: int, number: int) -> dict[str, Any]:
    """One of many small batteries of one new athlete, each at a moment of its own; now and then one is judged."""
    minute = thread * POSTS + number
    ref, at = f"{thread}-{number}", f"2026-11-{10 + minute // 60:02}T10:{minute % 60:02}:00+01:00"
    if minute % JUDGED_EACH == 0:
        return small(ref, at)
    left_out = dict.fromkeys(("episode", "target_stage", "referral", "since_last", "session_check"))
    return small(ref, at, kind="baseline", **left_out)


def test_many_posts_of_one_new_athlete_leave_one_unbroken_chain(clinic):
    def posts(thread: int) -> list[Created]:
        return [post(clinic, one_of_many(thread, number), f"{thread}-{number}") for number in range(POSTS)]

    made = [one for several in at_once(posts, THREADS) for one in several]

    assert len(made) == THREADS * POSTS
    [athlete] = clinic.found("athletes")
    chain = clinic.assert_intact(athlete["id"])
    judged = THREADS * POSTS // JUDGED_EACH
    assert Counter(one.kind for one in chain) == {"battery": THREADS * POSTS, "decision": judged}
    assert {row["ref"] for row in clinic.found("episodes")} == {EPISODE["ref"]}
    assert Counter(one for each in made for one in each.answer["created"]) == {"athlete": 1, "episode": 1}
    clinic.assert_sound()


def test_equal_posts_make_one_decision(clinic):
    made = at_once(lambda _: post(clinic, small("A"), "one"), EQUAL)

    assert len({str(sorted(one.answer.items(), key=str)) for one in made}) == 1
    assert sorted(one.replayed for one in made) == [False] + [True] * (EQUAL - 1)
    assert (clinic.rows()["batteries"], clinic.rows()["decisions"]) == (1, 1)
    clinic.assert_sound()


def of_another(number: int, **changes: Any) -> dict[str, Any]:
    athlete, episode = {"ref": f"KB-{number}", "new": True}, EPISODE | {"ref": f"KB-{number}-1"}
    return small(**{"ref": "A", "athlete": athlete, "episode": episode, **changes})


def taken_or_made(clinic: Clinic, body: dict[str, Any], key: str) -> str:
    try:
        post(clinic, body, key)
    except ConflictError as error:
        return error.code
    return "made"


@pytest.mark.parametrize(
    ("what", "code", "shared"),
    [
        ("battery", "ref_taken", {}),
        ("episode", "conflicts", {"ref": None, "episode": EPISODE}),
    ],
)
def test_one_ref_is_given_once(clinic, what, code, shared):
    def one(number: int) -> str:
        return taken_or_made(clinic, of_another(number, **shared), str(number))

    told: Sequence[str] = at_once(one, THREADS)

    assert Counter(told) == {"made": 1, code: THREADS - 1}, what
    assert (clinic.rows()["batteries"], clinic.rows()["episodes"], clinic.rows()["athletes"]) == (1, 1, 1)
    clinic.assert_sound()


def test_writers_of_several_athletes_do_not_wait_for_each_other_for_ever(clinic):
    def one(number: int) -> list[str]:
        bodies = [
            of_another(number, ref=f"{number}-{place}", at=f"2026-11-1{place}T10:00:00+01:00") for place in range(5)
        ]
        return [taken_or_made(clinic, body, f"{number}-{body['ref']}") for body in bodies]

    assert Counter(code for codes in at_once(one, THREADS) for code in codes) == {"made": THREADS * 5}
    clinic.assert_sound()
