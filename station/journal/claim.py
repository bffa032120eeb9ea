"""The claim on a journal: one program writes it at a time.

A second writer would count on from the same event and break the chain. The claim is a lock on a file beside
the database; the kernel lets go of it with the process, however that ends.
"""

import errno
import fcntl
import os
from pathlib import Path
from typing import NamedTuple

from shared.problems import FailureError

# What a card says that takes no writing just now.
_UNWRITABLE = {
    errno.EROFS: "read-only",
    errno.ENOSPC: "disk-full",
    errno.EDQUOT: "disk-full",
    errno.EIO: "disk-error",
}


class UnwritableError(FailureError):
    """The card takes no writing; ``code`` says why, as for a journal that fails."""

    def __init__(self, message: str, code: str) -> None:
        super().__init__(message)
        self.code = code


class Claim:
    """An exclusive claim on a database, held until `release`."""

    def __init__(self, database: Path) -> None:
        """Take the claim.

        Raises:
            UnwritableError: the card takes no writing.
            FailureError: another program has it, or the folder cannot be written.
        """
        try:
            self._file = os.open(self.path_for(database), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            message = f"{database}: cannot be opened for writing: {error.strerror}."
            code = _UNWRITABLE.get(error.errno or 0)
            raise (FailureError(message) if code is None else UnwritableError(message, code)) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._file)
            raise FailureError(f"{database}: another station writes this journal; stop it first.") from error

    @staticmethod
    def path_for(database: Path) -> Path:
        """The file that is locked; it stays when the claim is let go."""
        return database.with_name(database.name + ".lock")

    def release(self) -> None:
        """Let go; harmless twice."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


class Holder(NamedTuple):
    """The process that has a journal's claim. ``command``: how it was called, "" where that is not told."""

    pid: int
    command: str


def holder_of(database: Path, proc: Path = Path("/proc")) -> Holder | None:
    """Who writes a journal now; its claim is not touched. None where nobody does, or the kernel does not say.

    The kernel lists every lock with process and inode (proc_locks(5)); asking for the lock instead could keep
    a station from starting at that very moment.
    """
    try:
        inode = Claim.path_for(database).stat().st_ino
        locks = (proc / "locks").read_text("ascii")
    except OSError:
        return None
    for line in locks.splitlines():
        words = line.split()
        if words[1:2] == ["FLOCK"] and words[3] == "WRITE" and words[5].rpartition(":")[2] == str(inode):
            return Holder(int(words[4]), _command(proc / words[4] / "cmdline"))
    return None


def _command(file: Path) -> str:
    try:
        return file.read_bytes().replace(b"\0", b" ").decode(errors="replace").strip()
    except OSError:
        return ""
