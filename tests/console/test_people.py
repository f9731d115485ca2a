"""People among the settings: where each is sent mails."""

import re

import pytest

from tests.clinic import Clinic
from tests.console.signed_in import text_of
from tests.console.statements import statements

PATH = "/console/settings/people"


def address(clinic: Clinic) -> str | None:
    """The clinician's e-mail address."""
    found = clinic.row("actors", id=clinic.world.clinician.actor)["email"]
    return None if found is None else str(found)


def test_people_stand_there_by_name_and_systems_do_not(admin):
    said = text_of(admin.page(PATH))

    assert said.index("Invented Administrator") < said.index("Invented Clinician physiotherapist Clinician")
    assert "Invented record system" not in said
    assert "No mails are sent: the operator has named no mail server" in said


def test_a_person_is_given_an_address_and_loses_it(clinic, admin):
    path = f"{PATH}/{clinic.world.clinician.actor}/email"

    where = admin.done(path, {"email": " clinician@example.org "})

    assert "The e-mail address is kept." in text_of(admin.page(where))
    assert address(clinic) == "clinician@example.org"
    assert 'value="clinician@example.org"' in admin.page(PATH)
    admin.done(path, {"email": ""})
    assert address(clinic) is None


@pytest.mark.parametrize("typed", ["nobody at home", "a@b@example.org", "x" * 250 + "@example.org"])
def test_what_is_no_address_is_refused_at_its_field_and_stays_typed(clinic, admin, typed):
    person = clinic.world.clinician.actor

    response = admin.send(f"{PATH}/{person}/email", {"email": typed})

    assert response.status_code == 422
    assert f'href="#email-{person}"' in response.text
    assert f'id="email-{person}-wrong"' in response.text
    assert re.search(rf'id="email-{person}"[^>]*value="{typed}"', response.text)
    assert address(clinic) is None


def test_a_person_who_is_disabled_is_sent_nothing_and_stands_there_no_more(clinic, admin):
    clinic.administrator.post(f"/v1/actors/{clinic.world.clinician.actor}/disable")

    assert "Invented Clinician" not in text_of(admin.page(PATH))


def test_the_page_takes_at_most_six_statements(clinic, admin):
    admin.page(PATH)
    with statements(clinic.world) as sent:
        admin.page(PATH)

    assert len(sent) <= 6, sent
