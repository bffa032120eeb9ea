"""What the events of an alarm's life carry: values, reasons, whose doing, which unit and step."""

import pytest
from hand_bench import HandBench

from shared import events
from shared.readings import (
    ExtractionQuality,
    ExtractionReading,
    Health,
    PlateQuality,
    PlateReading,
    Reading,
)
from shared.timeline import Moment
from station.rules.alarms import Input
from station.rules.causes import BY_ALARM, CAUSES
from station.rules.state import AlarmLife, Durable, Life, PlateWatch, Run, State, Unit, Watch
from station.rules.tick import Tick
from station.rules.turn import turn
from station.rules.vapour import Air, Breathed, VapourWatch

AT = Moment("boot-1", 60_000)
GOOD_PLATE = PlateReading(quality=PlateQuality.GOOD, word=1, plate_c=98.0, cold_junction_c=24.0)
NO_CURRENT = ExtractionReading(quality=ExtractionQuality.CLIPPED)
HEALTH = Health(journal_ok=False, journal_fault="disk-full", link_ok=False, link_fault="not-authorised")

# A unit in hand, soldered at, while another lies on the plate.
AT_WORK = Durable(
    technician="T-1",
    in_hand="U-1",
    on_plate="U-2",
    units={"U-1": Unit("m", run=Run("solder", 1, AT)), "U-2": Unit("m")},
)


def tick_of(
    plate: PlateWatch | None = None,
    extraction: ExtractionReading = NO_CURRENT,
    durable: Durable | None = None,
    vapour: VapourWatch | None = None,
) -> Tick:
    """A tick with these wires; nothing read and nobody there where nothing is said."""
    watch = Watch(plate=plate or PlateWatch(), vapour=vapour or VapourWatch())
    reading = Reading(plate=GOOD_PLATE, extraction=extraction, solvent_out=False, health=HEALTH)
    return Tick(HandBench().book, State(durable or Durable(), watch), reading, AT)


def raised(tick: Tick, alarm: str, reason: str = "") -> events.AlarmRaised:
    """The event of the alarm's being raised, and nothing beside it."""
    assert turn(tick, BY_ALARM[alarm], Input.RAISE, reason=reason)
    (body,) = tick.events
    assert isinstance(body, events.AlarmRaised)
    return body


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.alarm)
def test_an_alarm_is_raised_with_its_priority_unit_step_and_technician(cause):
    """Whoever reads the record knows what was at work; a spent heat budget is of the unit on the plate."""
    body = raised(tick_of(durable=AT_WORK), cause.alarm)
    unit = "U-2" if cause.alarm == "heat-budget-spent" else "U-1"
    assert (body.alarm, body.priority) == (cause.alarm, cause.priority)
    assert (body.unit, body.step, body.technician) == (unit, "solder", "T-1")


def test_an_alarm_at_an_empty_bench_names_nobody_and_nothing():
    """No unit, no step, no technician, no reason, and no value of what could not be read."""
    assert raised(tick_of(), "plate-left-hot") == events.AlarmRaised(alarm="plate-left-hot", priority="low")


@pytest.mark.parametrize(
    ("plate_c", "extraction_a", "values"),
    [
        (131.23456, 0.4198765, {"plate_c": 131.23, "extraction_a": 0.42}),
        (131.2378, 0.4194321, {"plate_c": 131.24, "extraction_a": 0.419}),
        (131.23456, None, {"plate_c": 131.23}),
        (None, 0.4194321, {"extraction_a": 0.419}),
        (0.0, 0.0, {"plate_c": 0.0, "extraction_a": 0.0}),
        (None, None, {}),
    ],
)
def test_an_alarm_carries_plate_and_current_as_they_were(plate_c, extraction_a, values):
    """Hundredths of a degree (the chip's step is 0.25 °C) and milliamperes; what was not read is left out."""
    extraction = NO_CURRENT
    if extraction_a is not None:
        extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=extraction_a)
    body = raised(tick_of(PlateWatch(plate_c=plate_c), extraction), "plate-over-limit")
    assert body.values == values


@pytest.mark.parametrize(
    ("alarm", "why"),
    [
        ("plate-sensor-fault", "short-to-ground"),
        ("extraction-sensor-fault", "clipped"),
        ("journal-failing", "disk-full"),
        ("link-down", "not-authorised"),
        ("plate-left-hot", None),
        ("extraction-lost", None),
        ("plate-not-heating", None),
        ("clock-untrusted", None),
    ],
)
def test_a_fault_is_told_with_what_is_wrong(alarm, why):
    """The sensor's or the helper's own word for it; other alarms have none."""
    tick = tick_of(PlateWatch(quality=PlateQuality.SHORT_TO_GROUND))
    assert raised(tick, alarm).reason == why


def test_a_reason_that_is_given_goes_before_the_one_found():
    """Who raises it knows best."""
    tick = tick_of(PlateWatch(quality=PlateQuality.SHORT_TO_GROUND))
    assert (
        raised(tick, "plate-sensor-fault", reason="acknowledged-for-long").reason == "acknowledged-for-long"
    )


@pytest.mark.parametrize(
    ("alarm", "plate_c", "junction_c", "why"),
    [
        ("plate-not-heating", 24.0, 24.0, "pinned-to-cold-junction"),
        ("plate-not-heating", 26.0, 24.0, "pinned-to-cold-junction"),
        ("plate-not-heating", 22.0, 24.0, "pinned-to-cold-junction"),
        ("plate-not-heating", 26.25, 24.0, None),
        ("plate-not-heating", 21.75, 24.0, None),
        ("plate-not-heating", None, 24.0, None),
        ("plate-not-heating", 24.0, None, None),
        ("plate-not-heating", None, None, None),
        ("plate-left-hot", 51.0, 50.0, None),
    ],
)
def test_a_plate_that_does_not_heat_and_reads_as_its_junction_may_be_shorted(alarm, plate_c, junction_c, why):
    """Within 2 °C, the MAX31855's tolerance at room temperature by its data sheet; edges included."""
    tick = tick_of(PlateWatch(plate_c=plate_c, cold_junction_c=junction_c))
    assert raised(tick, alarm).reason == why


@pytest.mark.parametrize(
    ("alarm", "values"),
    [
        ("vapour-high", {"vapour_lel_percent": 12.3}),
        ("vapour-critical", {"vapour_lel_percent": 12.3}),
        ("exposure-short-term", {"short_term_ppm": 421}),
        ("solvent-near-heat", {}),
        ("link-down", {}),
    ],
)
def test_alarms_about_vapour_carry_the_estimate(alarm, values):
    """Isopropyl alcohol explodes from 2 % by volume (IEC 60079-20-1): 2,468 of 20,000 ppm are 12.34 %.

    The mean of a quarter of an hour in which 378,540 ppm·s were breathed is 420.6 ppm.
    """
    vapour = VapourWatch(air=Air(vapour_ppm=2468.0), breathed=Breathed(minutes=(378_000.0, 540.0)))
    body = raised(tick_of(vapour=vapour), alarm)
    assert body.values == values
    assert all(isinstance(value, int) for key, value in body.values.items() if key == "short_term_ppm")


@pytest.mark.parametrize(
    ("alarm", "state", "happening", "told"),
    [
        (
            "link-down",
            Life.UNACKNOWLEDGED,
            Input.ACK,
            [events.AlarmAcknowledged(alarm="link-down", technician="T-1")],
        ),
        (
            "link-down",
            Life.RETURNED,
            Input.ACK,
            [
                events.AlarmAcknowledged(alarm="link-down", technician="T-1"),
                events.AlarmClosed(alarm="link-down"),
            ],
        ),
        ("link-down", Life.UNACKNOWLEDGED, Input.RETURN, [events.AlarmReturned(alarm="link-down")]),
        (
            "plate-over-limit",
            Life.UNACKNOWLEDGED,
            Input.RETURN,
            [events.AlarmReturned(alarm="plate-over-limit", latched=True)],
        ),
        (
            "link-down",
            Life.UNACKNOWLEDGED,
            Input.SHELVE,
            [events.AlarmShelved(alarm="link-down", minutes=30.0, reason="router", technician="T-1")],
        ),
        (
            "link-down",
            Life.SHELVED,
            Input.UNSHELVE,
            [events.AlarmUnshelved(alarm="link-down", reason="router", technician="T-1")],
        ),
        (
            "vapour-high",
            Life.UNACKNOWLEDGED,
            Input.SUPPRESS,
            [events.AlarmSuppressed(alarm="vapour-high", reason="router")],
        ),
        (
            "vapour-high",
            Life.SUPPRESSED,
            Input.UNSUPPRESS,
            [events.AlarmUnsuppressed(alarm="vapour-high")],
        ),
        (
            "link-down",
            Life.SHELVED,
            Input.TAKE_OUT,
            [
                events.AlarmUnshelved(alarm="link-down", reason="router", technician="T-1"),
                events.AlarmOutOfService(alarm="link-down", by="S-1", reason="router", technician="T-1"),
            ],
        ),
        (
            "link-down",
            Life.OUT_OF_SERVICE,
            Input.PUT_BACK,
            [events.AlarmInService(alarm="link-down", by="S-1", technician="T-1")],
        ),
    ],
)
def test_each_turn_of_an_alarm_tells_who_and_why(alarm, state, happening, told):
    """The whole event, as the table of transitions names it: the bench's own moves carry no technician."""
    durable = Durable(technician="T-1", alarms={alarm: AlarmLife(state, AT)})
    tick = tick_of(durable=durable)
    assert turn(tick, BY_ALARM[alarm], happening, reason="router", minutes=30.0, by="S-1")
    assert tick.events == told


@pytest.mark.parametrize(
    ("state", "happening", "told"),
    [
        (
            Life.NORMAL,
            Input.TAKE_OUT,
            events.AlarmOutOfService(alarm="link-down", by="", reason="replaced"),
        ),
        (Life.OUT_OF_SERVICE, Input.PUT_BACK, events.AlarmInService(alarm="link-down", by="")),
    ],
)
def test_where_nobody_authorised_it_the_record_names_nobody(state, happening, told):
    """An empty name, never one made up."""
    alarms = {} if state is Life.NORMAL else {"link-down": AlarmLife(state, AT)}
    tick = tick_of(durable=Durable(alarms=alarms))
    assert turn(tick, BY_ALARM["link-down"], happening, reason="replaced")
    assert tick.events == [told]


def test_what_means_nothing_in_an_alarms_state_tells_nothing():
    """Nothing to acknowledge: no event, and the state stays."""
    tick = tick_of()
    assert not turn(tick, BY_ALARM["link-down"], Input.ACK)
    assert (tick.events, tick.durable) == ([], Durable())
