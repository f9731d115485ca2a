"""Each word of the console in one plain sentence, and one tap away."""

import re
from pathlib import Path

import pytest

import service.console
from schemas.signing import DETERMINATIONS
from schemas.tasks import KINDS
from service.console.glossary import GLOSSARY, TERMS, anchor, sentence_of
from service.domain.codes import HOLD, PASS
from tests.clinic import SET
from tests.console.signed_in import text_of
from tests.console.statements import statements

TEMPLATES = Path(service.console.__file__).parent / "templates" / "console"
USED = re.compile(r'\bterm\(\s*"([^"]+)"')


def test_every_word_stands_there_once_with_its_sentence_and_an_address(reader):
    html = reader.page("/console/terms")

    assert len(TERMS) == sum(len(part) for part in GLOSSARY.values())
    for word, said in TERMS.items():
        assert html.count(f'id="{anchor(word)}"') == 1
        assert said in text_of(html)


@pytest.mark.parametrize("word", TERMS)
def test_a_word_is_told_in_one_sentence(word):
    said = TERMS[word]

    assert said[0].isupper()
    assert said.endswith(".")
    assert ". " not in said
    assert len(said) <= 180


@pytest.mark.parametrize("word", [*DETERMINATIONS, PASS, HOLD, *(kind.replace("_", " ") for kind in KINDS)])
def test_a_word_that_answers_use_is_told(word):
    assert word in TERMS or word.replace(" ", "-") in TERMS


def test_a_word_that_a_page_uses_is_one_of_the_terms():
    used = {word for file in TEMPLATES.glob("*.html") for word in USED.findall(file.read_text(encoding="utf-8"))}

    assert used <= TERMS.keys()
    assert "threshold" in used


def test_a_word_that_is_none_is_a_fault():
    with pytest.raises(KeyError):
        sentence_of("no such word")


def test_a_word_on_a_page_carries_its_sentence_and_leads_to_it(reader):
    html = reader.page(f"/console/criteria/{SET}/1")

    assert f'href="/console/terms#threshold" title="{sentence_of("threshold")}">threshold</a>' in html


def test_the_terms_take_no_statement_beside_the_session(clinic, reader):
    with statements(clinic.world) as sent:
        reader.page("/console/terms")

    assert len(sent) <= 2
