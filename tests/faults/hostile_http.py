"""A hostile client at the pages: whatever it sends, bench and pages work on. One command:

    python tests/faults/hostile_http.py [--seconds 10] [--only NAME …] [--json FILE]

It speaks over bare sockets, without a name. What may be said of HTTP is RFC 9112's: messages with a bad length or bad
chunks are refused (6.3, 7.1), addresses are not paths into a file system (RFC 3986, 5.2.4). Looked at: what is answered
(no error of the server but "come later"), whether anything reaches station or record, memory, and the bench itself.
"""

import socket
import sys
import time
from collections import Counter
from collections.abc import Iterable
from contextlib import ExitStack, suppress
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "support"), str(HERE)]

from besieged import NAME, Attack, Besieged
from observed import page_text

STREAM = f"GET /bench/{NAME}/stream HTTP/1.1\r\nHost: bench\r\n\r\n".encode()
SECRETS = (b"root:", b"SQLite format", b"Traceback", b"argon2", b"scrypt:", b"def create_app")


def _opened(bench: Besieged, timeout_s: float = 5.0) -> socket.socket:
    return socket.create_connection(("127.0.0.1", bench.page_port), timeout_s)


def _answer(bench: Besieged, data: bytes | Iterable[bytes], at_most: int = 1 << 16) -> bytes:
    """All that comes for this, up to so many bytes; `-` where nothing does."""
    got = b""
    with suppress(OSError), _opened(bench) as link:
        with suppress(OSError):
            for piece in [data] if isinstance(data, bytes) else data:
                link.sendall(piece)
        while len(got) < at_most and (more := link.recv(1 << 16)):
            got += more
            if b"\r\n\r\n" in got and data is not STREAM:
                link.settimeout(0.3)
    return got


def _status(answer: bytes) -> str:
    words = answer.split(None, 2)
    return words[1].decode("latin-1") if len(words) > 1 and words[0].startswith(b"HTTP/") else "no answer"


def _tried(bench: Besieged, seconds: float, requests: Iterable[bytes | list[bytes]]) -> Counter[str]:
    """Every request on a connection of its own; the statuses.

    Raises:
        AssertionError: an error of the server, or something in an answer that nobody may be told.
    """
    counts: Counter[str] = Counter()
    end_s = time.monotonic() + seconds
    for request in requests:
        if time.monotonic() > end_s:
            break
        said = (request if isinstance(request, bytes) else request[0])[:200]
        answer = _answer(bench, request)
        status = _status(answer)
        counts[status] += 1
        assert not status.startswith("5") or status in ("501", "503", "505"), (
            f"{said!r} gave {answer[:300]!r}"
        )
        told = [secret for secret in SECRETS if secret in answer]
        assert not told, f"{said!r} was told {told}"
    return counts


def _get(path: str, *headers: str, method: str = "GET", body: bytes = b"") -> bytes:
    lines = [f"{method} {path} HTTP/1.1", "Host: bench", "Connection: close", *headers, "", ""]
    return "\r\n".join(lines).encode("latin-1") + body


def slow_headers(bench: Besieged, seconds: float) -> Counter[str]:
    """Three hundred connections, each a header without end, a byte a second; are others served meanwhile?"""
    counts: Counter[str] = Counter()
    with ExitStack() as links:
        slow = []
        for _ in range(300):
            try:
                link = links.enter_context(_opened(bench, 1.0))
                link.sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
                slow.append(link)
                counts["opened"] += 1
            except OSError:
                counts["refused"] += 1
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            for link in slow:
                with suppress(OSError):
                    link.sendall(b"a")
            time.sleep(1)
        served = bool(page_text(f"http://127.0.0.1:{bench.page_port}/healthz"))
        counts["others served meanwhile"] += served
    return counts


def huge_headers(bench: Besieged, seconds: float) -> Counter[str]:
    """A header of 2 MB, ten thousand headers, an address of 1 MB, a cookie of 500 kB."""
    requests = (
        _get("/", "X-Long: " + "a" * 2_000_000), _get("/", *("X-Many: 1",) * 10_000), _get("/" + "a" * 1_000_000),
        _get("/", "Cookie: session=" + "A" * 500_000), _get("/?" + "a=1&" * 100_000),
    )  # fmt: skip
    return _tried(bench, seconds, requests * 3)


def huge_bodies(bench: Besieged, seconds: float) -> Counter[str]:
    """Bodies of 50 MB, said and unsaid; a length of 2 GB; ten thousand fields."""
    ask = f"/bench/{NAME}/request"
    pieces = [b"x" * 1_000_000] * 50
    form = "Content-Type: application/x-www-form-urlencoded"
    requests: list[bytes | list[bytes]] = [
        [_get(ask, "Content-Length: 50000000", form, method="POST"), *pieces],
        [_get(ask, "Content-Length: 2000000000", form, method="POST"), *pieces],
        [
            _get(ask, "Transfer-Encoding: chunked", form, method="POST"),
            *(b"F4240\r\n" + each + b"\r\n" for each in pieces),
        ],
        _get(ask, "Content-Length: 60000", form, method="POST", body=b"a=1&" * 15_000),
        _get(ask, "Content-Length: 10", form, method="POST", body=b"short"),
    ]
    return _tried(bench, 10 * seconds, requests)


def other_files(bench: Besieged, seconds: float) -> Counter[str]:
    """Addresses that would lead out of the pages' folder, were they paths."""
    up = (
        "../" * 8,
        "..%2f" * 8,
        "%2e%2e/" * 8,
        "..%252f" * 8,
        "..\\" * 8,
        "....//" * 8,
        "%c0%ae%c0%ae/" * 8,
        "/" * 8,
    )
    ends = (
        "etc/passwd",
        "bench.db",
        "people.db",
        "dashboard/app.py",
        "proc/self/environ",
        "etc/passwd%00.css",
    )
    paths = [
        f"{start}{step}{end}"
        for start in ("/static/", "/", "/units/", "/bench/")
        for step in up
        for end in ends
    ]
    return _tried(bench, 3 * seconds, (_get(path) for path in paths))


def bad_messages(bench: Besieged, seconds: float) -> Counter[str]:
    """Bad chunks, two lengths, bad lengths, no HTTP, zero bytes, a request hidden in another's body."""
    post = f"POST /bench/{NAME}/request HTTP/1.1\r\nHost: bench\r\n".encode()
    chunked = b"Transfer-Encoding: chunked\r\n\r\n"
    requests = (
        post + chunked + b"zz\r\nhello\r\n0\r\n\r\n",
        post + chunked + b"-5\r\nhello\r\n0\r\n\r\n",
        post + chunked + b"ffffffffffffffffff\r\nhello\r\n",
        post + chunked + b"5\r\nhelloworld\r\n0\r\n\r\n",
        post + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /units HTTP/1.1\r\n\r\n",
        post + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello!",
        post + b"Content-Length: -1\r\n\r\n",
        post + b"Content-Length: 1e3\r\n\r\n",
        post + b"Transfer-Encoding: gzip, chunked, identity\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"BREW / HTTP/1.1\r\nHost: bench\r\n\r\n",
        b"GET  /  HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\nHost: bench\n\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),
        bytes(1000) + b"\r\n\r\n",
        b"GET /\x00 HTTP/1.1\r\nHost: b\x00\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: bench\r\nX: a\r\n b\r\nBad Header : x\r\n\r\n",
        b"\xff" * 5000 + b"\r\n\r\n",
    )
    return _tried(bench, 10 * seconds, requests)


def many_streams(bench: Besieged, seconds: float) -> Counter[str]:
    """Two thousand streams of news, as many as can be had at a time; none of them is ever read."""
    counts: Counter[str] = Counter()
    with ExitStack() as links:
        end_s, open_links = time.monotonic() + 2 * seconds, []
        for _ in range(2000):
            if time.monotonic() > end_s:
                break
            try:
                link = links.enter_context(_opened(bench, 0.5))
                link.sendall(STREAM)
                status = _status(link.recv(64))
            except OSError:
                status = "not taken"
            counts[status] += 1
            if status == "200":
                open_links.append(link)
            else:
                link.close()
        counts["open at a time"] = len(open_links)
        time.sleep(min(seconds, 5))
        counts["others served meanwhile"] += bool(page_text(f"http://127.0.0.1:{bench.page_port}/healthz"))
    time.sleep(2)
    return counts


def in_one_breath(bench: Besieged, seconds: float) -> Counter[str]:
    """A thousand requests at once on one connection, of which no answer is read."""
    with suppress(OSError), _opened(bench) as link:
        link.sendall(f"GET /bench/{NAME} HTTP/1.1\r\nHost: bench\r\n\r\n".encode() * 1000)
        time.sleep(min(seconds, 5))
    return Counter({"sent": 1000})


def without_a_name(bench: Besieged, seconds: float) -> Counter[str]:
    """Requests to the station by somebody who has not signed in, with no token, a bad one, a forged cookie."""
    asks = b"request=sign-in+technician%3DEVIL&verb=lamp-test&csrf_token=x"
    form = ("Content-Type: application/x-www-form-urlencoded", f"Content-Length: {len(asks)}")
    json = b'{"verb": "sign-in", "technician": "EVIL"}'
    body = ("Content-Type: application/json", f"Content-Length: {len(json)}")
    forged = "Cookie: session=eyJfdXNlcl9pZCI6IlMtOSJ9.aaaaaa.AAAAAAAAAAAAAAAAAAAAAAAAAAA"
    requests = [
        _get(f"/bench/{NAME}/request", *form, method="POST", body=asks),
        _get(f"/bench/{NAME}/request", *form, forged, method="POST", body=asks),
        _get(
            f"/bench/{NAME}/request",
            *form,
            "X-Forwarded-For: 127.0.0.1",
            "Origin: http://evil",
            method="POST",
            body=asks,
        ),
        _get(f"/api/v1/stations/{NAME}/requests", *body, method="POST", body=json),
        _get(
            f"/api/v1/stations/{NAME}/requests", *body, "Authorization: Bearer AAAA", method="POST", body=json
        ),
        _get(
            f"/api/v1/stations/{NAME}/requests",
            *body,
            "Authorization: Basic UzotOTo=",
            method="POST",
            body=json,
        ),
        _get("/api/v1/events", "Authorization: Bearer " + "A" * 60_000),
    ]
    counts = _tried(bench, 3 * seconds, requests * 10)
    assert not counts["200"], f"somebody without a name was served: {counts}"
    return counts


ATTACKS = (
    Attack("slow headers", slow_headers),
    Attack("huge headers", huge_headers),
    Attack("huge bodies", huge_bodies),
    Attack("other files", other_files),
    Attack("bad messages", bad_messages),
    Attack("many streams", many_streams),
    Attack("a thousand in one breath", in_one_breath),
    Attack("without a name", without_a_name),
)

if __name__ == "__main__":
    from siege import main

    raise SystemExit(main(__doc__, "hostile-http", ATTACKS))
