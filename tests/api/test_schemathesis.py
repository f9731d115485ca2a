"""Requests made from the OpenAPI document itself, by schemathesis: none is answered with a fault of ours.

A few for every operation in every run; `pytest -m slow tests/api/test_schemathesis.py` sends thousands.
"""

from typing import Any
from uuid import uuid4

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error

from service.app import create_app
from service.settings import Settings
from service.use_cases.context import CLINICIAN, ROLES
from tests.clinic import new_clinic, small
from tests.world import ACTORS, new_key

FEW, MANY = 4, 60
HEALTHY = tuple(HealthCheck)


@pytest.fixture(scope="module")
def service(databases):
    """The schema of an app in this process, a key that may do everything, and ids that lead to something."""
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        posted = clinic.post_battery(small("A"))
        world = clinic.world
        key = new_key(world.context, world.organisation, roles=list(ROLES), **ACTORS[CLINICIAN])
        app = create_app(Settings(database_url=made.url, log_level="error"), clock=world.clock)
        known = {
            "battery_id": posted["battery_id"],
            "decision_id": posted["id"],
            "entry_id": posted["id"],
            "athlete_id": posted["athlete_id"],
            "episode_id": posted["episode_id"],
            "set_id": "lateral-ankle-sprain",
            "version": 1,
        }
        yield schemathesis.openapi.from_wsgi("/openapi.json", app), key, known
        app.extensions["rts"].database.close()
        world.context.database.close()


def send(service: Any, examples: int) -> int:
    """Send so many cases of every operation; how many operations there were."""
    schema, key, known = service
    operations = [found.ok() for found in schema.get_all_operations()]
    for operation in operations:
        send_to(operation, key, known, examples)
    return len(operations)


def send_to(operation: Any, key: str, known: dict[str, Any], examples: int) -> None:
    """Send cases of one operation, about half of them to what is there."""
    names = [one.name for one in operation.path_parameters if one.name in known]

    @settings(max_examples=examples, deadline=None, database=None, derandomize=True, suppress_health_check=HEALTHY)
    @given(case=operation.as_strategy(), is_known=st.booleans())
    def answered(case: Any, is_known: bool) -> None:  # noqa: FBT001 - hypothesis draws it
        if is_known:
            case.path_parameters = {**(case.path_parameters or {}), **{name: known[name] for name in names}}
        headers = {"Authorization": f"Bearer {key}", "Idempotency-Key": uuid4().hex}
        case.call_and_validate(headers=headers, checks=[not_a_server_error])

    answered()


def test_no_operation_answers_with_a_fault_of_ours(service):
    assert send(service, FEW) >= 40


@pytest.mark.slow
def test_thousands_of_requests_are_answered_and_none_with_a_fault_of_ours(service):
    assert send(service, MANY) >= 40
