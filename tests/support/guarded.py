"""A Mosquitto with doors, certificates with a time of their own, and an address that leads nowhere."""

import datetime as dt
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from live import Broker, free_port


class GuardedBroker(Broker):
    """A Mosquitto with an open door for a witness, and a guarded one for the station."""

    def __init__(self, folder: Path, *door: str) -> None:
        super().__init__(folder)
        self.folder, self.door_port = folder, free_port()
        self.passwords, self.acl = folder / "passwords", folder / "acl"
        lines = (
            "user root", "per_listener_settings true", "set_tcp_nodelay true", "max_queued_messages 100000",
            "max_inflight_messages 1000",
            f"listener {self.port} 127.0.0.1", "allow_anonymous true",
            f"listener {self.door_port} 127.0.0.1", *(line.format(folder=folder) for line in door),
        )  # fmt: skip
        self._config.write_text("\n".join(lines) + "\n")

    def signal(self, number: int) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def set_password(self, password: str) -> None:
        """Of the user bench-1."""
        self.passwords.touch()
        command = ["mosquitto_passwd", "-b", str(self.passwords), "bench-1", password]
        subprocess.run(command, check=True, capture_output=True)


@contextmanager
def leading_nowhere() -> Iterator[int]:
    """A port whose connections are never completed: the kernel drops what comes, as a dead route does."""
    with socket.socket() as listening, ExitStack() as callers:
        listening.bind(("127.0.0.1", 0))
        listening.listen(0)
        for _ in range(4):  # more than the queue holds, and nobody ever accepts one
            caller = callers.enter_context(socket.socket())
            caller.setblocking(False)
            with suppress(BlockingIOError):
                caller.connect(listening.getsockname())
        yield listening.getsockname()[1]


def certify(folder: Path, starts: dt.timedelta, ends: dt.timedelta) -> None:
    """A CA where there is none, and a certificate for localhost, valid between two times from now."""

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    now = dt.datetime.now(dt.UTC)
    if not (folder / "ca.crt").exists():
        openssl(
            "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj",
            "/CN=Test CA", "-days", "30", "-keyout", "ca.key", "-out", "ca.crt",
        )  # fmt: skip
        openssl(
            "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj",
            "/CN=localhost", "-keyout", "broker.key", "-out", "broker.csr",
        )  # fmt: skip
    (folder / "index").write_text("")
    (folder / "ca.conf").write_text(
        "[ca]\ndefault_ca=a\n[a]\ndatabase=index\nnew_certs_dir=.\nrand_serial=yes\ndefault_md=sha256\n"
        "policy=p\nx509_extensions=e\nunique_subject=no\n[p]\ncommonName=supplied\n"
        "[e]\nsubjectAltName=DNS:localhost\n"
    )
    form = "%Y%m%d%H%M%SZ"
    openssl(
        "ca", "-batch", "-config", "ca.conf", "-cert", "ca.crt", "-keyfile", "ca.key", "-in", "broker.csr",
        "-out", "broker.crt", "-notext", "-startdate", (now + starts).strftime(form),
        "-enddate", (now + ends).strftime(form),
    )  # fmt: skip
