"""Stations as they are now, and requests to them."""

import pytest

from shared.messages import Answer

ASK = "/stations/bench-1/requests"


def test_state_says_whether_it_is_now(call, clock) -> None:
    """Live while it speaks; silent after three seconds, with its age, and never as if it were now."""
    told = call("/stations/bench-1/state").json
    assert (told["liveness"], told["age_s"], told["state"]["plate"]["plate_c"]) == ("live", 0.0, 98.44)
    clock.now_s += 4.0
    told = call("/stations/bench-1/state").json
    assert (told["liveness"], told["age_s"]) == ("silent", 4.0)


def test_stations_come_in_pages(call, bench_named) -> None:
    """By name, after a name."""
    bench_named("bench-2").say()
    page = call("/stations?limit=1").json
    assert [each["station"] for each in page["items"]] == ["bench-1"]
    page = call(f"/stations?after={page['next_after']}").json
    assert ([each["station"] for each in page["items"]], page["next_after"]) == (["bench-2"], None)


def test_accepted_request_is_answered_with_its_event(call, board) -> None:
    """200 with the seq; the station was asked in the words of a request."""
    body = {"verb": "finish", "step": "check-1", "result": "pass", "note": "two words"}
    answer = call(ASK, "POST", json=body)
    assert (answer.status_code, answer.json) == (200, {"accepted": True, "reasons": [], "seq": 7})
    assert board.asked == [("bench-1", "finish step=check-1 result=pass 'note=two words' by=both")]


def test_a_badge_reader_signs_somebody_in(call, board) -> None:
    """Who takes the bench is told; everything else is recorded by the token's name."""
    call(ASK, "POST", json={"verb": "sign-in", "technician": "T-4"})
    call(ASK, "POST", json={"verb": "ack", "by": "both"})
    assert board.asked == [("bench-1", "sign-in technician=T-4"), ("bench-1", "ack by=both")]


def test_refused_request_tells_every_reason(call, board) -> None:
    """409 with all reasons and the event that records it."""
    board.answer = Answer(accepted=False, reasons=["no-unit", "extraction-not-proven"], seq=9)
    answer = call(ASK, "POST", json={"verb": "start", "step": "solder"})
    assert answer.status_code == 409
    assert (answer.json["reasons"], answer.json["seq"]) == (["no-unit", "extraction-not-proven"], 9)


def test_silent_station_is_a_504(call, board) -> None:
    """No answer: it may have been done."""
    board.answer = None
    answer = call(ASK, "POST", json={"verb": "ack"})
    assert answer.status_code == 504
    assert "may have done it" in answer.json["detail"]


def test_lost_broker_is_a_503_and_asks_nobody(call, board) -> None:
    """Nothing can be asked now; when to try again."""
    board.connected = False
    answer = call(ASK, "POST", json={"verb": "ack"})
    assert (answer.status_code, answer.headers["Retry-After"], board.asked) == (503, "5", [])


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({"data": b"ack", "content_type": "text/plain"}, 415),
        ({"data": b"ack", "content_type": "application/json"}, 422),
        ({"data": b"\xff\xfe", "content_type": "application/json"}, 422),
        ({"data": b"[" * 5000, "content_type": "application/json"}, 422),
        ({"data": b" " * 70_000, "content_type": "application/json"}, 413),
        ({"json": ["ack"]}, 422),
        ({"json": {"verb": "dance"}}, 422),
        ({"json": {"verb": "ack", "alarms": "all"}}, 422),
        (
            {"json": {"verb": "sign-review", "period": "2026-03-02/2026-03-02", "head": "0" * 64, "by": "S"}},
            403,
        ),
        ({"json": {"verb": "ack", "by": "T-4"}}, 403),
        ({"json": {"verb": "shift-check", "by": "both", "verdicts": "lamps=passed"}}, 403),
        ({"json": {"verb": "out-of-service", "alarm": "plate-high", "by": "S", "reason": "x"}}, 403),
    ],
)
def test_request_that_cannot_be_asked_is_refused(call, board, more, status: int) -> None:
    """Each with its own status, and the station hears nothing of it."""
    answer = call(ASK, "POST", **more)
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    assert board.asked == []


@pytest.mark.parametrize("path", ["/stations/bench-9/state", "/stations/a%20b/state"])
def test_unknown_station_is_not_there(call, path: str) -> None:
    """404 for a station nobody heard of."""
    assert call(path).status_code == 404


def test_health_says_up_or_not_and_nothing_else(app, board) -> None:
    """Without a token; 503 while the broker is away."""
    client = app.test_client()
    for path in ("/healthz", "/api/v1/healthz"):
        board.connected = True
        assert (client.get(path).status_code, client.get(path).json) == (200, {"status": "up"})
        board.connected = False
        assert (client.get(path).status_code, client.get(path).json) == (503, {"status": "down"})
