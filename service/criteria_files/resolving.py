"""The resolved document: a set with everything of the catalogue that it uses, as canonical JSON holds it."""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

from service.criteria_files.catalogue import ALWAYS_ASKED, Catalogue
from service.criteria_files.citations import citations
from service.criteria_files.draft import Draft, named_tests
from service.domain.numbers import number


def resolved(draft: Draft) -> dict[str, Any]:
    """Return the resolved document of a set without faults."""
    catalogue = draft.catalogue
    kept: dict[str, dict[str, Any]] = {}
    kept["tests"] = _of(catalogue.tests, _tests(draft))
    kept["questions"] = _of(catalogue.questions, _questions(draft, kept["tests"]))
    kept["sessions"] = _of(_ranked(catalogue), _sessions(draft))
    cited = {citation.source for citation in citations({"set": draft.document, "catalogue": kept})}
    kept["sources"] = _of(catalogue.sources, cited)
    document: dict[str, Any] = _plain({**draft.document, "catalogue": kept})
    return document


def _of(entries: Any, names: Iterable[str]) -> dict[str, Any]:
    wanted = set(names)
    return {name: entry for name, entry in entries.items() if name in wanted}


def _tests(draft: Draft) -> set[str]:
    """Return the tests that the set names, and those that go before them."""
    found: set[str] = set()
    waiting = named_tests(draft.document)
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += draft.catalogue.tests[name].get("after", ())
    return found


def _questions(draft: Draft, tests: dict[str, Any]) -> Iterator[str]:
    yield from ALWAYS_ASKED
    for entry in (*draft.document["not_today"], *draft.criteria.values()):
        if "question" in entry:
            yield entry["question"]
    for test in tests.values():
        yield from test.get("must_match", ())


def _sessions(draft: Draft) -> Iterator[str]:
    for criterion in draft.criteria.values():
        yield from criterion.get("sessions", ())


def _ranked(catalogue: Catalogue) -> dict[str, Any]:
    """Return the kinds of session, each with its place in their rising order, from 1."""
    return {name: {**session, "rank": rank} for rank, (name, session) in enumerate(catalogue.sessions.items(), start=1)}


def _plain(value: Any) -> Any:
    """Return a value as canonical JSON holds it: decimals as their one text."""
    if isinstance(value, dict):
        return {key: _plain(below) for key, below in value.items()}
    if isinstance(value, list):
        return [_plain(below) for below in value]
    return number(value) if isinstance(value, Decimal) else value
