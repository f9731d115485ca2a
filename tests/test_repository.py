"""The repository keeps the promises that no other tool checks."""

import ast
import importlib.metadata
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "service",
    "schemas",
    "criteria_sets",
    "tests",
    "docker",
}

MIGRATIONS = "versions"  # written by Alembic, and never changed
DOMAIN_MAY_IMPORT = {
    "__future__",
    "collections",
    "collections.abc",
    "dataclasses",
    "datetime",
    "decimal",
    "enum",
    "fractions",
    "functools",
    "hashlib",
    "ipaddress",
    "itertools",
    "json",
    "re",
    "math",
    "operator",
    "types",
    "typing",
    "zoneinfo",
}

LOCKS = {"requirements.in": "requirements.txt", "requirements-dev.in": "requirements-dev.txt"}
HASH = "--hash=sha256:" + "0" * 64
EXACT_PIN = re.compile(r"[a-z0-9-]+(?:\[[a-z0-9-]+(?:,[a-z0-9-]+)*\])?==\S+ .*--hash=sha256:[0-9a-f]{64}")
LONGEST_FUNCTION = 50


def readme_command(name: str) -> str:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(rf"<!-- command: {name} -->\s*```\w*\n(.+?)\n```", readme, re.DOTALL)
    return block.group(1) if block else ""


def readme_output(name: str) -> list[str]:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(rf"<!-- output: {name};[^>]*-->\s*```text\n(.+?)\n```", readme, re.DOTALL)
    return block.group(1).splitlines() if block else []


def ran(*arguments: str | Path, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """The command as a reader of the README runs it, at the width that it has without a terminal."""
    environment = {**os.environ, "COLUMNS": "80"}
    command = [sys.executable, "-m", "service", *map(str, arguments)]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=environment)


def tracked_paths() -> list[str]:
    """The paths git would keep, or what lies in the folder where it is no checkout (an unpacked archive)."""
    git = shutil.which("git")
    if git and (ROOT / ".git").exists():
        listed = subprocess.run(
            [git, "ls-files", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        if listed.returncode == 0:
            return listed.stdout.splitlines()
    return [path.name for path in ROOT.iterdir()]


def pins(lock: str) -> list[str]:
    """Each pin of a lock with its hashes, as one line."""
    text = (ROOT / "docker" / lock).read_text(encoding="utf-8").replace("\\\n", " ")
    return [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]


def pinned_names(lock: str) -> set[str]:
    return {re.split(r"\[|==", pin)[0] for pin in pins(lock)}


def needed_extras(lock: str) -> Iterator[tuple[str, str]]:
    """Each pinned name with each extra that a pinned distribution asks of it, as its own metadata says."""
    names = pinned_names(lock)
    for name in names:
        for requirement in installed_requirements(name):
            wanted = re.match(r"([A-Za-z0-9][\w.-]*)\s*\[([^\]]+)\]", requirement)
            if wanted and "extra ==" not in requirement and normal(wanted[1]) in names:
                yield from ((normal(wanted[1]), normal(extra.strip())) for extra in wanted[2].split(","))


def installed_requirements(name: str) -> list[str]:
    try:
        return importlib.metadata.requires(name) or []
    except importlib.metadata.PackageNotFoundError:  # a pin of another system
        return []


def normal(name: str) -> str:
    return re.sub(r"[._-]+", "-", name).lower()


def names_asked_for(source: str) -> set[str]:
    lines = (ROOT / "docker" / source).read_text(encoding="utf-8").splitlines()
    names = [re.match(r"[A-Za-z][\w.-]*", line) for line in lines]
    return {normal(name.group()) for name in names if name}


def imported_names(tree: ast.AST) -> Iterator[str]:
    """Every module a file imports; a relative import keeps its dots and so is on no list."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            yield from (f"service.{alias.name}" for alias in node.names) if module == "service" else (module,)


def may_be_imported_by_the_domain(name: str) -> bool:
    return name in DOMAIN_MAY_IMPORT or name == "service.domain" or name.startswith("service.domain.")


def python_files(folder: str) -> list[Path]:
    return sorted(path for path in (ROOT / folder).rglob("*.py") if path.parent.name != MIGRATIONS)


def relative(paths: list[Path]) -> list[str]:
    return [str(path.relative_to(ROOT)) for path in paths]


@pytest.mark.parametrize("name", ["run", "test"])
def test_the_readme_has_one_line_to_run_and_one_line_to_test(name):
    command = readme_command(name)

    assert command.startswith("python3 -m venv ")
    assert "\n" not in command


def test_the_readmes_test_command_ends_with_the_whole_suite():
    assert readme_command("test").endswith(" && .venv/bin/python -m pytest")


@pytest.mark.parametrize("name", ["run", "test"])
def test_the_readmes_commands_install_from_a_lock(name):
    assert re.search(r"--require-hashes -r docker/requirements(-dev)?\.txt ", readme_command(name))


def test_the_readme_shows_what_the_hold_really_prints():
    shown = readme_output("hold")
    printed = ran("evaluate", "criteria_sets/lateral-ankle-sprain/example-hold.json").stdout.splitlines()

    assert len(shown) >= 20, "the README shows the first lines of the hold"
    assert shown == printed[: len(shown)], "renew the README's block with the command above it and | head -n 25"


def test_the_readmes_steps_to_a_set_of_ones_own_work_as_written(tmp_path):
    for name in ("criteria_sets", "service", "schemas"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    steps = readme_command("own").replace(".venv/bin/rts-service", f"'{sys.executable}' -m service")

    done = subprocess.run(["/bin/sh", "-c", steps], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "no faults" in done.stdout
    assert "lateral-ankle-sprain/2" in done.stdout
    assert (done.stderr, done.returncode) == ("", 3)
    assert "1.resolved.json" in (tmp_path / "criteria_sets" / "published.sha256").read_text(encoding="utf-8")


@pytest.mark.parametrize("lock", LOCKS.values())
def test_every_pin_of_a_lock_is_exact_and_has_a_hash(lock):
    loose = [pin for pin in pins(lock) if not EXACT_PIN.match(pin)]

    assert pins(lock)
    assert loose == []


@pytest.mark.parametrize(
    "pin",
    [
        f"coverage==7.17.4 {HASH}",
        f"coverage[toml]==7.17.4 {HASH}",
        f"httpx[brotli,http2]==0.28.1 ; python_version < '3.12' {HASH}",
    ],
)
def test_an_exact_pin_may_name_extras(pin):
    assert EXACT_PIN.match(pin)


@pytest.mark.parametrize(
    "pin",
    [f"coverage>=7.17 {HASH}", f"coverage[]==7.17.4 {HASH}", f"coverage[toml]>=7 {HASH}", "coverage[toml]==7.17.4 "],
)
def test_a_loose_pin_is_seen(pin):
    assert not EXACT_PIN.match(pin)


@pytest.mark.parametrize("lock", LOCKS.values())
def test_a_lock_pins_the_extras_that_are_asked_for(lock):
    """Installers of 2023 refuse a lock without them as soon as the index has a newer release of the package."""
    lacking = [
        f"{name}[{extra}]"
        for name, extra in needed_extras(lock)
        if not any(re.match(rf"{name}\[(?:[^\]]*,)?{extra}[\],]", pin) for pin in pins(lock))
    ]

    assert list(needed_extras("requirements-dev.txt"))
    assert lacking == []


@pytest.mark.parametrize("lock", LOCKS.values())
def test_a_lock_names_no_index_and_no_address(lock):
    text = (ROOT / "docker" / lock).read_text(encoding="utf-8")

    assert re.findall(r"\S*://\S*|--(?:extra-)?index-url|--find-links|file:\S*", text) == []


@pytest.mark.parametrize(("source", "lock"), LOCKS.items())
def test_a_lock_holds_everything_asked_for(source, lock):
    assert names_asked_for(source)
    assert names_asked_for(source) - pinned_names(lock) == set()


def test_the_test_lock_holds_the_run_times_pins():
    assert set(pins("requirements.txt")) - set(pins("requirements-dev.txt")) == set()


def test_the_top_level_holds_nothing_beyond_the_plan():
    entries = {path.split("/")[0] for path in tracked_paths()}

    assert {entry for entry in entries - TOP_LEVEL if not entry.startswith(".")} == set()


@pytest.mark.parametrize("path", relative(python_files("service/domain")))
def test_the_domain_imports_only_listed_standard_modules(path):
    imported = set(imported_names(ast.parse((ROOT / path).read_text(encoding="utf-8"))))

    assert {name for name in imported if not may_be_imported_by_the_domain(name)} == set()


@pytest.mark.parametrize("source", ["import socket", "import os.path", "from . import x", "from service import cli"])
def test_an_import_that_is_not_listed_is_seen(source):
    imported = list(imported_names(ast.parse(source)))

    assert [name for name in imported if may_be_imported_by_the_domain(name)] == []


@pytest.mark.parametrize("path", relative([*python_files("service"), *python_files("schemas")]))
def test_no_function_is_longer_than_the_house_rule_allows(path):
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]

    assert [node.name for node in functions if node.end_lineno - node.lineno >= LONGEST_FUNCTION] == []
