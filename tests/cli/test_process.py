"""The command as a process: exit codes, pipes, and what happens when something is wrong inside."""

import io
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from service import settings as release
from service.cli import command_line, main
from service.cli.outcomes import Said
from tests.cli.commands import EXAMPLE, HELD, ROOT, run

FULL = Path("/dev/full")
COMMAND = (sys.executable, "-m", "service")


def process(*arguments: object, **settings: Any) -> subprocess.CompletedProcess[str]:
    command: Sequence[str] = [*COMMAND, *map(str, arguments)]
    settings = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **settings}
    return subprocess.run(command, text=True, cwd=ROOT, check=False, **settings)


@pytest.mark.parametrize(("file", "code"), [(EXAMPLE, 0), (HELD, 3), ("missing.json", 2)])
def test_the_process_leaves_with_the_exit_code(file, code):
    assert process("evaluate", file).returncode == code


def test_the_release_is_printed(capsys):
    with pytest.raises(SystemExit) as left:
        main(["--version"])

    assert left.value.code == 0
    assert capsys.readouterr().out.startswith("rts-service ")


def test_standard_input_is_piped():
    assert process("evaluate", "-", input=HELD.read_text(encoding="utf-8")).returncode == 3


def test_a_closed_standard_input_is_refused_in_a_sentence(capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)

    ran = run(capsys, "evaluate", "-")
    assert ran.code == 2
    assert "standard input is closed; give a file" in ran.err
    assert run(capsys, "evaluate", EXAMPLE).code == 0


def test_a_reader_that_goes_away_changes_nothing():
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ran = process("evaluate", HELD, stdout=writing)
    finally:
        os.close(writing)

    assert ran.returncode == 3
    assert ran.stderr == ""


@pytest.mark.skipif(not FULL.exists(), reason="needs a device that is always full")
def test_an_output_that_can_not_be_written_is_told():
    with FULL.open("w", encoding="utf-8") as full:
        ran = process("evaluate", EXAMPLE, stdout=full)

    assert ran.returncode == 70
    assert ran.stderr.startswith("rts-service: the output can't be written")


def test_an_output_that_can_not_show_a_letter_writes_it_out():
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    body = EXAMPLE.read_text(encoding="utf-8").replace("KB-0417-2", "KB-2").replace("KB-0417", "KÄ-0417")

    ran = process("evaluate", "-", input=body, env=environment | {"PYTHONUTF8": "0"}, encoding="utf-8")
    assert ran.returncode == 0
    assert r"Athlete K\xc4-0417" in ran.stdout


def test_nothing_of_the_yaml_reader_is_loaded_to_judge():
    program = (
        "import sys; from service.cli import main; "
        f"code = main(['evaluate', {str(EXAMPLE)!r}]); sys.exit(99 if 'yaml' in sys.modules else code)"
    )
    ran = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, check=False)

    assert ran.returncode == 0


@pytest.fixture
def broken(monkeypatch):
    """A command with a fault of ours inside."""

    def fail(_options: object) -> Said:
        message = "KB-0417 has an ankle"
        raise ZeroDivisionError(message)

    monkeypatch.setattr(command_line.evaluating, "_evaluate", fail)


@pytest.mark.usefixtures("broken")
def test_an_internal_error_is_one_line_without_data(capsys):
    ran = run(capsys, "evaluate", EXAMPLE)

    assert ran.code == 70
    assert ran.err == "rts-service: internal error (ZeroDivisionError); run it again with --traceback for the place\n"


@pytest.mark.usefixtures("broken")
def test_the_trace_is_printed_on_demand(capsys):
    ran = run(capsys, "evaluate", EXAMPLE, "--traceback")

    assert ran.code == 70
    assert "Traceback (most recent call last)" in ran.err
    assert ran.err.endswith("rts-service: internal error (ZeroDivisionError)\n")


def test_an_interruption_leaves_quietly(capsys, monkeypatch):
    def interrupted(_options: object) -> Said:
        raise KeyboardInterrupt

    monkeypatch.setattr(command_line.evaluating, "_evaluate", interrupted)
    assert run(capsys, "evaluate", EXAMPLE) == (130, "", "")


def test_output_without_a_terminal_is_no_terminal(monkeypatch):
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert not command_line.evaluating.standard_output().is_terminal


class Pipe(io.StringIO):
    """A stream with nobody at its other end."""

    def __init__(self, fault: OSError) -> None:
        super().__init__()
        self.fault = fault
        self.nowhere, self.own = os.pipe()

    def write(self, _text: str) -> int:
        raise self.fault

    def fileno(self) -> int:
        return self.own


@pytest.mark.parametrize(("fault", "code"), [(BrokenPipeError(), 3), (OSError(28, "No space left on device"), 70)])
def test_only_a_reader_that_goes_away_is_forgiven(capsys, monkeypatch, fault, code):
    monkeypatch.setattr(sys, "stdout", Pipe(fault))

    assert main(["evaluate", str(HELD)]) == code
    assert ("No space left" in capsys.readouterr().err) == (code == 70)


def test_without_an_output_the_exit_code_still_tells(monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)

    assert main(["evaluate", str(HELD)]) == 3


def test_a_checkout_that_is_not_installed_says_so(monkeypatch):
    def missing(_name: str) -> str:
        raise release.PackageNotFoundError

    monkeypatch.setattr(release, "version", missing)
    assert release.service_version() == release.NOT_INSTALLED
