"""Every criterion and group of one case, judged once, whoever asks; routes where they open."""

from typing import Any, NamedTuple

from service.domain import record
from service.domain.codes import MET, MISSING_REFERENCE, NOT_ASSESSED, STATUS, TOO_FEW_MET, UNDECIDED
from service.domain.criteria import WITHOUT_EQUIPMENT, WITHOUT_REFERENCE, CriteriaSet, Criterion, Group
from service.domain.evidence import Evidence, Occasion
from service.domain.metrics import read
from service.domain.readings import Case, Reading


class Judged(NamedTuple):
    """What a criterion came to: its code, its reading, and the route by which another was judged in its place.

    `met` and `needed` count the parts of a group.
    """

    code: str
    reading: Reading
    route: str | None = None
    target: str | None = None
    met: int | None = None
    needed: int | None = None

    def figure(self) -> tuple[str | None, str | None]:
        """Return the figure in lowest terms; of a group the parts met and needed."""
        return self.reading.figure() if self.needed is None else (str(self.met), str(self.needed))

    @property
    def status(self) -> str:
        """Return met, not_met or not_assessed."""
        return STATUS[self.code]


class Judging(Case):
    """One evidence under one criteria set: every criterion is judged once, whoever asks."""

    def __init__(self, evidence: Evidence, criteria: CriteriaSet) -> None:
        super().__init__(evidence, criteria)
        self._readings: dict[str, Reading] = {}

    def reading(self, criterion: Criterion) -> Reading:
        """Return what a plain criterion comes to, without its routes."""
        found = self._readings.get(criterion.id)
        if found is None:
            found = self._readings[criterion.id] = read(self, criterion)
        return found

    def plain(self, key: str) -> Judged:
        """Return what a criterion or group comes to, without its routes."""
        one = self.criteria.criteria[key]
        if isinstance(one, Criterion):
            reading = self.reading(one)
            return Judged(reading.code, reading)
        statuses = [STATUS[self.part(part).code] for part in one.parts]
        met, open_ = statuses.count(MET), statuses.count(NOT_ASSESSED)
        code = MET if met >= one.needed else UNDECIDED if met + open_ >= one.needed else TOO_FEW_MET
        return Judged(code, Reading(code), met=met, needed=one.needed)

    def part(self, key: str) -> Reading:
        """Return the reading of a group's part."""
        one = self.criteria.criteria[key]
        assert isinstance(one, Criterion)
        return self.reading(one)

    def asked(self, key: str) -> Judged:
        """Return what a criterion asked comes to, by its route where one opens."""
        one = self.criteria.criteria[key]
        judged = self.plain(key)
        if judged.code == MET:
            return judged
        if one.without_reference is not None and self._opens(one, judged, self._lacks_reference):
            return self._by(WITHOUT_REFERENCE, one.without_reference)
        if one.without_equipment is not None and self._opens(one, judged, self._lacks_equipment):
            return self._without_equipment(one, one.without_equipment)
        return judged

    def _by(self, route: str, target: str) -> Judged:
        reached = self.plain(target)
        return Judged(reached.code, reached.reading, route, target, reached.met, reached.needed)

    def _without_equipment(self, one: Criterion | Group, target: str) -> Judged:
        led_to = self.criteria.criteria[target]
        if one.without_reference is not None and self._opens(led_to, self.plain(target), self._lacks_reference):
            return self._by(WITHOUT_REFERENCE, one.without_reference)
        return self._by(WITHOUT_EQUIPMENT, target)

    def _opens(self, one: Criterion | Group, judged: Judged, lacks: Any) -> bool:
        """Tell whether a route opens: the criterion lacks just that, or its group would be met if such parts were."""
        if isinstance(one, Criterion):
            return bool(lacks(one))
        lacking = sum(1 for part in one.parts if self.part(part).code != MET and lacks(self.criteria.criteria[part]))
        return lacking > 0 and (judged.met or 0) + lacking >= one.needed

    def _lacks_reference(self, one: Criterion) -> bool:
        reading = self.reading(one)
        if reading.code != MISSING_REFERENCE:
            return False
        if self.evidence.facts.is_bilateral:
            return True
        measured = reading.uses[0][1]
        return self.other_unusable(measured) and self.opposite_was_sent(measured)

    def _lacks_equipment(self, one: Criterion) -> bool:
        judged = self.evidence.judged
        if judged is None or one.subject != "test":
            return False
        sides = self.evidence.facts.involved if one.test.is_sided else (None,)
        return all(self._was_not_equipped(judged, one, side) for side in sides)

    def _was_not_equipped(self, judged: Occasion, one: Criterion, side: str | None) -> bool:
        sent = judged.measurements.get((one.test.id, side))
        return (
            sent is not None
            and sent.result == record.NOT_DONE
            and sent.because == record.NO_EQUIPMENT
            and not self.attempted_lately(one, one.test, side)
        )
