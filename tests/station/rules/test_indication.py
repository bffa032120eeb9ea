"""Light and sound: IEC 60073 meanings, flash rates, and a light that is never all dark.

Colours: IEC 60204-1 / IEC 60073 as secondary pages restate them. Flash bands: slow 0.4 to 0.8 Hz, normal 1.4
to 2.8 Hz (IEC 60073 as one secondary page restates it).
"""

import itertools

import pytest

from shared.indication import Indication, Lamp, Sound
from shared.timeline import Moment
from station.rules.alarms import ASIDE
from station.rules.causes import BY_ALARM
from station.rules.indication import HURRY, indicate, levels
from station.rules.state import AlarmLife, Life

NOW = Moment("b", 0)
ONE_OF = {
    "critical": "plate-over-limit",
    "high": "plate-sensor-fault",
    "medium": "plate-high",
    "low": "link-down",
}


def show(
    alarms=(),
    permit=False,
    held=False,
    hurry=False,
    silenced=(),
    refused=False,
    bottle_away=True,
    resumable=None,
):
    """What is shown with these alarms, by priority and state."""
    lives = {ONE_OF[priority]: AlarmLife(state, NOW) for priority, state in alarms}
    return indicate(
        lives, permit=permit, bottle_away=bottle_away, held=held, hurry=hurry,
        resumable=held if resumable is None else resumable, refused=refused,
        silenced=frozenset(ONE_OF.get(what, what) for what in silenced),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("alarms", "permit", "expected"),
    [
        pytest.param([], True, Indication(green=Lamp.STEADY), id="ready for the iron"),
        pytest.param([], False, Indication(amber=Lamp.STEADY), id="iron locked"),
        pytest.param(
            [("critical", Life.UNACKNOWLEDGED)], False,
            Indication(red=Lamp.FAST, blue=Lamp.SLOW, sound=Sound.CRITICAL), id="critical, new",
        ),
        pytest.param(
            [("critical", Life.ACKNOWLEDGED)], False, Indication(red=Lamp.STEADY), id="critical, seen",
        ),
        pytest.param(
            [("critical", Life.LATCHED_ACKNOWLEDGED)], False,
            Indication(red=Lamp.STEADY, blue=Lamp.STEADY), id="critical, latched, to reset",
        ),
        pytest.param(
            [("high", Life.UNACKNOWLEDGED)], False,
            Indication(amber=Lamp.FAST, blue=Lamp.SLOW, sound=Sound.HIGH), id="high, new",
        ),
        pytest.param(
            [("medium", Life.UNACKNOWLEDGED)], True,
            Indication(amber=Lamp.SLOW, blue=Lamp.SLOW, sound=Sound.MEDIUM), id="medium, new",
        ),
        pytest.param(
            [("low", Life.RETURNED)], True, Indication(amber=Lamp.SLOW, blue=Lamp.SLOW), id="gone, not seen",
        ),
        pytest.param([("low", Life.SHELVED)], True, Indication(green=Lamp.STEADY), id="put aside"),
        pytest.param(
            [("critical", Life.ACKNOWLEDGED), ("low", Life.UNACKNOWLEDGED)], False,
            Indication(red=Lamp.STEADY, amber=Lamp.SLOW, blue=Lamp.SLOW, sound=Sound.LOW), id="two at once",
        ),
    ],
)  # fmt: skip
def test_light_says_what_stands(alarms, permit, expected):
    """Red for critical, amber for the rest or a locked iron, green for ready, blue for something to do."""
    assert show(alarms, permit) == expected


def test_a_held_step_asks_for_the_technician():
    """Held and nothing to acknowledge: amber, and blue steady: go on with resume; never green."""
    assert show(held=True, permit=True) == Indication(amber=Lamp.STEADY, blue=Lamp.STEADY)


def test_a_held_step_whose_cause_still_stands_asks_for_no_resume():
    """It would be refused; what is wrong is told by the alarm's own lamp."""
    seen = [("critical", Life.ACKNOWLEDGED)]
    assert show(seen, held=True, resumable=False) == Indication(red=Lamp.STEADY)


def test_the_warning_of_an_open_time_is_not_hidden_by_a_lesser_alarm():
    """A low alarm beeps every 20 s; the adhesive cannot wait for that. Silence stops the warning too."""
    low = [("low", Life.UNACKNOWLEDGED)]
    assert show(low, hurry=True).sound is Sound.MEDIUM
    assert show([("high", Life.UNACKNOWLEDGED)], hurry=True).sound is Sound.HIGH
    assert show(low, hurry=True, silenced=[HURRY]).sound is Sound.LOW
    assert show(hurry=True, silenced=[HURRY]).sound is Sound.NONE
    assert show(hurry=True, refused=True).sound is Sound.REFUSED


def test_with_the_bottle_out_the_light_is_amber_though_the_iron_has_power():
    """Nobody may start to solder then, and green would say so."""
    assert show(permit=True, bottle_away=False) == Indication(amber=Lamp.STEADY)


def test_silence_stops_the_sound_and_nothing_else():
    """The light goes on flashing; a silenced alarm leaves the sound to the next louder one."""
    loud, quiet = [("high", Life.UNACKNOWLEDGED)], show([("high", Life.UNACKNOWLEDGED)], silenced=["high"])
    assert (quiet.amber, quiet.blue, quiet.sound) == (show(loud).amber, show(loud).blue, Sound.NONE)
    both = show([("high", Life.UNACKNOWLEDGED), ("low", Life.UNACKNOWLEDGED)], silenced=["high"])
    assert both.sound is Sound.LOW


def test_a_refusal_is_heard_unless_an_alarm_sounds():
    """The short refusal never covers an alarm."""
    assert show(refused=True).sound is Sound.REFUSED
    assert show([("low", Life.UNACKNOWLEDGED)], refused=True).sound is Sound.LOW


STATES = [state for state in Life if state is not Life.NORMAL]


def test_light_is_never_all_dark():
    """Whatever stands, some lamp is lit or flashing: all dark can only mean do not trust the station."""
    for permit, held, warning in itertools.product((False, True), repeat=3):
        for states in itertools.product([None, *STATES], repeat=4):
            alarms = [(name, state) for name, state in zip(ONE_OF, states, strict=True) if state]
            shown = show(alarms, permit, held, warning)
            assert {shown.red, shown.amber, shown.green, shown.blue} != {Lamp.OFF}


def test_green_never_shines_beside_a_standing_alarm_or_a_locked_iron():
    """Green is for: the iron may be used and nothing stands."""
    for state in STATES:
        for priority in ONE_OF:
            if state not in ASIDE:
                assert show([(priority, state)], permit=True).green is Lamp.OFF
    assert show([], permit=False).green is Lamp.OFF


def cycles_per_minute(lamp, step_ms=10):
    """Counted over ten minutes of a red lamp driven every 10 ms."""
    lit = [
        levels(Indication(red=lamp), ms, permit=False, heartbeat=False).red
        for ms in range(0, 600_000, step_ms)
    ]
    return sum(1 for one, two in itertools.pairwise(lit) if two and not one) / 10


def test_flash_rates_are_inside_the_standards_bands():
    """Slow 24 to 48 a minute, fast 84 to 168 a minute, at least 2.5 apart, never over 3 Hz (WCAG 2.3.1)."""
    slow, fast = cycles_per_minute(Lamp.SLOW), cycles_per_minute(Lamp.FAST)
    assert 24 <= slow <= 48
    assert 84 <= fast <= 168 < 180
    assert fast / slow >= 2.5


@pytest.mark.parametrize("sound", [sound for sound in Sound if sound is not Sound.NONE])
def test_every_sound_is_told_apart_by_its_pattern(sound):
    """Each sound has an on-off pattern of its own on the grid of the tick, and none is continuous."""

    def pattern(which):
        shown = Indication(sound=which)
        return tuple(levels(shown, ms, permit=False, heartbeat=False).buzzer for ms in range(0, 60_000, 100))

    own = pattern(sound)
    assert any(own)
    assert not all(own)
    assert all(pattern(other) != own for other in Sound if other is not sound)


def test_the_louder_priority_sounds_the_greater_share_of_time():
    """Critical sounds more than high, high more than medium, medium more than low."""

    def share(which):
        shown = Indication(sound=which)
        return sum(levels(shown, ms, permit=False, heartbeat=False).buzzer for ms in range(0, 60_000, 100))

    shares = [share(sound) for sound in (Sound.CRITICAL, Sound.HIGH, Sound.MEDIUM, Sound.LOW)]
    assert shares == sorted(shares, reverse=True)
    assert len(set(shares)) == 4


def test_every_alarm_has_words_for_the_technician():
    """A title and an action for each row, in sentences."""
    for cause in BY_ALARM.values():
        assert cause.title
        assert cause.action.endswith(".")


def test_a_lamp_test_lights_every_lamp_and_sounds():
    """All four steady and a sound of its own, whatever alarm stands acknowledged."""
    shown = show_test([("high", Life.ACKNOWLEDGED)])
    assert {shown.red, shown.amber, shown.green, shown.blue} == {Lamp.STEADY}
    assert shown.sound is Sound.TEST


def test_an_alarm_that_nobody_has_seen_ends_a_lamp_test():
    """What the light has to say is more than a test."""
    assert show_test([("critical", Life.UNACKNOWLEDGED)]).red is Lamp.FAST


def show_test(alarms):
    """What is shown while lamps are tested."""
    lives = {ONE_OF[priority]: AlarmLife(state, NOW) for priority, state in alarms}
    return indicate(
        lives, permit=False, bottle_away=True, held=False, resumable=False, hurry=False,
        silenced=frozenset(), refused=False, lamp_test=True,
    )  # fmt: skip


LAMPS = ("red", "amber", "green", "blue")


@pytest.mark.parametrize("name", LAMPS)
@pytest.mark.parametrize(
    ("lamp", "lit_ms", "dark_ms"),
    [
        (Lamp.STEADY, (0, 250, 833, 1_666, 10_001), ()),
        (Lamp.OFF, (), (0, 250, 833, 1_666, 10_001)),
        (Lamp.SLOW, (0, 700, 832, 1_667, 2_499), (833, 1_666, 2_500, 3_333)),
        (Lamp.FAST, (0, 100, 249, 500, 749), (250, 499, 750, 999)),
    ],
)
def test_lamp_is_lit_for_the_first_half_of_its_period(name, lamp, lit_ms, dark_ms):
    """0.6 Hz and 2 Hz; the lamps beside it stay dark, and without a sound the buzzer is still."""
    for at_ms in (*lit_ms, *dark_ms):
        driven = levels(Indication(**{name: lamp}), at_ms, permit=False, heartbeat=False)
        assert [getattr(driven, other) for other in LAMPS] == [
            other == name and at_ms in lit_ms for other in LAMPS
        ]
        assert driven.buzzer is False


@pytest.mark.parametrize(
    ("sound", "on_ms", "off_ms"),
    [
        (Sound.NONE, (), (0, 100, 400)),
        (Sound.CRITICAL, (0, 199, 400), (200, 399)),
        (Sound.HIGH, (0, 199, 400, 599, 1_500), (200, 399, 600, 1_499)),
        (Sound.MEDIUM, (0, 299, 3_000), (300, 2_999)),
        (Sound.LOW, (0, 199, 20_000), (200, 19_999)),
        (Sound.TEST, (0, 499, 1_000), (500, 999)),
        (Sound.REFUSED, (0, 99, 200, 299, 400, 499, 600), (100, 199, 300, 399, 500, 599)),
    ],
)
def test_buzzer_follows_the_pattern_of_its_sound(sound, on_ms, off_ms):
    """To the millisecond."""
    for at_ms in (*on_ms, *off_ms):
        driven = levels(Indication(sound=sound), at_ms, permit=False, heartbeat=False)
        assert driven.buzzer is (at_ms in on_ms), at_ms


def test_permit_and_heartbeat_go_to_their_pins():
    """And to no other."""
    for permit in (False, True):
        for heartbeat in (False, True):
            driven = levels(Indication(), 0, permit=permit, heartbeat=heartbeat)
            assert (driven.permit, driven.heartbeat) == (permit, heartbeat)
            assert not any(getattr(driven, lamp) for lamp in LAMPS)
