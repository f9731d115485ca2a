"""What can't be built here is read closely, and its commands are run without containers."""

import fnmatch
import http.server
import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import sqlalchemy as sa
import yaml

from service.cli.command_line import _parser
from service.settings import Settings
from service.store.database import Database
from service.store.migrating import is_current
from tests.cli.serving import SECONDS
from tests.postgres import find_binaries, postgres
from tests.postgres_keeper import free_port

ROOT = Path(__file__).resolve().parent.parent
DOCKER = ROOT / "docker"
OWN = {name: value for name, value in os.environ.items() if not name.startswith("RTS_") or name == "RTS_TEST_PG_BIN"}
PASSWORDS = {"OWNER_PASSWORD": "0wner", "SERVICE_PASSWORD": "serv1ce"}
PINNED = re.compile(r"[\w./-]+:[\w.-]+(@sha256:[0-9a-f]{64})?")


def instructions() -> list[tuple[str, str]]:
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    joined = re.sub(r"\\\n\s*", "", "\n".join(lines))
    return [(word, rest.strip()) for word, _, rest in (line.partition(" ") for line in joined.splitlines())]


def last_stage() -> list[tuple[str, str]]:
    found = instructions()
    start = max(place for place, (word, _) in enumerate(found) if word == "FROM")
    return found[start:]


def last(word: str) -> str:
    return [rest for one, rest in last_stage() if one == word][-1]


def image_environment() -> dict[str, str]:
    pairs = [pair.split("=", 1) for word, rest in last_stage() if word == "ENV" for pair in rest.split()]
    return dict(pairs)


def image_settings() -> dict[str, str]:
    return {name: value for name, value in image_environment().items() if name.startswith("RTS_")}


def health_command() -> list[str]:
    return json.loads(last("HEALTHCHECK").split("CMD", 1)[1])


def compose() -> dict[str, object]:
    return yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))


def services() -> dict[str, dict[str, object]]:
    return compose()["services"]


def ours() -> dict[str, dict[str, object]]:
    return {name: one for name, one in services().items() if "build" in one}


def variables() -> dict[str, str]:
    """Each variable that the compose file reads, with what follows its name: a default, or the word for missing."""
    text = (DOCKER / "compose.yaml").read_text(encoding="utf-8")
    return dict(re.findall(r"\$\{(\w+)(:[-?][^}]*)?\}", text))


def example() -> dict[str, str]:
    lines = (DOCKER / "example.env").read_text(encoding="utf-8").splitlines()
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#"))


def interpolated(text: str, **values: str) -> str:
    def value(found: re.Match[str]) -> str:
        return values.get(found[1], "secret" if found[2] is None else found[2])

    return re.sub(r"\$\{(\w+)(?::-([^}]*)|:\?[^}]*)?\}", value, text)


# The image


def test_the_base_image_is_one_argument_with_a_version_that_both_stages_use():
    defaults = [rest for word, rest in instructions() if word == "ARG"]
    stages = [rest.split()[0] for word, rest in instructions() if word == "FROM"]

    assert len(defaults) == 1
    assert re.fullmatch(r"BASE_IMAGE=python:3\.11-slim-\w+", defaults[0])
    assert stages == ["${BASE_IMAGE}"] * 2


def test_every_command_is_in_the_form_that_needs_no_shell():
    forms = [rest for word, rest in instructions() if word in ("RUN", "CMD", "ENTRYPOINT")]

    assert len(forms) >= 6
    assert all(isinstance(json.loads(form), list) for form in forms)


def test_packages_come_by_their_hashes_from_the_lock_and_are_not_built():
    installs = [json.loads(rest) for word, rest in instructions() if word == "RUN" and '"install", "--req' in rest]

    assert [one[2:] for one in installs] == [
        ["--require-hashes", "--only-binary=:all:", "--requirement", "/build/requirements.txt"]
    ]


def test_the_image_runs_as_a_number_that_is_not_root():
    user, group = last("USER").split(":")

    assert int(user) >= 1000
    assert int(group) >= 1000
    assert [word for word, _ in last_stage()].index("USER") > [word for word, _ in last_stage()].index("RUN")


def test_only_the_record_is_written_and_no_compiled_code():
    assert last("VOLUME") == "/data"
    assert image_environment()["RTS_DATABASE_URL"].startswith("sqlite:////data/")
    assert image_environment()["PYTHONDONTWRITEBYTECODE"] == "1"
    assert any('"--owner=10001"' in rest and '"/data"' in rest for word, rest in last_stage() if word == "RUN")
    assert last("USER") == "10001:10001"


def test_the_images_settings_are_ones_of_the_service():
    settings = Settings.from_environment(image_settings())

    assert (settings.host, str(settings.port)) == ("0.0.0.0", last("EXPOSE"))  # noqa: S104


def test_the_images_command_is_one_of_the_service():
    assert json.loads(last("ENTRYPOINT")) == ["rts-service"]
    assert _parser().parse_args(json.loads(last("CMD"))).command


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1), (None, 1)])
def test_the_health_check_tells_ready_from_not_ready(status, code):
    asked = []

    class Answer(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_):
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Answer) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        port = str(server.server_port)
        if status is None:
            server.shutdown()
            server.server_close()
        python, *rest = health_command()
        environ = {"RTS_PORT": port, "http_proxy": "http://127.0.0.1:9"}
        done = subprocess.run([sys.executable, *rest], env=environ, capture_output=True, check=False)
        server.shutdown()

    assert (python, done.returncode) == ("python", code)
    assert asked == ([] if status is None else ["/health/ready"])


def test_what_is_copied_is_there_and_is_sent_to_the_builder():
    ignore = (DOCKER / "Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    sent = {line[1:] for line in ignore if line.startswith("!")}
    copied = {
        name
        for word, rest in instructions()
        if word == "COPY" and not rest.startswith("--from")
        for name in rest.split()[:-1]
    }

    assert next(line for line in ignore if not line.startswith("#")) == "*"
    assert sent == copied
    assert all((ROOT / name).exists() for name in copied)
    assert not any(fnmatch.fnmatch("docker/.env", pattern) for pattern in sent)


# The compose file


def test_there_are_a_database_a_migration_step_the_service_and_its_scheduler():
    assert set(services()) == {"database", "migrate", "web", "scheduler"}
    assert set(ours()) == {"migrate", "web", "scheduler"}


@pytest.mark.parametrize("name", ["database", "migrate", "web", "scheduler"])
def test_every_container_is_confined(name):
    one = services()[name]

    assert one["read_only"] is True
    assert one["cap_drop"] == ["ALL"]
    assert one["security_opt"] == ["no-new-privileges:true"]
    assert "/tmp" in one["tmpfs"]  # noqa: S108
    assert not {"privileged", "cap_add", "network_mode", "pid", "devices"} & set(one)
    assert name in ours() or int(str(one["user"]).split(":")[0]) > 0


def test_every_image_has_a_version_and_none_is_the_latest():
    images = [interpolated(str(one["image"])) for one in services().values()]
    bases = [interpolated(str(one["build"]["args"]["BASE_IMAGE"])) for one in ours().values()]

    assert all(PINNED.fullmatch(image) for image in images + bases)
    named = [(DOCKER / name).read_text(encoding="utf-8") for name in ("Dockerfile", "compose.yaml", "example.env")]
    assert not any(":latest" in text for text in named)


def test_every_command_is_one_of_the_service():
    commands = {name: one["command"] for name, one in ours().items()}

    assert commands["web"][0] == "serve"
    assert commands["migrate"][:2] == ["db", "upgrade"]
    assert commands["scheduler"] == ["scheduler"]
    assert all(_parser().parse_args(command).command for command in commands.values())


def test_the_services_settings_are_ones_that_it_knows():
    for one in ours().values():
        environment = {name: interpolated(str(value)) for name, value in one["environment"].items()}
        assert Settings.from_environment(image_settings() | environment).database_url.startswith(
            "postgresql+psycopg://rts_"
        )


def test_one_of_them_sends_and_both_know_where_webhooks_may_go():
    read = {
        name: Settings.from_environment({key: interpolated(str(value)) for key, value in one["environment"].items()})
        for name, one in ours().items()
    }

    assert (read["web"].scheduler, read["scheduler"].scheduler) == (False, True)
    for name in ("RTS_PUBLIC_URL", "RTS_WEBHOOK_NETWORKS"):
        assert ours()["web"]["environment"][name] == ours()["scheduler"]["environment"][name]


def test_the_web_service_knows_no_password_but_its_own():
    told = {name: set(re.findall(r"\$\{(\w+_PASSWORD)", str(one["environment"]))) for name, one in services().items()}

    assert told["web"] == told["scheduler"] == {"SERVICE_PASSWORD"}
    assert "RTS_SMTP_URL" not in services()["web"]["environment"]
    assert told["migrate"] == {"OWNER_PASSWORD"}


def test_no_secret_stands_in_the_files_and_a_missing_one_stops_the_start():
    secret = {name for name in variables() if name.endswith("_PASSWORD")}

    assert secret == {"SUPERUSER_PASSWORD", "OWNER_PASSWORD", "SERVICE_PASSWORD"}
    assert all(variables()[name].startswith(":?") for name in secret)
    assert all(example()[name] == "" for name in secret)


def test_the_example_names_every_variable_with_its_default():
    defaults = {name: said.removeprefix(":-") for name, said in variables().items() if said.startswith(":-")}

    assert set(example()) == set(variables())
    assert {name: example()[name] for name in defaults} == defaults


def test_passwords_of_a_deployment_are_never_committed():
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "/docker/.env" in ignored


def test_only_the_web_service_is_published_and_only_on_this_machine():
    published = {name: [interpolated(port) for port in one.get("ports", ())] for name, one in services().items()}

    assert published == {"database": [], "migrate": [], "scheduler": [], "web": [f"127.0.0.1:8321:{last('EXPOSE')}"]}
    assert compose()["networks"]["inside"] == {"internal": True}
    assert services()["database"]["networks"] == services()["migrate"]["networks"] == ["inside"]


def test_each_waits_for_what_it_needs():
    waits = {name: one.get("depends_on") for name, one in services().items()}

    assert waits["migrate"] == {"database": {"condition": "service_healthy"}}
    assert (
        waits["web"]
        == waits["scheduler"]
        == waits["migrate"] | {"migrate": {"condition": "service_completed_successfully"}}
    )
    assert services()["migrate"]["restart"] == "no"
    assert services()["database"]["healthcheck"]["test"][:2] == ["CMD", "pg_isready"]
    assert "healthcheck" not in services()["web"], "the image's own check is used"


def test_every_key_is_one_that_compose_knows():
    known = {
        "build", "cap_drop", "command", "depends_on", "environment", "healthcheck", "image", "init", "logging",
        "networks", "pids_limit", "ports", "read_only", "restart", "security_opt", "shm_size", "stop_grace_period",
        "tmpfs", "user", "volumes",
    }  # fmt: skip
    used = {key for one in services().values() for key in one}
    top = {key for key in compose() if not key.startswith("x-")}

    assert used - known == set()
    assert top == {"name", "services", "networks", "volumes"}
    assert {one for each in services().values() for one in each["networks"]} == set(compose()["networks"])


def test_mounted_files_and_volumes_are_there():
    sources = [volume.split(":")[0] for one in services().values() for volume in one.get("volumes", ())]

    assert sources
    assert all((DOCKER / one).is_file() if one.startswith(".") else one in compose()["volumes"] for one in sources)


def has_compose() -> bool:
    docker = shutil.which("docker")
    asked = docker and subprocess.run([docker, "compose", "version"], capture_output=True, check=False)
    return bool(asked) and asked.returncode == 0


@pytest.mark.skipif(not has_compose(), reason="there is no docker with compose here")
def test_compose_itself_accepts_the_file():
    environ = {**OWN, **PASSWORDS, "SUPERUSER_PASSWORD": "super"}
    command = [shutil.which("docker"), "compose", "--file", str(DOCKER / "compose.yaml"), "config", "--quiet"]
    done = subprocess.run(command, env=environ, capture_output=True, text=True, check=False)

    assert (done.stderr, done.returncode) == ("", 0)


# Its commands, without containers


@pytest.fixture(scope="module")
def prepared():
    """A server on which the script for the roles and the migration step have run, as their containers run them."""
    with postgres(environ=OWN) as server:
        path = f"{find_binaries(OWN)}:{OWN['PATH']}"
        superuser = {"POSTGRES_USER": "postgres", "PGHOST": "127.0.0.1", "PGPORT": str(server.admin_url.port)}
        run(["/bin/sh", str(DOCKER / "roles.sh")], {"PATH": path, **superuser, **PASSWORDS})
        at = server.admin_url.render_as_string(hide_password=False).rsplit("@", 1)[1].split("/")[0]
        run(
            [sys.executable, "-m", "service", *ours()["migrate"]["command"]],
            {**OWN, "RTS_DATABASE_URL": address("migrate", at)},
        )
        yield server, at


def run(command, environ):
    done = subprocess.run(command, env=environ, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def address(name: str, at: str) -> str:
    """The database's address as the compose file gives it to a service, at the server of this test."""
    return interpolated(ours()[name]["environment"]["RTS_DATABASE_URL"], **PASSWORDS).replace("@database/", f"@{at}/")


def test_the_migration_step_leaves_a_database_that_the_service_can_use(prepared):
    database = Database(address("web", prepared[1]))
    try:
        assert is_current(database)
        assert database.write(lambda tx: tx.exec_driver_sql("SELECT count(*) FROM record_entries").scalar()) == 0
    finally:
        database.close()


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM record_entries",
        "TRUNCATE record_entries",
        "UPDATE record_entries SET digest = ''",
        "DROP TABLE record_entries",
        "ALTER TABLE record_entries DISABLE TRIGGER ALL",
        "CREATE TABLE anything (id int)",
        "CREATE TEMPORARY TABLE anything (id int)",
    ],
)
def test_the_service_can_neither_change_the_record_nor_the_tables(prepared, statement):
    database = Database(address("web", prepared[1]))
    try:
        with pytest.raises(sa.exc.ProgrammingError, match=r"permission denied|must be owner"):
            database.write(lambda tx: tx.exec_driver_sql(statement))
    finally:
        database.close()


def test_the_migration_step_may_run_again(prepared):
    environ = {**OWN, "RTS_DATABASE_URL": address("migrate", prepared[1])}
    run([sys.executable, "-m", "service", *ours()["migrate"]["command"]], environ)


def test_the_web_service_becomes_ready_under_the_role_that_owns_nothing_and_ends_when_told(prepared, tmp_path):
    environ = {
        **OWN,
        **image_settings(),
        "RTS_DATABASE_URL": address("web", prepared[1]),
        "RTS_HOST": "127.0.0.1",
        "RTS_PORT": str(free_port()),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "service", *ours()["web"]["command"]]
    with subprocess.Popen(command, cwd=tmp_path, env=environ, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as web:
        try:
            assert is_healthy_within(SECONDS, environ)
            web.terminate()
            assert web.wait(SECONDS) == 0
        finally:
            web.kill()
    assert list(tmp_path.iterdir()) == [], "nothing is written but the record"


def test_the_scheduler_looks_once_under_the_role_that_owns_nothing(prepared):
    environ = {**OWN, "RTS_DATABASE_URL": address("scheduler", prepared[1])}
    run([sys.executable, "-m", "service", *ours()["scheduler"]["command"], "--once"], environ)


def is_healthy_within(seconds: float, environ: dict[str, str]) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        checked = subprocess.run([sys.executable, *health_command()[1:]], env=environ, capture_output=True, check=False)
        if checked.returncode == 0:
            return True
        time.sleep(0.2)
    return False
