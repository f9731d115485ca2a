"""Commands on the record of a clinic, by the operator or with a person's key; the clock is the clinic's."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from service.cli import at_database
from service.use_cases.context import CLINICIAN
from tests.cli.commands import Ran, run
from tests.clinic import Clinic, new_clinic
from tests.databases import Databases


class CommandLine:
    """Runs commands on a clinic's database."""

    def __init__(self, capsys: pytest.CaptureFixture[str], clinic: Clinic, folder: Path) -> None:
        self.clinic = clinic
        self._capsys, self._folder = capsys, folder

    def run(self, *arguments: object) -> Ran:
        return run(self._capsys, *arguments, "--database", self.clinic.world.url)

    def json(self, *arguments: object) -> Any:
        ran = self.run(*arguments, "--json")
        assert ran.code == 0, ran.out + ran.err
        return json.loads(ran.out)

    def refused(self, *arguments: object) -> Any:
        """The problem, where nothing was stored."""
        before = self.clinic.rows()
        ran = self.run(*arguments, "--json")
        assert ran.code == 2, ran.out
        assert self.clinic.rows() == before
        return json.loads(ran.out)

    def faults(self, *arguments: object) -> set[tuple[str, str]]:
        return {(one["pointer"], one["code"]) for one in self.refused(*arguments)["errors"]}

    def key_of(self, role: str = CLINICIAN) -> tuple[str, Path]:
        """The option that names the file of a role's key."""
        file = self._folder / role
        file.write_text(self.clinic.world.keys[role], encoding="utf-8")
        return "--key-file", file

    def file(self, text: str) -> Path:
        file = self._folder / "given.json"
        file.write_text(text, encoding="utf-8")
        return file


@contextmanager
def command_line(
    capsys: pytest.CaptureFixture[str], databases: Databases, monkeypatch: pytest.MonkeyPatch, folder: Path
) -> Iterator[CommandLine]:
    """Commands on a new clinic in SQLite."""
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        monkeypatch.setattr(at_database, "_now", clinic.world.clock)
        yield CommandLine(capsys, clinic, folder)
        clinic.assert_sound()
        clinic.world.context.database.close()
