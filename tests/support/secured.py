"""A Mosquitto on the files that `deploy/broker-files` makes: TLS, passwords, roles."""

import os
import shutil
import subprocess
from pathlib import Path

from live import Broker

MAKE = Path(__file__).resolve().parents[2] / "deploy" / "broker-files"


class SecuredBroker(Broker):
    """A Mosquitto on the files that the command makes, and one user more who may do everything."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.files = folder / "broker"
        self.make()
        self._config = self.files / "mosquitto.conf"
        passwords = self.files / "passwords"
        subprocess.run(["mosquitto_passwd", "-b", passwords, "witness", "w"], check=True, capture_output=True)
        (self.files / "witness.password").write_text("w")
        with (self.files / "acl").open("a") as acl:
            acl.write("\nuser witness\ntopic readwrite #\n")

    def make(self) -> None:
        """Run the command."""
        environment = {**os.environ, "PORT": str(self.port)}
        subprocess.run([MAKE, self.files], check=True, env=environment, capture_output=True)

    def client(self, program: str, role: str, *options: str) -> list[str]:
        """The command line of a client in a role."""
        found = shutil.which(program)
        assert found is not None, f"{program} is not installed: apt-get install mosquitto-clients"
        password = (self.files / f"{role}.password").read_text().strip()
        return [
            found, "-V", "5", "-q", "1", "-h", "localhost", "-p", str(self.port),
            "--cafile", str(self.files / "ca.crt"), "-u", role, "-P", password, *options,
        ]  # fmt: skip

    def publish(self, role: str, topic: str, payload: str) -> None:
        """Publish; whether it was taken is seen at the other end."""
        subprocess.run(
            self.client("mosquitto_pub", role, "-t", topic, "-m", payload), capture_output=True, timeout=10
        )

    def hear(self, role: str, *topics: str) -> subprocess.Popen:
        """Listen; lines of topic and payload."""
        wanted = [word for topic in topics for word in ("-t", topic)]
        return subprocess.Popen(
            self.client("mosquitto_sub", role, "-v", "-d", *wanted),
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
