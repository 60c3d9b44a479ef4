"""A PostgreSQL of one's own for the time of a test run: a temporary folder and a Unix socket."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from pathlib import Path

UNPRIVILEGED = ("postgres", "nobody")  # PostgreSQL refuses to run as root


def find_binaries() -> Path | None:
    """Folder of the newest initdb that Debian's package put there, or of one on the path."""
    versions = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: float(p.parts[-3])
    )
    if versions:
        return versions[-1].parent
    on_path = shutil.which("initdb")
    return None if on_path is None else Path(on_path).resolve().parent


class Cluster:
    """A running cluster."""

    def __init__(self, binaries: Path) -> None:
        self._binaries = binaries
        # Short and of its own: a socket's path has at most about 100 letters.
        self.folder = Path(tempfile.mkdtemp(prefix="shoegoal-pg-", dir="/tmp"))
        self._user = None
        if os.geteuid() == 0:
            self._user = next(name for name in UNPRIVILEGED if _exists(name))
            shutil.chown(self.folder, self._user)
        self._run("initdb", "-D", str(self._data), "-A", "trust", "-U", "tester", "-E", "UTF8",
                  "--locale=C")  # fmt: skip
        self.start()

    @property
    def _data(self) -> Path:
        return self.folder / "data"

    def start(self) -> None:
        options = f"-k {self.folder} -c listen_addresses='' -c max_connections=20"
        self._run("pg_ctl", "-D", str(self._data), "-o", options, "-w", "-l",
                  str(self.folder / "log"), "start")  # fmt: skip

    def crash(self) -> None:
        """End it as a power cut would: no tidying up, recovery at the next start."""
        self._run("pg_ctl", "-D", str(self._data), "-m", "immediate", "-w", "stop")

    def new_database(self, name: str | None = None, template: str = "template1") -> str:
        """Make an empty database, or a copy of one; return its URL."""
        named = name or f"book_{uuid.uuid4().hex}"
        host = str(self.folder)
        self._run("createdb", "-h", host, "-U", "tester", "-T", template, named)
        return self.url(named)

    def drop(self, url: str) -> None:
        """Remove a database, so that a long test run does not fill the disk."""
        self._run("dropdb", "-h", str(self.folder), "-U", "tester", "--force", _name(url))

    def url(self, name: str) -> str:
        return f"postgresql://tester@/{name}?host={self.folder}"

    def close(self) -> None:
        self.crash()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, program: str, *args: str) -> None:
        done = subprocess.run(
            [str(self._binaries / program), *args], user=self._user, cwd="/", text=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            timeout=120, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr


def _name(url: str) -> str:
    return url.split("/")[3].split("?")[0]


def _exists(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True
