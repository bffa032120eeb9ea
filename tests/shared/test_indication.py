"""What lamps, sounds and output levels say by default."""

import msgspec
import pytest

from shared.indication import SAFE, Indication, Lamp, Levels, Sound


def test_levels_are_all_off_when_nothing_is_said() -> None:
    """The default level of every output is the de-energised one: no permit, no heartbeat, no light."""
    assert set(msgspec.to_builtins(SAFE).values()) == {False}
    assert SAFE == Levels()


def test_indication_is_dark_and_silent_when_nothing_is_said() -> None:
    """Without a word from the rules no lamp is lit and nothing sounds."""
    assert msgspec.to_builtins(Indication()) == {
        "red": "off", "amber": "off", "green": "off", "blue": "off", "sound": "none",
    }  # fmt: skip


@pytest.mark.parametrize("lamp", Lamp)
@pytest.mark.parametrize("sound", Sound)
def test_indication_comes_back_when_sent_as_json(lamp: Lamp, sound: Sound) -> None:
    """Pages read back every lamp and sound as it was sent."""
    shown = Indication(red=lamp, blue=lamp, sound=sound)
    assert msgspec.json.decode(msgspec.json.encode(shown), type=Indication) == shown
