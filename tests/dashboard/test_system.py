"""The real thing: a Mosquitto broker, the server in a process of its own, and a browser."""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import pytest
from live import Listener, Station, free_port, wait_until
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import expect

from dashboard.board import LOST_AFTER_S
from dashboard.stream import STREAMS_AT_MOST, STREAMS_OF_ONE_ADDRESS
from shared.events import EventRecord, SolventLifted
from shared.indication import Indication, Lamp
from shared.messages import PlateState, Status, cloud_event, encode, topic

pytestmark = pytest.mark.system

STATION = "bench-1"


def wait_for_port(port, process):
    """Until something listens on the port."""
    until_s = time.monotonic() + 15
    while time.monotonic() < until_s:
        assert process.poll() is None, "the program ended"
        with suppress(OSError), closing(socket.create_connection(("127.0.0.1", port), 0.5)):
            return
        time.sleep(0.01)
    pytest.fail(f"nothing listens on {port}")


def end(process, number=signal.SIGTERM):
    """Ends a process and gives its exit code."""
    if process.poll() is None:
        process.send_signal(number)
    try:
        return process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return None


@pytest.fixture
def start_server(tmp_path, broker):
    """Starts the pages' server; gives its process, port and log."""
    with ExitStack() as stack:

        def start(port=None):
            port = port or free_port()
            log_path = tmp_path / f"server-{port}.log"
            log = stack.enter_context(log_path.open("wb"))
            command = [sys.executable, "-W", "error", "-m", "dashboard", "--port", str(port)]
            process = subprocess.Popen(
                [*command, "--broker", f"127.0.0.1:{broker.port}"],
                stdout=log,
                stderr=subprocess.STDOUT,
                cwd=Path(__file__).parents[2],
                env=dict(os.environ, PYTHONUNBUFFERED="1"),
            )
            stack.callback(end, process)
            return process, port, log_path

        yield start


class Publisher:
    """A station's voice."""

    def __init__(self, port, make):
        self.make = make
        self.mono_s = 0.0
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def publish(self, leaf, message, retain=False):
        """Publish and wait until the broker has it."""
        sent = self.client.publish(topic(STATION, leaf), encode(message), qos=1, retain=retain)
        sent.wait_for_publish(5)

    def state(self, **changes):
        """The normal state with changes, some time later."""
        self.mono_s += 0.5
        self.publish("state", self.make.state(mono_s=self.mono_s, **changes), retain=True)

    def close(self):
        """Stop speaking."""
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def station(broker, make):
    """The station's voice on the broker."""
    publisher = Publisher(broker.port, make)
    yield publisher
    publisher.close()


@pytest.fixture
def served(start_server):
    """The address of a server that follows the broker."""
    process, port, _log = start_server()
    wait_for_port(port, process)
    address = f"http://127.0.0.1:{port}"
    until_s = time.monotonic() + 10
    while time.monotonic() < until_s:
        with suppress(OSError), urllib.request.urlopen(f"{address}/healthz", timeout=2) as answer:
            if answer.status == 200:
                return address
        time.sleep(0.05)
    pytest.fail("the server does not follow the broker")


@pytest.fixture
def tab(served, browser):
    """A browser tab that notes every request and every complaint."""
    page = browser.new_page()
    page.complaints, page.asked = [], []
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    yield page
    page.close()


def wait_for_bench(served):
    """Until the server has heard the station: its first page then leads to it."""
    until_s = time.monotonic() + 10
    while time.monotonic() < until_s:
        with urllib.request.urlopen(f"{served}/", timeout=2) as answer:
            if answer.url.endswith(f"/bench/{STATION}"):
                return
        time.sleep(0.02)
    pytest.fail("the server has not heard the station")


def timed(action, seen):
    """Seconds from the action until the page shows what is expected."""
    begun_s = time.monotonic()
    action()
    seen()
    return time.monotonic() - begun_s


def test_page_follows_the_bench_and_its_loss(station, served, tab, make):
    """A change and a loss come to the page by themselves, without a complaint or a foreign request."""
    station.state()
    wait_for_bench(served)
    tab.goto(f"{served}/")
    word, number = tab.locator(".band .word"), tab.locator(".huge .number")
    expect(word).to_have_text("At work", timeout=3000)
    expect(number).to_have_text("98.4")
    changed = {
        "alarms": [make.alarm()],
        "indication": Indication(red=Lamp.FAST),
        "permit": False,
        "plate": PlateState(
            plate_c=101.26,
            quality="good",
            cold_junction_c=27.0,
            setpoint_c=100.0,
            tolerance_c=5.0,
            at_setpoint=True,
        ),
    }
    took_s = timed(lambda: station.state(**changed), lambda: expect(word).to_have_text("Stop", timeout=3000))
    print(f"\nstate change on the page after {took_s * 1000:.0f} ms")
    assert took_s < 3.0
    expect(number).to_have_text("101.3")
    station.publish("events", _event())
    expect(tab.locator(".lately")).to_contain_text("The solvent bottle left its cradle", timeout=3000)
    lost_s = timed(station.state, lambda: expect(word).to_have_text("Lost", timeout=6000))
    print(f"loss on the page after {lost_s:.2f} s")
    assert 2.0 < lost_s < 6.0
    expect(number).to_have_text("–")
    assert not re.search("101|98", tab.locator("#part-plate").inner_text())
    back_s = timed(station.state, lambda: expect(word).to_have_text("At work", timeout=3000))
    assert back_s < 3.0
    station.publish("status", Status(online=False, reason="stopped by hand"))
    expect(word).to_have_text("Off", timeout=3000)
    assert tab.complaints == []
    assert {url.split("/bench")[0].split("/static")[0].rstrip("/") for url in tab.asked} == {served}


def _event():
    record = EventRecord(seq=1, boot="b1", mono_ms=1000, body=SolventLifted(), prev="0" * 64, hash="1" * 64)
    return cloud_event(STATION, record, None)


WATCH = """() => {
    window.noted = {};
    new MutationObserver(() => {
        const word = document.querySelector(".band .word").textContent;
        const unit = document.querySelector("#part-hand .name").textContent.split(" ")[0].trim();
        const number = document.querySelector(".huge .number").textContent;
        for (const key of [word, unit]) window.noted[key] ??= [Date.now(), number];
    }).observe(document.getElementById("bench"), {subtree: true, childList: true, characterData: true});
}"""


def noted(tab, key, timeout_s=8):
    """When the page first showed it (Unix s), and the plate's number in that moment."""
    tab.wait_for_function("key => window.noted[key] !== undefined", arg=key, timeout=timeout_s * 1000)
    at_ms, number = tab.evaluate("key => window.noted[key]", key)
    return at_ms / 1000, number


def news_took_s(station, tab, turn):
    """Seconds from the publishing of each of twenty changes until the page has it, sorted."""
    took = []
    for number in range(20):
        unit = f"U-{turn}-{number}"
        sent_s = time.time()
        station.state(unit=unit)
        took.append(noted(tab, unit)[0] - sent_s)
        time.sleep(0.3)
    return sorted(took)


def test_page_has_news_within_300_ms_and_tells_a_loss_within_3_s(station, served, tab):
    """Measured in the page itself; another program may take the processor, so each has three tries."""
    station.state()
    wait_for_bench(served)
    tab.goto(f"{served}/bench/{STATION}")
    expect(tab.locator(".huge .number")).to_have_text("98.4", timeout=5000)
    tab.evaluate(WATCH)
    p95_s = []
    for turn in range(3):
        took = news_took_s(station, tab, turn)
        print(f"\nnews in the page: median {took[10] * 1000:.0f} ms, longest {took[-1] * 1000:.0f} ms")
        p95_s.append(took[18])
        if took[18] <= 0.3:
            break
    assert min(p95_s) <= 0.3
    for _ in range(3):
        tab.evaluate("window.noted = {}")
        sent_s = time.time()
        station.state(unit="U-last")
        lost_s, number = noted(tab, "Lost")
        print(f"loss in the page: {lost_s - sent_s:.2f} s after the last state; the plate then: {number}")
        assert number == "–"
        if lost_s - sent_s <= 3.0:
            break
    assert lost_s - sent_s <= 3.0


WATCH_WHO = """() => {
    window.noted = {};
    new MutationObserver(() => {
        for (const [who] of document.getElementById("part-hand").textContent.matchAll(/T-\\d+/g))
            window.noted[who] ??= [Date.now(), ""];
    }).observe(document.getElementById("bench"), {subtree: true, childList: true, characterData: true});
}"""


@pytest.fixture
def real_station(tmp_path, broker):
    """A station with its own rules, journal and link on a simulated bench, in real time; a way to ask it."""
    simulated = Station(tmp_path, broker.port)
    simulated.start()
    listener = Listener(broker.port)
    wait_until(lambda: listener.on("state"), 30, "the station's state")
    yield lambda text: listener.client.publish(topic(STATION, "requests"), text, qos=1)
    listener.close()
    simulated.end()


def test_news_of_a_real_station_are_in_the_page_within_300_ms(real_station, served, tab):
    """From a request sent to its effect in the page: 19 of 20 within 300 ms, all within a second.

    Another program may take the processor for as long as that, so the best of three rounds counts, and one
    change in twenty may take longer. A quiet machine needs half of it: a pause of half a second that creeps
    in on the way is noticed.
    """
    wait_for_bench(served)
    tab.goto(f"{served}/bench/{STATION}")
    tab.evaluate(WATCH_WHO)
    rounds = []
    for turn in range(3):
        took = []
        for number in range(20):
            who = f"T-{1000 + 20 * turn + number}"
            sent_s = time.time()
            real_station(f"sign-in technician={who}")
            took.append(noted(tab, who)[0] - sent_s)
            time.sleep(0.25 + 0.037 * number % 0.2)  # at no fixed phase to the station's or the server's pace
        took.sort()
        print(f"\nnews in the page: median {took[10] * 1000:.0f} ms, p95 {took[18] * 1000:.0f} ms, longest "
              f"{took[-1] * 1000:.0f} ms")  # fmt: skip
        rounds.append((took[18], took[-1]))
        if took[18] <= 0.3 and took[-1] <= 1.0:
            break
    assert any(p95_s <= 0.3 and longest_s <= 1.0 for p95_s, longest_s in rounds), rounds


def test_page_shows_loss_when_the_server_dies(station, start_server, make, browser):
    """When the server itself is gone the page takes its numbers away by itself."""
    process, port, _log = start_server()
    wait_for_port(port, process)
    page = browser.new_page()
    page.goto(f"http://127.0.0.1:{port}/bench/{STATION}")
    station.state()
    expect(page.locator(".huge .number")).to_have_text("98.4", timeout=5000)
    word = page.locator(".band .word")
    took_s = timed(process.kill, lambda: expect(word).to_have_text("Lost", timeout=6000))
    assert took_s < 4.0
    expect(page.locator(".huge .number")).to_have_text("–")
    assert "Lost" in page.title()
    page.close()


def test_page_comes_back_after_the_broker_does(station, broker, served, tab):
    """A broker that goes and comes again takes the page with it, and brings it back."""
    station.state()
    tab.goto(f"{served}/bench/{STATION}")
    word = tab.locator(".band .word")
    broker.end()
    expect(word).to_have_text("Lost", timeout=6000)
    expect(tab.locator(".band .line")).to_contain_text("cut off")
    broker.start()
    until_s = time.monotonic() + 15
    while word.inner_text() != "At work" and time.monotonic() < until_s:
        if station.client.is_connected():
            station.state()
        time.sleep(0.25)
    expect(word).to_have_text("At work", timeout=100)
    assert tab.complaints == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_server_ends_cleanly_with_streams_open(station, start_server, number):
    """A stop signal ends the server within a few seconds with exit code 0, streams or not."""
    process, port, log_path = start_server()
    wait_for_port(port, process)
    with ExitStack() as stack:
        for _ in range(4):
            address = f"http://127.0.0.1:{port}/bench/{STATION}/stream"
            answer = stack.enter_context(urllib.request.urlopen(address, timeout=5))
            assert answer.readline() == b"retry: 2000\n"
        begun_s = time.monotonic()
        assert end(process, number) == 0
        assert time.monotonic() - begun_s < 4.0
    assert "Traceback" not in log_path.read_text()


class Stream:
    """A stream of the bench asked for from an address of the loopback network, read only when told to."""

    def __init__(self, served, source="127.0.0.1", buffer_bytes=None):
        self.socket = socket.socket()
        if buffer_bytes is not None:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
        self.socket.settimeout(10)
        self.socket.bind((source, 0))
        self.socket.connect(("127.0.0.1", int(served.rpartition(":")[2])))
        self.socket.sendall(f"GET /bench/{STATION}/stream HTTP/1.1\r\nHost: x\r\n\r\n".encode())
        self.head = self.socket.recv(512)

    @property
    def status(self):
        """The status of the answer."""
        return int(self.head[9:12])

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.socket.close()


def test_closed_streams_make_room_and_no_address_takes_all(station, served):
    """Four addresses have the places among them; who hangs up frees theirs, though nothing is said."""
    for _ in range(2):
        with ExitStack() as stack:
            for number in range(STREAMS_AT_MOST):
                source = f"127.0.0.{2 + number // STREAMS_OF_ONE_ADDRESS}"
                assert stack.enter_context(Stream(served, source)).status == 200
                if number == STREAMS_OF_ONE_ADDRESS:
                    with Stream(served, "127.0.0.2") as one_more:
                        assert (one_more.status, b"Retry-After" in one_more.head) == (503, True)
            with Stream(served, "127.0.0.9") as stranger:
                assert stranger.status == 503
        time.sleep(2.0)


def wordy(make, number):
    """A state of some twelve kilobytes in which much changes each time."""
    alarms = [make.alarm(alarm=f"a-{at}", title=f"Number {number}", text="x" * 900) for at in range(10)]
    return {"alarms": alarms, "unit": f"U-{number}"}


def test_a_reader_that_stalls_is_told_the_newest_next(station, served, make):
    """For six seconds it takes nothing of thirty-six messages: what had been under way to it is little."""
    station.state()
    wait_for_bench(served)
    with Stream(served, buffer_bytes=4096) as stalled:
        for number in range(36):
            station.state(**wordy(make, number))
            time.sleep(1 / 6)
        read, begun_s = b"", time.monotonic()
        while b"U-35" not in read:
            read += stalled.socket.recv(65536)
        took_s = time.monotonic() - begun_s
    told = len(re.findall(rb"\ndata: {", read))
    print(f"\nafter stalling: {told} of 36 states, {len(read) / 1000:.0f} kB, newest in {took_s:.2f} s")
    assert told < 18
    assert len(read) < 200_000
    assert took_s < 3.0


def test_readers_that_take_nothing_are_hung_up_on(station, served, make):
    """All places of an address are held by readers that stall: others get in, and in time these are freed."""
    station.state()
    wait_for_bench(served)
    with ExitStack() as stack:
        for _ in range(STREAMS_OF_ONE_ADDRESS):
            stack.enter_context(Stream(served, "127.0.0.2", buffer_bytes=2048))
        with Stream(served, "127.0.0.2") as one_more, Stream(served, "127.0.0.3") as other:
            assert (one_more.status, other.status) == (503, 200)
        begun_s, status = time.monotonic(), 503
        while status == 503 and time.monotonic() < begun_s + 60:
            station.state(**wordy(make, round(time.monotonic() * 10)))
            time.sleep(0.3)
            with Stream(served, "127.0.0.2") as again:
                status = again.status
        print(f"\na stalled reader is hung up on after {time.monotonic() - begun_s:.0f} s")
        assert status == 200


class Link:
    """A link to a server that can be made poor: it then carries so many bytes a second towards the page."""

    def __init__(self, port):
        self.bytes_per_s = None
        self.server_port = port
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.taker = threading.Thread(target=self._accept, daemon=True)
        self.taker.start()

    def _accept(self):
        with suppress(OSError):
            while True:
                page, _ = self.listener.accept()
                server = socket.socket()
                server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                server.connect(("127.0.0.1", self.server_port))
                threading.Thread(target=self._carry, args=(page, server, False), daemon=True).start()
                threading.Thread(target=self._carry, args=(server, page, True), daemon=True).start()

    def _carry(self, source, sink, slowly):
        with suppress(OSError):
            while data := source.recv(512):
                sink.sendall(data)
                if slowly and self.bytes_per_s:
                    time.sleep(len(data) / self.bytes_per_s)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self):
        """Take no more."""
        self.listener.shutdown(socket.SHUT_RDWR)
        self.taker.join(5)
        self.listener.close()


def test_a_page_on_a_poor_link_shows_no_old_number_as_live(station, served, tab, make):
    """News at 60 kB/s over 20 kB/s: every number is old when it comes, so the page says Lost until it can."""
    station.state()
    wait_for_bench(served)
    link = Link(int(served.rpartition(":")[2]))
    tab.goto(f"http://127.0.0.1:{link.port}/bench/{STATION}")
    word, number = tab.locator(".band .word"), tab.locator(".huge .number")
    expect(number).to_have_text("98.4", timeout=3000)
    link.bytes_per_s = 20_000
    shown, begun_s = [], time.monotonic()
    while (now_s := time.monotonic() - begun_s) < 30:
        station.state(**wordy(make, f"{now_s:.1f}"))
        unit = re.match(r"U-(\d+\.\d)", tab.locator("#part-hand .name").inner_text())
        if word.inner_text() != "Lost" and unit is not None:
            shown.append(now_s - float(unit[1]))
        time.sleep(0.2)
    lost = word.inner_text()
    print(f"\non a poor link: the oldest shown as of now was {max(shown):.1f} s old; in the end {lost}")
    assert lost == "Lost"
    assert max(shown) < LOST_AFTER_S + 1.0
    link.bytes_per_s = None
    until_s = time.monotonic() + 20
    while word.inner_text() == "Lost" and time.monotonic() < until_s:
        station.state()
        time.sleep(0.2)
    expect(number).to_have_text("98.4", timeout=3000)
    link.close()


def test_taken_port_is_named_and_ends_with_1(start_server):
    """A port in use is reported with what to do."""
    with closing(socket.socket()) as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        process, _, log_path = start_server(port)
        assert process.wait(15) == 1
    text = log_path.read_text()
    assert f"Port {port} on 127.0.0.1 is taken" in text
    assert "--port" in text


class SecondStation:
    """The voice of another bench."""

    def __init__(self, broker, make):
        self.make, self.mono_s = make, 50.0
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def state(self):
        """The normal state, some time later."""
        self.mono_s += 0.5
        state = self.make.state(station="bench-2", mono_s=self.mono_s)
        self.client.publish(topic("bench-2", "state"), encode(state), qos=1, retain=True).wait_for_publish(5)


@pytest.fixture
def second_station(broker, make):
    """Another bench on the same broker."""
    other = SecondStation(broker, make)
    yield other
    other.client.disconnect()
    other.client.loop_stop()


def listed(port, path):
    """The text of a list once both benches are on it."""
    until_s, text = time.monotonic() + 10, ""
    while not ("bench-1" in text and "bench-2" in text) and time.monotonic() < until_s:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
            text = answer.read().decode()
    return text


def chosen(page):
    """Where the link that has the focus leads."""
    return page.evaluate("document.activeElement.getAttribute('href')")


@pytest.mark.parametrize("path", ["/", "/stations"])
def test_a_list_follows_its_benches_and_the_loss_of_its_server(
    path, station, second_station, start_server, browser
):
    """By script: news come, the chosen link stays chosen, nothing old looks live, and all comes back."""
    station.state()
    second_station.state()
    process, port, _log = start_server()
    wait_for_port(port, process)
    listed(port, path)
    page = browser.new_page()
    page.goto(f"http://127.0.0.1:{port}{path}")
    main = page.locator("main")
    page.locator("main a[href='/bench/bench-2']").focus()

    def both_at_work():
        station.state()
        second_station.state()
        time.sleep(0.3)
        return main.inner_text().count("At work") == 2

    wait_for(both_at_work)
    assert chosen(page) == "/bench/bench-2"
    took_s = timed(process.kill, lambda: expect(page).to_have_title(re.compile("Lost"), timeout=8000))
    print(f"\nloss of the server on {path} after {took_s:.1f} s")
    assert 2.0 < took_s < 6.0
    assert main.inner_text().count("Lost") == 2
    assert "At work" not in main.inner_text()
    assert chosen(page) == "/bench/bench-2"
    process.wait(10)
    again, port, _ = start_server(port)
    wait_for_port(port, again)
    wait_for(both_at_work)
    assert "Lost" not in page.title()
    assert chosen(page) == "/bench/bench-2"
    page.close()


def wait_for(true):
    """Until it is true."""
    until_s = time.monotonic() + 15
    while not true():
        assert time.monotonic() < until_s


def test_a_list_is_whole_without_scripts_and_moves_by_none(station, second_station, served):
    """Both benches stand there; nothing tells the browser to load it again."""
    station.state()
    second_station.state()
    for path in ("/", "/stations"):
        text = listed(served.rpartition(":")[2], path)
        assert "bench-1" in text
        assert "bench-2" in text
        assert "http-equiv" not in text
