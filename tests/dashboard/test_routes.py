"""Routes, headers and the limit on streams."""

import json

import pytest

from dashboard.stream import STREAMS_AT_MOST, STREAMS_OF_ONE_ADDRESS


def first_message(response):
    """The first news of a stream: its id and its data."""
    pieces = (piece.decode() for piece in response.response)
    assert next(pieces) == "retry: 2000\nevent: clock\ndata: 1000000\n\n"
    lines = dict(line.split(": ", 1) for line in next(pieces).strip().splitlines())
    return lines["id"], json.loads(lines["data"])


def test_root_goes_straight_to_the_only_bench(client, bench):
    """With one station the front page is that bench."""
    bench.say()
    response = client.get("/")
    assert (response.status_code, response.location) == (302, "/bench/bench-1")


def test_root_lists_several_benches(client, bench, bench_named):
    """With several stations the front page names each with its state."""
    bench.say()
    bench_named("bench-2").status(online=False, reason="stopped")
    text = client.get("/").text
    assert 'href="/bench/bench-1"' in text
    assert 'href="/bench/bench-2"' in text
    assert "At work." in text
    assert "Off." in text


@pytest.mark.parametrize(("connected", "words"), [(True, "The broker answers"), (False, "does not answer")])
def test_root_says_when_no_station_was_heard(client, board, connected, words):
    """Without stations the front page says whether the broker answers."""
    board.connected = connected
    text = client.get("/").text
    assert "No station has been heard yet." in text
    assert words in text


@pytest.mark.parametrize("path", ["/", "/bench/bench-1", "/healthz", "/static/bench.js", "/nowhere"])
def test_security_headers_are_on_every_answer(client, path):
    """Pages, files, health and errors carry the same headers."""
    response = client.get(path)
    policy = response.headers["Content-Security-Policy"]
    response.close()
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert response.headers["X-Frame-Options"] == "DENY"
    assert response.headers["Referrer-Policy"] == "no-referrer"


@pytest.mark.parametrize("path", ["/bench/a%20b", "/bench/" + "x" * 41, "/bench/%3Cb%3E/stream"])
def test_impossible_station_names_are_not_found(client, path):
    """A name no station may have has no page and takes no stream."""
    assert client.get(path).status_code == 404


@pytest.mark.parametrize(("connected", "answer"), [(True, (200, "up")), (False, (503, "down"))])
def test_healthz_says_only_up_or_not(client, board, connected, answer):
    """Health is whether the broker is followed."""
    board.connected = connected
    response = client.get("/healthz")
    assert (response.status_code, response.json) == (answer[0], {"status": answer[1]})


def test_stream_begins_with_every_part(client, bench):
    """The first message carries the whole page, whatever the reader has."""
    bench.say()
    with client.get("/bench/bench-1/stream") as response:
        assert response.mimetype == "text/event-stream"
        assert response.headers["Cache-Control"] == "no-cache"
        assert response.headers["X-Accel-Buffering"] == "no"
        number, news = first_message(response)
    assert number == "1"
    assert news["live"] is True
    assert news["title"] == "At work · bench-1"
    assert sorted(news["parts"]) == sorted(
        "band alarms plate air bottle hand acts trace iron locks light lately".split()
    )


def test_one_stream_too_many_is_refused_and_a_closed_one_makes_room(client, bench):
    """As many as there are places are served; the next is told when to come again."""
    bench.say()

    def opened(number):
        address = f"10.0.0.{number // STREAMS_OF_ONE_ADDRESS}"
        return client.get("/bench/bench-1/stream", environ_base={"REMOTE_ADDR": address})

    streams = [opened(number) for number in range(STREAMS_AT_MOST)]
    assert [stream.status_code for stream in streams] == [200] * STREAMS_AT_MOST
    refused = opened(16 * STREAMS_OF_ONE_ADDRESS)
    assert refused.status_code == 503
    assert int(refused.headers["Retry-After"]) > 0
    streams.pop().close()
    again = opened(16 * STREAMS_OF_ONE_ADDRESS)
    assert again.status_code == 200
    for stream in (*streams, again):
        stream.close()


def test_no_address_takes_the_places_of_all(client, bench):
    """One address has its share and no more; another still gets in."""
    bench.say()
    streams = [client.get("/bench/bench-1/stream") for _ in range(STREAMS_OF_ONE_ADDRESS + 1)]
    assert [stream.status_code for stream in streams] == [200] * STREAMS_OF_ONE_ADDRESS + [503]
    streams.append(client.get("/bench/bench-1/stream", environ_base={"REMOTE_ADDR": "10.0.0.9"}))
    assert streams[-1].status_code == 200
    for stream in streams:
        stream.close()


def test_head_request_keeps_no_place(client, bench):
    """Asking only for a stream's headers must not use a place up."""
    for _ in range(STREAMS_AT_MOST + 1):
        with client.head("/bench/bench-1/stream") as response:
            assert response.status_code == 200
