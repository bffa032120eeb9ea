"""The bench's page, printed from states made by hand."""

import re

import pytest

from shared.events import AlarmRaised, UnitTaken
from shared.indication import Indication, Lamp, Sound
from shared.messages import ExtractionState, PlateState, VapourState
from shared.readings import ExtractionQuality, PlateQuality

BAD_PLATE = [quality for quality in PlateQuality if quality is not PlateQuality.GOOD]
BAD_EXTRACTION = [quality for quality in ExtractionQuality if quality is not ExtractionQuality.GOOD]


def no_plate(quality, plate_c=None):
    """A plate without a believable number."""
    return PlateState(
        plate_c=plate_c,
        quality=quality,
        cold_junction_c=27.0,
        setpoint_c=100.0,
        tolerance_c=5.0,
        at_setpoint=False,
    )


def test_page_shows_the_bench_at_work(bench, page):
    """A normal state is printed with its numbers, clocks and words."""
    bench.say()
    parts = page()
    assert re.fullmatch(r"At work Warm through and lift the frame bench-1 As of \d\d:\d\d:40", parts["band"])
    assert "98.4 °C" in parts["plate"]
    assert "Setpoint 100 °C ± 5 °C" in parts["plate"]
    assert "Inside the band" in parts["plate"]
    assert "Proven for 4 min 12 s" in parts["air"]
    assert "0.42 A" in parts["air"]
    assert "In its cradle" in parts["bottle"]
    assert "U-1001 6.1-inch-oled" in parts["hand"]
    assert "Running: Warm through and lift the frame" in parts["hand"]
    assert "Soak 2:12 of 5:00" in parts["hand"]
    assert "Since the start 6:40" in parts["hand"]
    assert "May be used" in parts["iron"]
    assert parts["alarms"] == "Alarms None."
    assert "Nothing is locked." in parts["locks"]
    assert "green, lit" in parts["light"]


@pytest.mark.parametrize("quality", BAD_PLATE)
def test_plate_shows_words_instead_of_a_number_when_quality_is_bad(bench, page, quality):
    """Without a believable reading there is a dash and a sentence, and no pointer on the ladder."""
    bench.say(plate=no_plate(quality.value))
    text = page()["plate"].split("Setpoint")[0]
    assert text.startswith("Plate – ")
    assert len(text) > len("Plate – ") + 10
    assert "°C" not in text


def test_plate_shows_no_number_when_a_bad_quality_carries_one(bench, page, client):
    """A number beside a bad quality is not printed anywhere on the page."""
    bench.say(plate=no_plate("frozen", plate_c=71.3))
    assert "71.3" not in client.get("/bench/bench-1").text
    assert 'class="pointer"' not in client.get("/bench/bench-1").text
    assert page()["plate"].startswith("Plate – ")


def test_plate_shows_no_zero_when_the_number_is_missing_though_good(bench, page):
    """A state that breaks its own law is not believed."""
    bench.say(plate=no_plate("good"))
    assert page()["plate"].startswith("Plate – There is no reading yet.")


def test_plate_at_zero_degrees_is_a_number(bench, page):
    """Zero is shown when it was measured."""
    plate = PlateState(
        plate_c=0.0, quality="good", cold_junction_c=0.1, setpoint_c=None, tolerance_c=None, at_setpoint=False
    )
    bench.say(plate=plate)
    assert page()["plate"].startswith("Plate 0.0 °C")
    assert "No setpoint" in page()["plate"]


@pytest.mark.parametrize("quality", BAD_EXTRACTION)
def test_extraction_shows_words_instead_of_a_current_when_quality_is_bad(bench, page, quality):
    """Without a believable current there is a dash and a sentence."""
    bench.say(
        extraction=ExtractionState(extraction_a=None, quality=quality.value, proven=False, since_s=20.0)
    )
    text = page()["air"]
    assert text.startswith("Extraction Not proven for 20 s – ")
    assert " A drawn" not in text


def test_bottle_unreadable_is_not_called_in_its_cradle(bench, page):
    """An unknown cradle counts as an open bottle."""
    bench.say(solvent_out=None)
    assert page()["bottle"].startswith("Solvent bottle Cannot be read Treat the bottle as open")


def test_held_step_says_why(bench, make, page):
    """A held step is named as held with its reasons in sentences."""
    bench.say(
        step=make.step(held=True, held_by=["plate-sensor-fault"], resume_refusals=["plate-sensor-fault"]),
        indication=Indication(blue=Lamp.SLOW, green=Lamp.STEADY),
    )
    parts = page()
    assert "Held: Warm through" in parts["hand"]
    assert "The plate sensor gives no believable reading." in parts["hand"]
    assert parts["band"].startswith("Held Warm through and lift the frame. The plate sensor")


def test_held_step_says_when_it_may_go_on(bench, make, page):
    """With nothing left against it, the page says what to do."""
    bench.say(step=make.step(held=True, held_by=["plate-sensor-fault"]))
    assert "Nothing stands against it any more: resume it." in page()["hand"]


def test_open_time_overrun_is_said_in_words(bench, make, page):
    """An adhesive open too long is marked by more than a colour."""
    step = make.step(kind="bond", soak_s=None, soak_due_s=None, open_s=310.0, open_due_s=300.0)
    bench.say(step=step)
    assert "Open time 5:10 of 5:00: too long" in page()["hand"]


def test_cure_over_is_said_in_words(bench, make, page):
    """A finished cure is said to be done."""
    step = make.step(kind="cure", soak_s=None, soak_due_s=None, cure_s=86_400.0, cure_due_s=86_400.0)
    bench.say(step=step)
    assert "Cure 24:00:00 of 24:00:00: done" in page()["hand"]


def test_alarm_shows_priority_state_and_what_to_do(bench, make, page, client):
    """An unacknowledged critical alarm makes the band say stop and is listed in full."""
    bench.say(alarms=[make.alarm()], indication=Indication(red=Lamp.FAST, sound=Sound.CRITICAL), permit=False)
    parts = page()
    assert parts["band"].startswith("Stop Extraction lost during a step")
    assert parts["alarms"] == (
        "Alarms critical Extraction lost during a step Stop soldering. Switch the extractor on. "
        "New, nobody has acknowledged it, for 12 s Acknowledge: seen Acknowledge all: seen Buzzer off"
    )
    assert "red, flashes fast" in parts["light"]
    assert "The buzzer sounds: critical" in parts["light"]
    assert 'class="alarm priority-critical unseen"' in client.get("/bench/bench-1").text


def test_alarms_are_listed_most_urgent_first(bench, make, page):
    """Priority orders the list, whatever order the state has."""
    raised = [("low", "L"), ("critical", "C"), ("high", "H")]
    bench.say(alarms=[make.alarm(priority=priority, title=title) for priority, title in raised])
    text = page()["alarms"]
    assert text.index("critical C") < text.index("high H") < text.index("low L")
    assert page()["band"].startswith("Stop C (and 2 more)")


def test_locked_iron_without_an_alarm_is_said_in_the_band(bench, make, page):
    """Amber for the locked iron alone is not called an alarm."""
    locked = [make.lock("iron-power", "Iron power", "extraction-not-proven")]
    bench.say(permit=False, locked=locked, step=None, indication=Indication(amber=Lamp.STEADY))
    assert page()["band"].startswith("Iron locked Extraction is not proven.")


def test_open_time_running_out_is_said_in_the_band(bench, make, page):
    """Amber before an open time ends says what is running out."""
    step = make.step(kind="bond", open_s=250.0, open_due_s=300.0)
    bench.say(step=step, indication=Indication(amber=Lamp.SLOW))
    assert page()["band"].startswith("Hurry The open time is running out: 4:10 of 5:00")


def test_critical_alarm_outweighs_a_green_light(bench, make, page):
    """The band is never calmer than the alarms, even if the light were wrong."""
    bench.say(alarms=[make.alarm(state="acknowledged")], indication=Indication(green=Lamp.STEADY))
    assert page()["band"].startswith("Stop")


def test_dark_light_says_not_to_trust_the_station(bench, page):
    """No lamp at all is not shown as ready."""
    bench.say(indication=Indication())
    assert page()["band"].startswith("Dark No lamp is lit: do not trust the station.")


def test_locks_are_listed_with_every_reason(bench, make, page):
    """Each locked thing has all its reasons as sentences; the iron's first stands by the iron too."""
    bench.say(
        permit=False,
        locked=[
            make.lock("iron-power", "Iron power", "extraction-not-proven", "critical-alarm"),
            make.lock("solder", "Solder the flex", "step-order"),
        ],
    )
    parts = page()
    for sentence in ("Extraction is not proven.", "A critical alarm stands."):
        assert sentence in parts["locks"]
    assert "Extraction is not proven." in parts["iron"]
    assert "And 1 more, among what is locked." in parts["iron"]
    assert "Solder the flex A step that must come before has not passed yet." in parts["locks"]
    assert "Locked: no power" in parts["iron"]


def test_hostile_names_are_escaped(bench, client, make):
    """No text of a state or an event becomes markup."""
    nasty = '<img src=x onerror="alert(1)">'
    bench.say(
        unit=nasty,
        model=nasty,
        technician=nasty,
        on_plate=nasty,
        step=make.step(title=nasty),
        locked=[make.lock("x", nasty, nasty)],
        alarms=[make.alarm(title=nasty, text=nasty, priority=nasty)],
    )
    bench.tell(UnitTaken(unit=nasty))
    text = client.get("/bench/bench-1").text
    assert "<img" not in text
    assert text.count("&lt;img src=x onerror=&#34;alert(1)&#34;&gt;") >= 7


def test_events_are_listed_newest_first_and_no_more_than_twelve(bench, page):
    """The list holds the last twelve events in plain words."""
    bench.say()
    for number in range(20):
        bench.tell(UnitTaken(unit=f"U-{number:02d}"))
    bench.tell(AlarmRaised(alarm="solvent-left-out", priority="low"), wall_ms=None)
    text = page()["lately"]
    assert re.findall(r"U-(\d\d)", text) == [f"{number:02d}" for number in range(19, 8, -1)]
    assert text.startswith("Lately time unknown Alarm (low): solvent left out")


def test_silent_station_is_shown_as_lost_without_numbers(bench, clock, page, make):
    """After three seconds of silence every live value is a dash or a word, and only history stays."""
    bench.tell(UnitTaken(unit="U-1001"))
    bench.say(alarms=[make.alarm()])
    clock.now_s += 3.01
    parts = page()
    assert parts["band"].startswith("Lost Nothing from bench-1 for more than 2.5 s.")
    assert parts["plate"].startswith("Plate – No reading while the station is not heard")
    for name in ("plate", "air", "bottle", "hand", "iron", "alarms", "locks"):
        printed = parts[name].replace("0 20 40 60 80 100 120 140 160", "")
        assert not re.search(r"\d", printed), name
    assert "not known" in parts["light"]
    assert "Not known" in parts["alarms"]
    assert "U-1001" in parts["lately"]


def test_station_is_still_live_within_two_and_a_half_seconds(bench, clock, page):
    """Exactly two and a half seconds of silence are not a loss yet."""
    bench.say()
    clock.now_s += 2.5
    assert page()["band"].startswith("At work")


def test_offline_station_is_shown_as_off_with_its_reason(bench, page, clock):
    """A last will takes effect at once, and a new state afterwards lifts it."""
    bench.say()
    bench.status(online=False, reason="lost power")
    assert page()["band"].startswith("Off bench-1 has stopped (lost power). Nothing watches the bench.")
    assert "98.4" not in page()["plate"]
    clock.now_s += 1.0
    bench.say()
    assert page()["band"].startswith("At work")


def test_retained_state_is_not_shown_as_live(bench, page):
    """A state the broker had kept says nothing about now, until a fresh one follows."""
    bench.say(retained=True)
    assert page()["band"].startswith("Lost")
    assert "98.4" not in page()["plate"]
    bench.say()
    assert "98.4" in page()["plate"]


def test_page_of_an_unheard_station_waits(page):
    """A page opened before its station speaks says so."""
    assert page()["band"].startswith("Unheard bench-1 has not been heard yet.")


def test_page_says_when_the_broker_is_away(bench, board, clock, page):
    """When messages cannot arrive the page blames itself, not the station."""
    bench.say()
    board.connected = False
    clock.now_s += 4.0
    assert page()["band"].startswith("Lost These pages are cut off from bench-1.")


def test_cautions_stand_on_every_page(client, bench):
    """The footer says what this is not, on the list and on a bench's page."""
    for path in ("/", "/bench/bench-1"):
        text = client.get(path).text
        for words in (
            "not a safety-rated device",
            "over-temperature cut-out",
            "gas detector",
            "fire precautions",
            "competent person",
            "Solvent near heat is dangerous",
            "Local codes and licensed practice",
        ):
            assert words in text, (path, words)


def test_page_works_without_scripts(client, bench):
    """The page refreshes itself where scripts do not run, and holds no script or style of its own."""
    bench.say()
    text = client.get("/bench/bench-1").text
    assert '<noscript><meta http-equiv="refresh"' in text
    assert not re.search(r"<script(?![^>]* src=)|<style|\sstyle=|\son\w+=|https?://", text)


def test_plate_on_its_way_says_when_it_and_the_panel_are_ready(bench, make, page):
    """Time to go in minutes and seconds; the panel is called an estimate; the reading says how sure it is."""
    bench.say(
        plate=PlateState(
            plate_c=60.0,
            quality="good",
            cold_junction_c=25.0,
            setpoint_c=100.0,
            tolerance_c=5.0,
            at_setpoint=False,
            uncertainty_c=3.1,
            panel_c=41.7,
            panel_at_setpoint=False,
            ready_plate_s=70.0,
            ready_panel_s=130.0,
        )
    )
    plate = page()["plate"]
    assert "Plate ready in 1:10" in plate
    assert "Panel about 42 °C (estimate): ready in 2:10" in plate
    assert "Reading ± 3.1 °C (k = 2)" in plate


def test_step_that_asks_for_more_than_the_reading_is_sure_of_says_so(bench, make, page):
    """A warning, not a refusal."""
    bench.say(step=make.step(warnings=["tolerance-below-uncertainty"]))
    assert "The step asks for more than the plate reading is sure of." in page()["hand"]


def test_vapour_is_shown_as_an_estimate_with_what_it_rests_on(bench, page):
    """Share of the limit, what was breathed beside its limits, and that nothing measures it."""
    vapour = VapourState(
        solvent="isopropyl-alcohol", ppm=840.0, lel_share=0.042, short_term_ppm=38.4,
        short_term_limit_ppm=500, long_term_ppm=2.1, long_term_limit_ppm=400, watched_s=600, dose_ml=0.5,
        assumes="all that is drawn goes into the air of 50 L",
    )  # fmt: skip
    bench.say(vapour=vapour)
    text = page()["bottle"]
    assert "Vapour about 4% of the explosive limit (estimate)" in text
    assert "Breathed about 38 ppm over 15 min (limit 500), 2 over 8 h (limit 400)" in text
    assert "No measurement: all that is drawn goes into the air of 50 L. Reckoned for 10 min 00 s." in text


@pytest.mark.parametrize(("out", "word"), [(True, "Bottle out"), (None, "Look")])
def test_page_never_says_that_the_iron_may_be_used_while_the_bottle_is_not_put_back(bench, page, out, word):
    """The station's light is amber then, though the iron has power: band and iron say what to do first."""
    bench.say(solvent_out=out, permit=True, step=None, indication=Indication(amber=Lamp.STEADY))
    parts = page()
    assert parts["band"].startswith(f"{word} Do not solder.")
    assert parts["iron"].startswith("Iron Do not use it")
    assert "May be used" not in parts["iron"]
    bench.say(solvent_out=False, permit=True, indication=Indication(green=Lamp.STEADY))
    assert page()["iron"] == "Iron May be used"


def test_a_lamp_test_is_not_taken_for_danger(bench, page, make):
    """All lamps are lit for a test: the band says so, unless a critical alarm stands."""
    lit = Indication(
        red=Lamp.STEADY, amber=Lamp.STEADY, green=Lamp.STEADY, blue=Lamp.STEADY, sound=Sound.TEST
    )
    bench.say(indication=lit)
    assert page()["band"].startswith("Test Every lamp and the buzzer are being tried")
