"""A real PostgreSQL of our own for system tests: temporary data directory, free port."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
from live import free_port


class Postgres:
    """A server; may be stopped and started again.

    Attributes:
        url: where its database is.
    """

    def __init__(self, programs: Path, as_user: list[str]) -> None:
        self._as_user = as_user
        self.folder = Path(tempfile.mkdtemp(prefix="benchward-pg"))
        self.folder.chmod(0o777)
        self._data = self.folder / "data"
        self._control = [programs / "pg_ctl", "-D", self._data, "-w"]
        self._port = free_port()
        self._run(programs / "initdb", "-D", self._data, "-U", "bench", "-A", "trust", "-N")
        self._run("sh", "-c", f"echo 'max_connections = 50' >> {self._data}/postgresql.conf")

    @property
    def url(self) -> str:
        """The database, as the commands take it."""
        return self.database("postgres")

    def database(self, name: str) -> str:
        """The URL of one of its databases."""
        return f"postgresql://bench@127.0.0.1:{self._port}/{name}"

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = f"-p {self._port} -k {self.folder} -h 127.0.0.1"
        self._run(*self._control, "-l", self.folder / "log", "-o", options, "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop it: ``immediate`` is a crash, ``fast`` ends connections in order."""
        self._run(*self._control, "-m", mode, "stop")

    def remove(self) -> None:
        """Stop it and leave nothing."""
        self.stop()
        shutil.rmtree(self.folder)

    def _run(self, *words: str | Path) -> None:
        # The server keeps the pipe it is started with; the folder may not be readable for its user.
        subprocess.run([*self._as_user, *words], check=True, stdout=subprocess.DEVNULL, cwd="/")


def postgres_here() -> Postgres:
    """A server that is not started yet; skips the test, and says why, where none can be had."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[4]))
    if not found and (on_path := shutil.which("initdb")):
        found = [Path(on_path)]
    if not found:
        pytest.skip("PostgreSQL is not installed: apt-get install postgresql")
    if os.getuid() != 0:
        return Postgres(found[-1].parent, [])
    if shutil.which("runuser") is None:
        pytest.skip("PostgreSQL does not run as root, and runuser, to become another, is not installed")
    return Postgres(found[-1].parent, ["runuser", "-u", "postgres", "--"])
