"""How long judging takes: `.venv/bin/python tests/benchmarks/engine.py [--json] [--profile]`.

One gate, competition of the shipped lateral ankle sprain set (18 criteria asked, 23 with their parts), over folded
evidence of five occasions. Figures are medians; the floor beside them is a bare loop that compares 20 Decimals and
builds 20 lists. Times are measured here and never asserted in tests.
"""

import argparse
import copy
import cProfile
import json
import platform
import pstats
import statistics
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from schemas.entries import EvaluationSchema
from service.criteria_files import load_examples, load_set
from service.domain.canonical import canonical, digest
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.explain import advice_of, explain
from service.domain.fold import fold
from service.domain.judge import judge, verdict_of
from service.domain.judging import Judging
from service.domain.record import Entry, Moment, instant
from service.use_cases.reading_entries import JUDGED, Clock, read_entries

SETS = Path(__file__).resolve().parents[2] / "criteria_sets"
STAGE = "competition"
EXAMPLE = "competition-pass"
EARLIER_DAYS = (20, 15, 10, 5)
REPEATS = 9
SECONDS = 0.2


def median_time(call: Callable[[], object]) -> float:
    """Return the median time of a call in microseconds."""
    rounds = 1
    while _time(call, rounds) < SECONDS / REPEATS:
        rounds *= 2
    return statistics.median(_time(call, rounds) / rounds for _ in range(REPEATS)) * 1e6


def _time(call: Callable[[], object], rounds: int) -> float:
    start = time.perf_counter()
    for _ in range(rounds):
        call()
    return time.perf_counter() - start


def five_occasions(criteria: CriteriaSet) -> tuple[list[Entry], Moment]:
    """Return the record of the example that passes the gate, with four more occasions before it."""
    examples = load_examples(SETS / "lateral-ankle-sprain" / "1.examples.yaml")
    written = next(one.document for one in examples if one.id == EXAMPLE)
    file = EvaluationSchema().load({key: written[key] for key in ("athlete", "episode", "entries")})
    assessment = next(one["battery"] for one in file["entries"] if one["battery"]["kind"] == "assessment")
    file["entries"] = [{"battery": earlier(assessment, days)} for days in EARLIER_DAYS] + file["entries"]
    entries = read_entries(file, criteria, Clock())
    last = file["entries"][-1]["battery"]["performed_at"]
    return entries, Moment(instant(last), last.date())


def earlier(battery: dict[str, Any], days: int) -> dict[str, Any]:
    """Return the battery as it would have been posted some days before, without what it told of the days between."""
    moved = copy.deepcopy(battery)
    moved.pop("ref", None)
    moved["performed_at"] -= timedelta(days=days)
    moved["since_last"] = {"events": []}
    return moved


def floor() -> Callable[[], object]:
    """Return the bare comparison of 20 values with their thresholds, a row for each."""
    pairs = [(Decimal(90 + place % 7), Decimal(90)) for place in range(20)]
    return lambda: [["criterion", value >= threshold, str(value), "1"] for value, threshold in pairs]


def main() -> None:
    """Measure, and print a table or JSON."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", action="store_true", help="print JSON")
    options.add_argument("--profile", action="store_true", help="print where judge and explain spend their time")
    chosen = options.parse_args()
    loaded = load_set(SETS / "lateral-ankle-sprain" / "1.yaml", SETS / "catalogue")
    criteria = read_criteria_set(loaded.document)
    entries, as_of = five_occasions(criteria)

    def folded() -> Any:
        return fold(entries, episode=JUDGED, through=len(entries), as_of=as_of, posted=True)

    evidence = folded()
    judging = Judging(evidence, criteria)
    verdict = verdict_of(judging, STAGE)
    calls: dict[str, Callable[[], object]] = {
        "floor: 20 bare comparisons": floor(),
        "fold": folded,
        "judge": lambda: judge(evidence, criteria, STAGE),
        "explain, with what judging has read": lambda: advice_of(verdict, judging),
        "explain, alone": lambda: explain(verdict, evidence, criteria),
        "canonical and digest of the verdict": lambda: digest(canonical(verdict)),
    }
    if chosen.profile:
        profile(calls)
    times = {name: round(median_time(call), 1) for name, call in calls.items()}
    rows = len(verdict["reasons"])
    if chosen.json:
        json.dump(
            {"outcome": verdict["outcome"], "rows": rows, "python": platform.python_version(), "us": times}, sys.stdout
        )
        return
    print(f"{STAGE}: {verdict['outcome']}, {rows} reasons, {len(entries)} entries; Python {platform.python_version()}")
    for name, microseconds in times.items():
        print(f"{microseconds:10.1f} us  {name}")


def profile(calls: dict[str, Callable[[], object]]) -> None:
    """Print where judge and explain spend their time."""
    for name in ("judge", "explain, alone"):
        profiler = cProfile.Profile()
        profiler.enable()
        _time(calls[name], 2000)
        profiler.disable()
        pstats.Stats(profiler).sort_stats("tottime").print_stats(18)


if __name__ == "__main__":
    main()
