"""Keeps one PostgreSQL server for as long as the process that started this one lives, and leaves nothing behind.

A process of its own, because a test run can be killed at any moment: its death closes our standard input, and that is
the order to stop. It answers each line that it reads (`start` or `stop`) with one line of JSON on standard output.
Only the standard library is imported, and nothing of this project.
"""

import contextlib
import json
import os
import pwd
import random
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

START_SECONDS = 240
STOP_SECONDS = 60
PORTS = range(20_000, 32_000)
"""Below those that systems give to whoever connects, so that nobody takes one while its server is stopped."""
PORTS_TRIED = 50
READY_LINE = 7  # of postmaster.pid, counted from 0
FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}


class ServerError(Exception):
    """The server could not be made or started."""


def main() -> None:
    """Make the server, say where it is, obey until the parent is gone, clean up."""
    binaries, speed, parent = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    for ended in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(ended, leave)
    with temporary_folder() as folder:
        try:
            keeper = Keeper(binaries, folder, FAST if speed == "fast" else {})
            keeper.make()
        except (ServerError, OSError) as error:
            return say(failed=str(error))
        try:
            keeper.start_on_a_free_port()
            say(port=keeper.port, folder=str(folder))
            obey(keeper, parent)
        except (ServerError, OSError) as error:
            say(failed=str(error))
        finally:
            keeper.stop()
    return None


def leave(number: int, _: object) -> NoReturn:
    """End in good order: what is kept is stopped and removed on the way out."""
    sys.exit(128 + number)


def say(**answer: object) -> None:
    """Answer the parent, which may be gone."""
    with contextlib.suppress(BrokenPipeError):
        print(json.dumps(answer), flush=True)  # noqa: T201


def obey(keeper: "Keeper", parent: int) -> None:
    """Stop and start as told, until the input ends or the parent is no longer ours.

    The second is for an input that a forked child of a killed parent still holds open.
    """
    while os.getppid() == parent:
        if not select.select([sys.stdin], [], [], 0.5)[0]:
            continue
        order = sys.stdin.readline().strip()
        if not order:
            return
        try:
            keeper.start() if order == "start" else keeper.stop()
            say(done=order)
        except (ServerError, OSError) as error:
            say(failed=str(error))


@contextlib.contextmanager
def temporary_folder() -> Iterator[Path]:
    """A folder that goes with us; the server's processes may still be leaving it."""
    folder = Path(tempfile.mkdtemp(prefix="rts-postgres-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def unprivileged() -> dict[str, object]:
    """Whom to run as: PostgreSQL refuses the superuser, who may choose anybody else."""
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            user = pwd.getpwnam(name)
            return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    message = "PostgreSQL does not run as root, and this system has neither a user postgres nor a user nobody"
    raise ServerError(message)


def reachable(binaries: Path, folder: Path, who: dict[str, object]) -> Path:
    """The binaries, or a copy of their installation where the unprivileged user can't get at them."""
    try:
        subprocess.run([binaries / "postgres", "--version"], check=True, capture_output=True, **who)
    except PermissionError:
        return copied(binaries.resolve(), folder)
    except subprocess.CalledProcessError as error:
        raise ServerError(error.stderr.decode(errors="replace").strip()) from error
    return binaries


def copied(binaries: Path, folder: Path) -> Path:
    """A copy of the installation, with the libraries that a wheel keeps beside its package, each where it belongs."""
    installation, package = binaries.parent, binaries.parent.parent
    libraries = package.with_name(f"{package.name}.libs")
    if libraries.is_dir():
        shutil.copytree(libraries, folder / libraries.name, symlinks=True)
    copy = folder / package.name / installation.name
    shutil.copytree(installation, copy, symlinks=True)
    return copy / binaries.name


def free_port() -> int:
    """A port that was free a moment ago; another process may still be quicker, so starting tries again."""
    for port in random.SystemRandom().sample(PORTS, PORTS_TRIED):
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port
    message = f"none of {PORTS_TRIED} ports from {PORTS[0]} to {PORTS[-1]} is free"
    raise ServerError(message)


class Keeper:
    """One server: its folder, its process, its port."""

    def __init__(self, binaries: Path, folder: Path, settings: dict[str, str]) -> None:
        self.who = unprivileged()
        if self.who:
            os.chown(folder, self.who["user"], self.who["group"])
        self.folder, self.data, self.log = folder, folder / "data", folder / "log"
        self.binaries = reachable(binaries, folder, self.who)
        self.settings = settings
        self.port = 0
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def environment(self) -> dict[str, str]:
        """Nothing of the caller's, whose PG variables and locale would otherwise decide."""
        return {"PATH": f"{self.binaries}:/usr/bin:/bin", "LC_ALL": "C", "TZ": "UTC", "HOME": str(self.folder)}

    def make(self) -> None:
        """Make the data folder. Everybody on this machine is trusted: the data are invented and soon gone."""
        superuser = ("-U", "postgres", "-A", "trust")
        command = [self.binaries / "initdb", "-D", self.data, *superuser, "-N", "-E", "UTF8", "--locale=C"]
        made = subprocess.run(
            command, env=self.environment, cwd=self.folder, capture_output=True, check=False, text=True, **self.who
        )
        if made.returncode:
            raise ServerError(made.stderr.strip())

    def start_on_a_free_port(self) -> None:
        """Start, on another port if somebody took the one that was free."""
        for left in reversed(range(PORTS_TRIED)):
            self.port = free_port()
            try:
                return self.start()
            except ServerError as error:
                if not left or "Address already in use" not in str(error):
                    raise
        return None

    def start(self) -> None:
        """Start and wait until it takes connections. No socket file: its path could be too long."""
        settings = {"listen_addresses": "127.0.0.1", "unix_socket_directories": "", "timezone": "UTC"} | self.settings
        given = [f"--{name}={value}" for name, value in settings.items()]
        command = [self.binaries / "postgres", "-D", self.data, "-p", str(self.port), *given]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                command, env=self.environment, cwd=self.folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                **self.who,
            )  # fmt: skip
        until = time.monotonic() + START_SECONDS
        while not self.is_ready():
            if self.process.poll() is not None or time.monotonic() > until:
                self.stop()
                raise ServerError(self.log.read_text(errors="replace")[-2000:].strip())
            time.sleep(0.01)

    def is_ready(self) -> bool:
        """The server writes its state into its own file, after its process id."""
        try:
            lines = (self.data / "postmaster.pid").read_text().splitlines()
        except FileNotFoundError:
            return False
        ours = self.process is not None and lines[:1] == [str(self.process.pid)]
        return ours and lines[READY_LINE : READY_LINE + 1] == ["ready   "]

    def stop(self) -> None:
        """Stop at once, as a power cut would; started again, the server recovers."""
        if self.process is None or self.process.poll() is not None:
            return
        self.process.send_signal(signal.SIGQUIT)
        try:
            self.process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


if __name__ == "__main__":
    main()
