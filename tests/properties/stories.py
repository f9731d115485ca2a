"""Invented files of entries that pass or nearly pass: told from many small choices, so that a failing one shrinks.

Every choice is made with the believable answer first: Hypothesis shrinks towards it. Days are counted back from
TODAY, the local date of the judged occasion.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from random import Random
from typing import Any

from hypothesis import strategies as st

from tests import builders
from tests.properties.troubles import TROUBLES

TODAY = date(2026, 11, 20)
OPPOSITE = {"left": "right", "right": "left"}
HOURS = ("16:30", "00:10", "23:40")

# For each test: how old it may be, its value on the side compared with, and how many trials are sent.
RATIOS = {
    "evertor_strength": (20, "200", 3),
    "side_hop_time": (7, "10", 3),
    "figure_of_eight_hop_time": (7, "12", 3),
    "triple_hop_distance": (7, "500", 3),
    "single_hop_distance": (7, "150", 3),
}
DIFFERENCES = {
    "weight_bearing_lunge_distance": (20, ("10", "8.6", "9.5", "10.5"), 3),
    "heel_rise_repetitions": (20, ("22", "20", "25"), 1),
    "foot_lifts_eyes_closed": (20, ("8", "9", "6"), 3),
    "single_hops_on_the_spot": (7, ("8", "5", "12"), 1),
    "anterior_reach": (20, ("70", "66"), 3),
}
OPTIONAL = ("triple_hop_distance", "single_hop_distance", "anterior_reach")
LOWER_IS_BETTER = ("side_hop_time", "figure_of_eight_hop_time", "foot_lifts_eyes_closed", "t_test_time")
SESSIONS = (
    ("brisk_walk", 7, {"minutes": 30}),
    ("easy_run", 7, {"minutes": 15}),
    ("cutting_drill", 6, {"efforts": 3}),
    ("modified", 6, {"minutes": 45}),
    ("modified", 5, {"minutes": 30}),
    ("match_speed_drill", 4, {"efforts": 3}),
    ("full", 3, {"minutes": 75}),
    ("full", 2, {"minutes": 30}),
)


@dataclass(repr=False)
class Story:
    """A file of entries as sent, judged as posted or (`at`) on what is stored at that moment.

    It is not changed once it is told, so `answers` keeps what the gates said.
    """

    document: dict[str, Any]
    at: str | None
    answers: Any = None

    def __repr__(self) -> str:
        """Return a line an entry, what every battery of these stories says left out."""
        facts = {key: self.document[key] for key in ("athlete", "episode")}
        lines = [f"{place}. {_short(entry)}" for place, entry in enumerate(self.document["entries"], start=1)]
        return "\n".join([f"Story at {self.at} of {facts}", *lines])

    def _repr_pretty_(self, printer: Any, _cycle: object) -> None:
        """Let Hypothesis print it so."""
        printer.text(repr(self))


@dataclass
class Scene:
    """What a story is about: whose side, when the occasions were, and the setback before which nothing counts."""

    involved: tuple[str, ...]
    other_side: str
    days: tuple[int, ...]
    setback: int | None
    setback_kind: str

    @property
    def counting(self) -> tuple[int, ...]:
        """The days of occasions after the setback, oldest first."""
        return tuple(ago for ago in self.days if self.setback is None or ago < self.setback)


def _short(value: Any) -> str:
    usual = ({"confirmed": ["sides"]}, {"setup": builders.SETUP}, {"referral": builders.referral_answers()})
    if isinstance(value, dict):
        told = {key: one for key, one in value.items() if {key: one} not in usual}
        return "{" + ", ".join(f"{key}: {_short(one)}" for key, one in told.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_short, value)) + "]"
    return str(value)


def day(ago: int) -> str:
    return (TODAY - timedelta(days=ago)).isoformat()


def moment(ago: int, hour: str = "16:30") -> str:
    return f"{day(ago)}T{hour}:00+01:00"


def rarely(chance: Random, one_in: int) -> bool:
    """One in so many; a failing story shrinks towards no."""
    return chance.randrange(one_in) == one_in - 1


@st.composite
def stories(
    draw: Any, *, troubles: tuple[int, int] = (0, 2), setbacks: Sequence[int | None] = (None, None, None, 8, 9, 14)
) -> Story:
    """Stories that pass but for a number of troubles, least and most, with a setback so many days ago or none."""
    chance = draw(st.randoms(use_true_random=False))
    story = tell(chance, setbacks)
    for trouble in chance.sample(TROUBLES, chance.randint(*troubles)):
        trouble(chance, story.document)
    return story


def tell(chance: Random, setbacks: Sequence[int | None]) -> Story:
    """Return a story without trouble: it passes every gate, nearly always."""
    scene = _scene(chance, setbacks)
    entries = [*_baselines(chance, scene), *_batteries(chance, scene)]
    entries = _with_setback(chance, scene, entries)
    at = chance.choice((None, None, moment(0, "23:59"), moment(-1, "12:00")))
    if not rarely(chance, 5):
        follows = entries[-1]["battery"]["ref"]
        entries.append(builders.follow_up(follows, moment(-1, "08:00")))
    episode = {
        "involved_side": scene.involved[0] if len(scene.involved) == 1 else "both",
        "onset_on": chance.choice((day(47), day(21), "2026-10")),
        "other_side": scene.other_side,
    }
    return Story(builders.file(*entries, episode=episode), at)


def _scene(chance: Random, setbacks: Sequence[int | None]) -> Scene:
    involved = chance.choice((("left",),) * 4 + (("right",),) * 4 + (("left", "right"),))
    other_side = chance.choice(("healthy",) * 7 + ("previously_injured", "symptomatic"))
    ages = [4, 7, 12, 18]
    days = [age for age in ages if rarely(chance, 3)]
    setback = chance.choice(setbacks)
    kind = chance.choice(("setback", "giving_way", "re_injury"))
    return Scene(involved, other_side, (*sorted(days, reverse=True), 0), setback, kind)


# What was measured


def _batteries(chance: Random, scene: Scene) -> list[dict[str, Any]]:
    """Return the batteries of each occasion, oldest first; the last value of each test is a passing one."""
    found: dict[int, list[dict[str, Any]]] = {ago: [] for ago in scene.days}
    found[0] += [
        builders.measured("pain_worst_24h", None, chance.choice((0, 1, 2))),
        builders.measured("confidence", None, chance.choice((8, 7, 10))),
    ]
    for test in (*RATIOS, *DIFFERENCES):
        if test not in OPTIONAL or rarely(chance, 3):
            _measure_over_time(chance, scene, test, found)
    return [entry for ago in scene.days for entry in _occasion(chance, scene, ago, found[ago])]


def _measure_over_time(chance: Random, scene: Scene, test: str, found: dict[int, list[dict[str, Any]]]) -> None:
    oldest = (RATIOS.get(test) or DIFFERENCES[test])[0]
    recent = [ago for ago in scene.counting if ago <= oldest]
    last = chance.choice(sorted(recent))
    found[last] += _pair(chance, scene, test, is_good=True)
    for ago in scene.days:
        if ago > last and rarely(chance, 2):
            found[ago] += _pair(chance, scene, test, is_good=rarely(chance, 2))


def _pair(chance: Random, scene: Scene, test: str, *, is_good: bool) -> Iterator[dict[str, Any]]:
    """Yield the involved side, or both, and the other side beside it."""
    involved, other = _values(chance, test, is_good=is_good)
    for side in scene.involved:
        changes: dict[str, Any] = {"pain": chance.choice((0, 1, 2))}
        if test in builders.HOPS:
            changes["instability"] = chance.choice((0, 1, 2))
        yield builders.measured(test, side, *_trials(chance, test, involved), **changes)
    if len(scene.involved) == 1:
        side = OPPOSITE[scene.involved[0]]
        yield builders.measured(test, side, *_trials(chance, test, other), pain=chance.choice((0, None)))


def _values(chance: Random, test: str, *, is_good: bool) -> tuple[Decimal, Decimal]:
    """Return a value of the involved side and of the other; a good one is on the line or above it."""
    if test in RATIOS:
        ratio = Decimal(chance.choice(("0.95", "0.9", "1", "1.02") if is_good else ("0.7", "0.85", "0.899")))
        whole = Decimal(RATIOS[test][1])
        return (whole, whole * ratio) if test in LOWER_IS_BETTER else (whole * ratio, whole)
    limit = {"weight_bearing_lunge_distance": "1.5", "heel_rise_repetitions": "5", "foot_lifts_eyes_closed": "3"}
    most = Decimal(limit.get(test, "2"))
    value = Decimal(chance.choice(DIFFERENCES[test][1]))
    deficit = chance.choice((most - 1, most, Decimal(0)) if is_good else (most + 1, most + 2))
    return value, value - deficit if test in LOWER_IS_BETTER else value + deficit


def _trials(chance: Random, test: str, value: Decimal) -> Sequence[Decimal]:
    """Return trials that are summed up as the value: their best, or their mean."""
    count = (RATIOS.get(test) or DIFFERENCES[test])[2]
    if count == 1:
        return (value,)
    step = Decimal(1) if test == "foot_lifts_eyes_closed" else Decimal("0.2")
    if test in ("weight_bearing_lunge_distance", "anterior_reach"):
        return value - step, value, value + step
    worse = value + step if test in LOWER_IS_BETTER else value - step
    return chance.choice(((value, worse, worse), (worse, value, worse), (worse, worse, value)))


def _baselines(chance: Random, scene: Scene) -> list[dict[str, Any]]:
    """Return a battery from before the injury that the values of now come up to, more often where it is needed."""
    if not rarely(chance, 5 if scene.other_side == "healthy" else 2):
        return []
    measurements = [
        builders.measured(test, side, *_trials(chance, test, _baseline_value(test)))
        for test in (*RATIOS, *DIFFERENCES)
        if not rarely(chance, 4)
        for side in ("left", "right")
    ]
    return [builders.baseline("KB-base", "2026-08-14T18:00:00+02:00", measurements)]


def _baseline_value(test: str) -> Decimal:
    if test in RATIOS:
        whole = Decimal(RATIOS[test][1])
        return whole if test in LOWER_IS_BETTER else whole * Decimal("0.9")
    return Decimal(DIFFERENCES[test][1][0])


# What was asked


def _occasion(chance: Random, scene: Scene, ago: int, measurements: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the battery of an occasion, or the two stations that it was split into."""
    sessions = _sessions(chance, scene) if ago == 0 else []
    hour = chance.choice(HOURS)
    body = builders.battery(
        f"KB-{ago}", moment(ago, hour), measurements, since_last={"events": [], "sessions": sessions}
    )
    if not rarely(chance, 4):
        return [body]
    return _stations(chance, body, measurements)


def _stations(chance: Random, body: dict[str, Any], measurements: list[dict[str, Any]]) -> list[dict[str, Any]]:
    place = chance.randint(0, len(measurements))
    first = {**body["battery"], "occasion": "visit", "measurements": measurements[:place]}
    keep = ("kind", "performed_at", "setup", "confirmed", "occasion")
    second = {key: first[key] for key in keep} | {"ref": f"{first['ref']}-2", "measurements": measurements[place:]}
    return [{"battery": first}, {"battery": second}]


def _sessions(chance: Random, scene: Scene) -> list[dict[str, Any]]:
    is_compared = scene.other_side == "healthy" and len(scene.involved) == 1
    told = [one for one in SESSIONS if not (is_compared and one[1] == 2 and rarely(chance, 2))]
    return [
        builders.session(
            kind,
            day(ago),
            worst_pain=chance.choice((0, 1, 2)),
            next_morning_rise=chance.choice((0, 1)),
            **dose,
        )
        for kind, ago, dose in told
    ]


def _with_setback(chance: Random, scene: Scene, entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    if scene.setback is None:
        return entries
    told = {"kind": scene.setback_kind, "on": day(scene.setback)}
    tellers: Sequence[Callable[[], list[dict[str, Any]]]] = (
        lambda: [{"event": told}, *entries],
        lambda: [{"event": {"kind": told["kind"], "at": moment(scene.setback or 0, "12:00")}}, *entries],
        lambda: _told_in_battery(chance, told, entries),
    )
    return chance.choice(tellers)()


def _told_in_battery(chance: Random, told: dict[str, Any], entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    later = [
        entry["battery"]
        for entry in entries
        if entry["battery"]["kind"] == "assessment"
        and "since_last" in entry["battery"]
        and entry["battery"]["performed_at"][:10] > told["on"]
    ]
    body = chance.choice(later[::-1])
    body["since_last"] = {**body["since_last"], "events": [told]}
    return entries
