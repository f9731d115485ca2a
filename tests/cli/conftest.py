"""What the tests of commands on a record share."""

import pytest

from tests.cli.at_clinic import command_line


@pytest.fixture
def line(capsys, databases, monkeypatch, tmp_path):
    with command_line(capsys, databases, monkeypatch, tmp_path) as made:
        yield made
