"""What a process takes of the machine, by Linux's own books (proc(5))."""

import os
import resource
from pathlib import Path
from typing import NamedTuple

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")


class Footprint(NamedTuple):
    """What a process holds at a moment: resident memory in MB, open files, threads."""

    memory_mb: float
    files: int
    threads: int


def footprint(pid: int) -> Footprint:
    """What a process holds now.

    Raises:
        OSError: it runs no longer.
    """
    here = Path(f"/proc/{pid}")
    return Footprint(memory_mb(pid), len(os.listdir(here / "fd")), len(os.listdir(here / "task")))


def memory_mb(pid: int) -> float:
    """Resident memory of a process, in millions of bytes."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def cpu_s(pid: int) -> float:
    """Seconds of processor time that a process has used, in user and system mode."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S
