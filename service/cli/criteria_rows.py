"""The criteria of a decision as rows of a table: name, figure, what is required, and notes."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.cli.layout import STACKED_BELOW, Paper
from service.domain.codes import AWAITING_RESPONSE, MET, NOT_ASSESSED, NOT_MET, STATUS
from service.domain.criteria import PERCENT_OF_BASELINE, CriteriaSet, Criterion, Group
from service.domain.judging import Judging
from service.domain.reasons import Row
from service.domain.telling import because
from service.domain.words import (
    ROUTE_WORDS,
    answer_text,
    figure_text,
    missed_by,
    required,
    short_label,
)
from service.domain.working import not_attempted
from service.use_cases.evaluate import Evaluation

NO_FIGURE = "-"
PARTS_ELSEWHERE = "its parts are listed at [{}], for which they were judged too"
EXCEPTED, AWAITING = "excepted", "awaiting"
SECTIONS = {
    NOT_MET: "NOT MET",
    NOT_ASSESSED: "NOT ASSESSED",
    AWAITING: "AWAITING AN ANSWER",
    EXCEPTED: "EXCEPTED",
    MET: "MET",
}


@dataclass(frozen=True, slots=True)
class CriterionRow:
    """One criterion as a clinician reads it; parts are `depth` steps inside the criterion that they belong to."""

    section: str
    depth: int
    name: str
    figure: str
    required: str
    notes: Sequence[str]
    working: Sequence[str]


def criterion_rows(answer: Mapping[str, Any], evaluation: Evaluation) -> list[CriterionRow]:
    """Return every reason of a decision in its order, parts in the section of what they belong to."""
    return list(_Rows(answer, evaluation).rows())


class _Rows:
    """One pass over the reasons."""

    def __init__(self, answer: Mapping[str, Any], evaluation: Evaluation) -> None:
        self.criteria = evaluation.criteria
        self.evaluation = evaluation
        self.judging = Judging(evaluation.evidence, evaluation.criteria)
        self.pairs = [
            (Row(*row), said) for row, said in zip(evaluation.verdict["reasons"], answer["reasons"], strict=True)
        ]

    def rows(self) -> Iterator[CriterionRow]:
        section, asked = MET, ""
        for place, (row, said) in enumerate(self.pairs):
            if row.part_of is None:
                section, asked = _section(row), row.criterion
            depth = 0 if row.part_of is None else 1 if row.part_of == asked else 2
            found = self._row(row, said, section, depth)
            if self._lacks_parts(place):
                found = replace(found, notes=[*found.notes, PARTS_ELSEWHERE.format(self._listed_at(row.criterion))])
            yield found

    def _lacks_parts(self, place: int) -> bool:
        """Tell whether the parts of a group stand at another row: a verdict lists them once."""
        row, said = self.pairs[place]
        if isinstance(self.criteria.criteria[row.criterion], Criterion) or said["route"] is not None:
            return False
        return not any(after.part_of == row.criterion for after, _ in self.pairs[place + 1 : place + 2])

    def _listed_at(self, group: str) -> str:
        """Return the criterion asked under which the parts of a group are listed."""
        rows = [row for row, _ in self.pairs]
        first = next(place for place, row in enumerate(rows) if row.part_of == group)
        return next(row.criterion for row in reversed(rows[:first]) if row.part_of is None)

    def _row(self, row: Row, said: Mapping[str, Any], section: str, depth: int) -> CriterionRow:
        one = self.criteria.criteria[row.criterion]
        status = "" if depth == 0 else f"{_words(row)}: "
        return CriterionRow(
            section=section,
            depth=depth,
            name=f"{status}{short_label(row.criterion, self.criteria)}{_aside(said)} [{row.criterion}]",
            figure=_figure(one, row, said),
            required=_required(one, row),
            notes=list(self._notes(one, row, said)),
            working=said.get("working", ()),
        )

    def _notes(self, one: Criterion | Group, row: Row, said: Mapping[str, Any]) -> Iterator[str]:
        if said["route"] is not None:
            yield f"{ROUTE_WORDS[said['route']]}; judged in its place:"
        elif isinstance(one, Criterion):
            yield from self._why(one, row)
        if row.excepted:
            yield f"excepted until {self._excepted_until(row.criterion)}; it is {_words(row)}"

    def _excepted_until(self, criterion: str) -> date:
        stage = self.evaluation.verdict["stage"]
        waivers = self.evaluation.evidence.waivers
        return max(one.until for one in waivers if (one.stage, one.criterion) == (stage, criterion))

    def _why(self, one: Criterion, row: Row) -> Iterator[str]:
        if row.measured is not None and row.status == NOT_MET:
            yield missed_by(one, row.measured)
        elif row.measured is None and row.status != MET and one.comparator != "is":
            sent = not_attempted(self.judging, one)
            yield "; ".join(sent) if sent and STATUS[row.code] == NOT_ASSESSED else self._because(one)

    def _because(self, one: Criterion) -> str:
        return because(self.judging, one, self.judging.reading(one))


def _section(row: Row) -> str:
    if row.code == MET:
        return MET
    if row.excepted:
        return EXCEPTED
    return AWAITING if row.code == AWAITING_RESPONSE else row.status


def _words(row: Row) -> str:
    return row.status.replace("_", " ")


def _aside(said: Mapping[str, Any]) -> str:
    """Return what a reader must know of the figure: of which date it is, and that it stands to the baseline."""
    against = "baseline" in (said["formula"] or "") and said["metric"] != PERCENT_OF_BASELINE
    baseline = ", against the baseline" if against else ""
    return baseline if said["carried_from"] is None else f"{baseline}, of {said['carried_from']}"


def _figure(one: Criterion | Group, row: Row, said: Mapping[str, Any]) -> str:
    if isinstance(one, Group):
        return NO_FIGURE if row.numerator is None else f"{row.numerator} met"
    if row.measured is not None:
        return figure_text(one, row.measured)
    if one.comparator == "is" and said["inputs"] and said["inputs"][0].get("answer") is not None:
        return answer_text(said["inputs"][0]["answer"])
    return NO_FIGURE


def _required(one: Criterion | Group, row: Row) -> str:
    if isinstance(one, Group):
        return "" if row.denominator is None else f"{row.denominator} needed"
    if one.comparator == "is":
        return answer_text(one.answer)
    return required(one)


def table(rows: Sequence[CriterionRow], paper: Paper) -> dict[str, list[str]]:
    """Return the lines of each section; figures stand in one column over all sections, on narrow paper below."""
    figures = max((len(row.figure) for row in rows), default=0)
    wanted = max((len(row.required) for row in rows), default=0)
    names = paper.width - figures - wanted - len("  " * 3)
    lines: dict[str, list[str]] = {section: [] for section in SECTIONS}
    for row in rows:
        lines[row.section] += _lines(row, paper, names, figures)
    return lines


def _lines(row: CriterionRow, paper: Paper, names: int, figures: int) -> list[str]:
    indent = 2 * (row.depth + 1)
    if paper.width < STACKED_BELOW:
        compared = f"{row.figure}; {row.required}" if row.required else row.figure
        lines = [*paper.wrapped(row.name, indent=indent, hanging=2), *paper.wrapped(compared, indent=indent + 2)]
    else:
        plain = Paper(names + len("  "))
        first, *rest = plain.wrapped(row.name, indent=indent, hanging=2)
        lines = [f"{first:<{names + 2}}  {row.figure:>{figures}}  {row.required}".rstrip(), *rest]
        lines = [paper.with_faint_names(line) for line in lines]
    for note in row.notes:
        lines += paper.wrapped(note, indent=indent + 2)
    return lines + [line for step in row.working for line in paper.wrapped(step, indent=indent + 4, hanging=2)]


def asked_count(rows: Sequence[CriterionRow], section: str) -> int:
    """Return how many criteria asked stand in a section."""
    return sum(row.section == section and row.depth == 0 for row in rows)


def shown_lines(answer: Mapping[str, Any], criteria: CriteriaSet, paper: Paper) -> list[str]:
    """Return the values that decide nothing."""
    return [
        line
        for said in answer["shown"]
        for line in paper.wrapped(f"{said['statement']} [{said['criterion']}]", indent=2, hanging=2)
        if said["criterion"] in criteria.criteria
    ]
