"""Why the broker cannot be used: what the network, TLS and MQTT say, as codes that people are told.

Numbers: MQTT 5, 2.4 and 3.4.2.1; OpenSSL's verification results (x509_vfy.h), both from memory.
"""

import errno
import socket
import ssl

import pytest

from shared.wording import REASONS
from station.link import faults
from station.link.faults import Fate


def bad_certificate(code: int) -> ssl.SSLCertVerificationError:
    """As the ssl module raises it."""
    error = ssl.SSLCertVerificationError(1, "certificate verify failed")
    error.verify_code = code
    return error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ConnectionRefusedError(errno.ECONNREFUSED, "x"), "broker-refused"),
        (TimeoutError("timed out"), "broker-unreachable"),
        (OSError(errno.EHOSTUNREACH, "x"), "broker-unreachable"),
        (OSError(errno.ENETUNREACH, "x"), "broker-unreachable"),
        (socket.gaierror(socket.EAI_NONAME, "x"), "broker-name-unknown"),
        (bad_certificate(9), "certificate-not-yet-valid"),
        (bad_certificate(10), "certificate-expired"),
        (bad_certificate(62), "certificate-other-name"),
        (bad_certificate(64), "certificate-other-name"),
        (bad_certificate(20), "certificate-untrusted"),
        (ssl.SSLError(1, "wrong version number"), "broker-not-tls"),
        (ConnectionResetError(errno.ECONNRESET, "x"), "broker-lost"),
        (None, "broker-lost"),
    ],
)
def test_connection_that_cannot_be_opened(error: BaseException | None, code: str) -> None:
    """Each kind has its code."""
    assert faults.of_error(error) == code


@pytest.mark.parametrize(
    ("number", "fate", "code"),
    [
        (0x00, Fate.LANDED, None),
        (0x10, Fate.LANDED, None),
        (0x80, Fate.LATER, "broker-unavailable"),
        (0x83, Fate.LATER, "broker-unavailable"),
        (0x87, Fate.LATER, "publishing-denied"),
        (0x90, Fate.LATER, "broker-unavailable"),
        (0x97, Fate.LATER, "broker-quota"),
        (0x95, Fate.NEVER, "message-too-large"),
        (0x99, Fate.NEVER, "message-malformed"),
    ],
)
def test_word_on_a_message(number: int, fate: Fate, code: str | None) -> None:
    """Only what is wrong with the message itself is for ever."""
    assert faults.of_message(number) == (fate, code)


def test_word_on_a_connection() -> None:
    """Refused at the door, and lost later on."""
    assert [faults.of_refused_connection(code) for code in (0x86, 0x87, 0x88)] == [
        "wrong-password",
        "wrong-password",
        "broker-unavailable",
    ]
    assert [faults.of_loss(code) for code in (0x80, 0x8D, 0x8E, 0x87)] == [
        "broker-lost",
        "broker-silent",
        "client-name-taken",
        "publishing-denied",
    ]


def test_every_code_has_its_words() -> None:
    """A technician never reads a bare code."""
    codes = {value for name, value in vars(faults).items() if name.isupper() and isinstance(value, str)}
    assert codes - set(REASONS) == set()
