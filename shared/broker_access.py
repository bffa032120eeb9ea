"""How a program gets in at a broker: user, password file, and the CA of its certificate."""

import ssl
from pathlib import Path
from typing import Any, NamedTuple

from shared.problems import InputError, unreadable


class BrokerAccess(NamedTuple):
    """Names a user with the file of its password, and the file of a CA; None leaves either out."""

    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None

    def answers(self, root: str, name: str) -> str:
        """Where a client of that name has answers sent: below its user, who alone may read them."""
        return f"{root}/answers/{name}" if self.user is None else f"{root}/answers/{self.user}/{name}"

    def password(self) -> str:
        """What the password file holds.

        Raises:
            InputError: there is none, or it cannot be read.
        """
        if self.password_file is None:
            raise InputError(
                f"The broker's user is {self.user!r}, but no password file is named; name the one with its "
                "password."
            )
        try:
            return Path(self.password_file).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise unreadable(f"{self.password_file} (the broker's password)", error) from error

    def context(self) -> ssl.SSLContext:
        """TLS that believes only brokers whose certificate the CA has signed.

        Raises:
            InputError: the CA's certificate cannot be read.
        """
        try:
            return ssl.create_default_context(cafile=self.ca_file)
        except OSError as error:
            raise InputError(f"{self.ca_file}: holds no usable CA certificate: {error}.") from error

    def open(self, client: Any) -> None:
        """Give it to an MQTT client that has not connected yet.

        Raises:
            InputError: a file cannot be read.
        """
        if self.user is not None:
            client.username_pw_set(self.user, self.password())
        if self.ca_file is not None:
            client.tls_set_context(self.context())


ANONYMOUS = BrokerAccess()
"""Without a name, in the clear."""
