"""A sound criteria set of one criterion, and a folder that ships it: checking it takes milliseconds. All invented."""

import shutil
from pathlib import Path

from service.criteria_files import load_set, write_released
from service.use_cases.criteria_text import Text

MINI = Path(__file__).parent / "criteria_files" / "mini"

SOURCE = """\
# The smallest set that passes its check.
id: tiny-sprain  # what it is called
version: 1
engine: 1
title: A tiny set
intended_user: Qualified professionals.
population: Nobody; the set serves the tests.
limits: Everything here is invented.
scope: {conditions: [mini_sprain], bilateral: true}
acceptance: simple
baseline: {valid_days: 365, evidence: practice}
follow_up: {after_days: 1, within_days: 2, evidence: practice}
sides_check: {index: 115 %, tests: 2, evidence: practice}
stands: {pass_days: 7, evidence: practice}
pain_rule: {during: {step_up: 2, stay: 5}, next_morning_rise: {step_up: 0, stay: 1}, evidence: practice}
referral: []
not_today: []
criteria:
  # Pain comes first.
  pain-low:
    {test: pain_worst_24h, metric: value, at_most: 2, within_days: 1, evidence: practice, grade: C, why: W, work_on: R}
stages:
  - {id: running, title: Running, asks: [pain-low], may_continue: [], not_yet: []}
retest:
  not_today: {after_days: 2, window_days: 2}
  pain: {after_days: 3, window_days: 2}
  not_done: {after_days: 2, window_days: 2}
  mobility: {after_days: 4, window_days: 2}
  hops: {after_days: 4, window_days: 2}
  strength: {after_days: 7, window_days: 2}
  sessions: {after_days: 2, window_days: 2}
  referral_outcome: {after_days: 2, window_days: 2}
  after_override: {after_days: 2, window_days: 1}
  bounds: {earliest_days: 1, latest_days: 14}
  evidence: practice
caution: {code: decision_support, text: Decision support., points: [A named professional decides.]}
"""

EXAMPLES = """\
# Both sides of the line.
- id: low
  title: on the line
  athlete: {birth_year: 2000}
  episode: {condition: mini_sprain, involved_side: left, onset_on: "2026-10-04", other_side: healthy}
  entries:
    - battery:
        kind: assessment
        performed_at: "2026-11-20T16:30:00+01:00"
        session_check: {pain_at_rest: 0, medication_24h: none}
        since_last: {events: []}
        measurements: [{test: pain_worst_24h, value: 2}]
  expect: [{stage: running, outcome: pass}]
- id: high
  title: above it
  from: low
  change: {measurements: [{test: pain_worst_24h, value: 3}]}
  expect: [{stage: running, outcome: hold, reasons: {pain-low: above}}]
"""

TEXT = Text(SOURCE, EXAMPLES)


def own(set_id: str = "club-sprain", version: int = 1, **replaced: str) -> Text:
    """The text of an own set, with words of it replaced."""
    source = SOURCE.replace("id: tiny-sprain ", f"id: {set_id} ").replace("version: 1\n", f"version: {version}\n")
    for old, new in replaced.items():
        assert old in source
        source = source.replace(old, new)
    return Text(source, EXAMPLES)


def shipping(folder: Path) -> Path:
    """A folder that ships tiny-sprain/1."""
    shutil.copytree(MINI / "catalogue", folder / "catalogue")
    path = folder / "tiny-sprain" / "1.yaml"
    path.parent.mkdir()
    path.write_text(SOURCE, encoding="utf-8")
    path.with_name("1.examples.yaml").write_text(EXAMPLES, encoding="utf-8")
    write_released(load_set(path, folder / "catalogue").document, path)
    return folder
