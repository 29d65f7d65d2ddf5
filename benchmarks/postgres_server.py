"""A PostgreSQL server for tests and benchmarks: made in a temporary folder, gone afterwards.

Servers refuse to run as root; there it runs as another user of the machine.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psycopg

USERS = ("postgres", "nobody")  # as whom it runs where this process is root
ROLE, PASSWORD, DATABASE = "rampwright", "s3cret/of@the:lab", "rampwright"
STARTING = 300.0  # s, after which it is taken to hang


class NoServer(Exception):
    """Why there can be no server on this machine."""


@dataclass
class Server:
    """A running server, reached by `url` with PASSWORD in PGPASSWORD."""

    port: int
    data: Path
    command: list[str]
    environment: dict[str, str]
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Without the password."""
        return f"postgresql://{ROLE}@127.0.0.1:{self.port}/{DATABASE}"

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.process = subprocess.Popen(
            self.command, env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline = time.monotonic() + STARTING
        while time.monotonic() < deadline and self.process.poll() is None:
            with suppress(psycopg.OperationalError):
                self.connection().close()
                return
            time.sleep(0.05)
        raise NoServer("PostgreSQL is installed but does not start")

    def connection(self) -> psycopg.Connection[tuple[object, ...]]:
        """A connection to the server's own database."""
        return psycopg.connect(
            host="127.0.0.1",
            port=self.port,
            user=ROLE,
            password=PASSWORD,
            dbname="postgres",
            autocommit=True,
        )

    def stop(self) -> None:
        """Stop it at once, as a failing machine would, but waiting for its end."""
        if self.process is not None:
            self.process.send_signal(3)  # SIGQUIT: leave without cleaning up, to recover from the log
            self.process.wait(timeout=STARTING)
            self.process = None


@contextmanager
def server(safe: bool = True) -> Iterator[Server]:
    """A new server with an empty database.

    Parameters
    ----------
    safe : whether commits wait for the disk, as they do unless told otherwise

    Raises
    ------
    NoServer : saying what is missing
    """
    if os.name != "posix":
        raise NoServer("no temporary PostgreSQL server on this system")
    home = _home()
    with tempfile.TemporaryDirectory(prefix="rampwright-pg-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        prefix = _as_other_user(folder)
        environment = {**os.environ, "LC_ALL": "C", "PGPASSWORD": PASSWORD}
        secret = folder / "password"
        secret.write_text(PASSWORD, encoding="utf-8")
        if prefix:
            shutil.chown(secret, prefix[0])
        how = prefix[1] if prefix else []
        making = [*how, str(home / "initdb"), "-D", str(folder / "data"), "-U", ROLE, "--no-sync"]
        making += ["-A", "scram-sha-256", "--pwfile", str(secret), "-E", "UTF8", "--no-locale"]
        made = subprocess.run(
            making,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            cwd=folder,
        )
        if made.returncode != 0:
            raise NoServer(f"initdb failed: {made.stderr.strip() or made.stdout.strip()}")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = int(free.getsockname()[1])
        command = [*how, str(home / "postgres"), "-D", str(folder / "data"), "-p", str(port)]
        command += [] if safe else ["-c", "fsync=off"]
        command += ["-c", "listen_addresses=127.0.0.1", "-c", f"unix_socket_directories={folder}"]
        running = Server(port, folder / "data", command, environment)
        try:
            running.start()
            with running.connection() as connection:
                connection.execute(f"CREATE DATABASE {DATABASE}")
            yield running
        finally:
            running.stop()


def _home() -> Path:
    """The folder of the server's programs: on the path, or where packages put them."""
    on_path = shutil.which("initdb")
    homes = [Path(on_path).resolve().parent] if on_path else []
    homes += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for home in homes:
        if (home / "initdb").exists() and (home / "postgres").exists():
            return home
    raise NoServer(
        "no PostgreSQL server here (initdb, postgres); Debian's and Ubuntu's package is postgresql"
    )


def _as_other_user(folder: Path) -> tuple[str, list[str]] | None:
    """Another user, to whom the folder is given, and how to run a command as it; None when not needed."""
    import pwd  # POSIX only

    if os.geteuid() != 0:
        return None
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        raise NoServer(
            "a server does not run as root, and setpriv (util-linux) is not here to run it as another"
        )
    for name in USERS:
        with suppress(KeyError):
            user = pwd.getpwnam(name)
            os.chown(folder, user.pw_uid, user.pw_gid)
            return name, [setpriv, f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]
    raise NoServer(f"a server does not run as root, and there is no user {' or '.join(USERS)}")
