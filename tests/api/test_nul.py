"""U+0000 in an address reaches no database."""

import pytest

from tests.api.problem import assert_problem
from tests.clinic import new_clinic


@pytest.mark.parametrize("path", ["/v1/criteria-drafts/%00/1", "/v1/criteria-sets/a%00b"])
def test_in_a_path_it_names_nothing(database_url, path):
    assert_problem(new_clinic(database_url).administrator.get(path), 404, "not_found")


@pytest.mark.parametrize("query", ["ref=%00", "ref=KB%001"])
def test_in_an_argument_it_is_refused_by_name(database_url, query):
    response = new_clinic(database_url).clinician.get(f"/v1/batteries?{query}")

    assert_problem(response, 400, "invalid_query")
    assert [one["pointer"] for one in response.json["errors"]] == ["?ref"]
