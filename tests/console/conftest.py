"""A clinic, and who looks at its pages."""

import pytest

from service.use_cases.context import ADMINISTRATOR
from tests.clinic import Clinic, new_clinic
from tests.console.signed_in import Reader, signed_in


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


@pytest.fixture
def reader(clinic: Clinic) -> Reader:
    return signed_in(clinic.world)


@pytest.fixture
def admin(clinic: Clinic) -> Reader:
    return signed_in(clinic.world, ADMINISTRATOR)
