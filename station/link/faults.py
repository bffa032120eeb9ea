"""Why the broker cannot be used, as codes, and which refusals may work later.

The numbers are the reason codes of MQTT 5 (2.4); certificates are judged by OpenSSL's verification results.
"""

import errno
import socket
import ssl
from enum import Enum

SILENT = "broker-silent"
LOST = "broker-lost"
REFUSED = "broker-refused"
UNREACHABLE = "broker-unreachable"
NAME_UNKNOWN = "broker-name-unknown"
NOT_TLS = "broker-not-tls"
CERTIFICATE_EARLY = "certificate-not-yet-valid"
CERTIFICATE_EXPIRED = "certificate-expired"
CERTIFICATE_NAME = "certificate-other-name"
CERTIFICATE_UNTRUSTED = "certificate-untrusted"
WRONG_PASSWORD = "wrong-password"
DENIED = "publishing-denied"
QUOTA = "broker-quota"
UNAVAILABLE = "broker-unavailable"
NAME_TAKEN = "client-name-taken"
FAILING = "link-failing"

TOO_LARGE = "message-too-large"
MALFORMED = "message-malformed"
DAMAGED = "message-damaged"

KEEPALIVE_TIMEOUT, PACKET_TOO_LARGE = 0x8D, 0x95

# OpenSSL: X509_V_ERR_CERT_NOT_YET_VALID, …_HAS_EXPIRED, …_HOSTNAME_MISMATCH, …_IP_ADDRESS_MISMATCH.
_CERTIFICATES = {
    9: CERTIFICATE_EARLY,
    10: CERTIFICATE_EXPIRED,
    62: CERTIFICATE_NAME,
    64: CERTIFICATE_NAME,
}
_NO_WAY = frozenset({errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ETIMEDOUT, errno.EHOSTDOWN, errno.ENETDOWN})
_REASONS = {
    0x86: WRONG_PASSWORD,
    0x87: DENIED,
    0x88: UNAVAILABLE,
    0x89: UNAVAILABLE,
    0x8B: LOST,
    0x8D: SILENT,
    0x8E: NAME_TAKEN,
    0x97: QUOTA,
    0x9F: QUOTA,
}


class Fate(Enum):
    """What becomes of a message by the broker's word."""

    LANDED = "landed"
    LATER = "later"
    NEVER = "never"


def of_error(error: BaseException | None) -> str:
    """The code for a connection that could not be opened."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _CERTIFICATES.get(error.verify_code, CERTIFICATE_UNTRUSTED)
    if isinstance(error, socket.gaierror):
        return NAME_UNKNOWN
    if isinstance(error, ConnectionRefusedError):
        return REFUSED
    if isinstance(error, ssl.SSLError | ConnectionResetError):
        return NOT_TLS if isinstance(error, ssl.SSLError) else LOST
    if isinstance(error, TimeoutError) or getattr(error, "errno", None) in _NO_WAY:
        return UNREACHABLE
    return LOST


def of_refused_connection(code: int) -> str:
    """The code for a connection that the broker opened and then would not have (CONNACK)."""
    # Brokers say "not authorised" for a wrong password as well: which of the two it was stays their secret.
    return WRONG_PASSWORD if code == 0x87 else _REASONS.get(code, UNAVAILABLE)


def of_loss(code: int) -> str:
    """The code for a connection that was lost (DISCONNECT, or the client's own word for silence)."""
    return _REASONS.get(code, LOST)


def of_message(code: int) -> tuple[Fate, str | None]:
    """What becomes of a message (PUBACK), and why it did not land.

    Only what is wrong with the message itself is for ever. Rights, quotas and trouble at the broker can be
    put right, and a topic's name is the same for all messages: to give those up would lose everything.
    """
    if code < 0x80:
        return Fate.LANDED, None
    if code == PACKET_TOO_LARGE:
        return Fate.NEVER, TOO_LARGE
    if code == 0x99:
        return Fate.NEVER, MALFORMED
    return Fate.LATER, _REASONS.get(code, UNAVAILABLE)
