"""Settings: defaults that suit the simulated bench, ranges, and combinations that are refused.

Pins 7 to 11 are those of the first SPI bus of the 40-pin header: from memory of the BCM2835 manual's table
of alternate functions. Everything else is common practice, no source.
"""

import re
from pathlib import Path

import pytest

from shared.problems import InputError
from station.settings import SPI_PINS, Settings, check_settings, load_settings


def loaded(tmp_path: Path, text: str) -> Settings:
    """Settings of a TOML text."""
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    return load_settings(path)


def refusal(tmp_path: Path, text: str) -> str:
    """What is said of a TOML text that is refused, without the file's folder."""
    with pytest.raises(InputError) as refused:
        loaded(tmp_path, text)
    return str(refused.value).removeprefix(f"{tmp_path}/")


def test_defaults_pass_their_own_checks_when_no_file_is_named() -> None:
    """Without a file the settings are the defaults, and the defaults are good."""
    found = load_settings(None)
    check_settings(found, "defaults")
    assert found == Settings()


def test_empty_file_gives_the_defaults_when_loaded(tmp_path: Path) -> None:
    """A file only says what differs."""
    assert loaded(tmp_path, "") == Settings()


def test_value_is_taken_when_the_file_gives_it(tmp_path: Path) -> None:
    """What the file says stands; what it leaves out keeps its default."""
    found = loaded(tmp_path, '[station]\nid = "bench-7"\n[limits.plate]\nover_limit_c = 120\n')
    assert (found.station.id, found.limits.plate.over_limit_c, found.limits.plate.frozen_s) == (
        "bench-7", 120, 60,
    )  # fmt: skip


def test_spi_pins_are_those_of_the_first_bus_when_listed() -> None:
    """Chip selects, MISO, MOSI and the clock: from memory of the BCM2835 manual."""
    assert set(SPI_PINS) == {7, 8, 9, 10, 11}


CROSS = {
    "a proof that noise would pass": (
        "[limits.extraction]\nproven_a = 0.02\nlost_a = 0.01\n[wires.extraction]\nfloor_a = 0.0\n",
        "limits.extraction.lost_a is 0.01, below three times the noise of its wires (0.00564 A); "
        "a fan that stands still would count as running, and a solder step always needs proven extraction",
    ),
    "an unknown solvent": (
        '[limits.solvent]\nname = "thinner"\n',
        "limits.solvent.name is 'thinner'; choose from 'isopropyl-alcohol', 'acetone', 'ethanol', or",
    ),
    "vapour warned of too late": (
        "[limits.solvent]\nvapour_high_lel = 0.1\nvapour_critical_lel = 0.08\n",
        "limits.solvent.vapour_critical_lel is 0.08, not above vapour_high_lel 0.1",
    ),
    "a vapour alarm that never returns": (
        "[limits.solvent]\nvapour_high_lel = 0.03\nvapour_deadband_lel = 0.04\n",
        "limits.solvent.vapour_deadband_lel is 0.04, not below vapour_high_lel 0.03",
    ),
    "no deadband": (
        "[limits.extraction]\nproven_a = 0.25\nlost_a = 0.25\n",
        "limits.extraction.lost_a is 0.25, not below proven_a 0.25; a proof needs a deadband.",
    ),
    "deadband upside down": (
        "[limits.extraction]\nproven_a = 0.2\nlost_a = 0.3\n",
        "limits.extraction.lost_a is 0.3, not below proven_a 0.2; a proof needs a deadband.",
    ),
    "lost in the noise": (
        "[wires.extraction]\nfloor_a = 0.07\n",
        "limits.extraction.lost_a is 0.18, below three times the noise of its wires (0.07 A); ",
    ),
    "pin on the bus": (
        "[wires.pins]\ncradle = 9\n",
        "wires.pins.cradle is 9, which the SPI bus owns (7 to 11).",
    ),
    "pin taken twice": (
        "[wires.pins]\nbuzzer = 17\n",
        "wires.pins.buzzer is 17, already the pin of cradle.",
    ),
    "chip select taken twice": (
        "[wires.extraction]\nspi_device = 0\n",
        "wires.extraction.spi_device is 0, the same as the plate's; each chip needs its own chip select.",
    ),
}


@pytest.mark.parametrize(("text", "message"), CROSS.values(), ids=CROSS.keys())
def test_settings_are_refused_when_two_of_them_contradict_each_other(
    tmp_path: Path, text: str, message: str
) -> None:
    """The message names the file, the key, its value, and what it collides with."""
    assert refusal(tmp_path, text).startswith(f"bench.toml: {message}")


@pytest.mark.parametrize("pin", sorted(SPI_PINS))
def test_settings_are_refused_when_any_bus_pin_is_given_away(tmp_path: Path, pin: int) -> None:
    """Each of the bus's pins is refused for an output as for an input."""
    for name in ("permit", "acknowledge"):
        assert f"wires.pins.{name} is {pin}, " in refusal(tmp_path, f"[wires.pins]\n{name} = {pin}\n")


def test_settings_are_good_when_limits_are_just_apart(tmp_path: Path) -> None:
    """The edges are allowed: three times the floor exactly, and a small deadband."""
    text = "[limits.extraction]\nproven_a = 0.19\nlost_a = 0.18\n[wires.extraction]\nfloor_a = 0.06\n"
    assert loaded(tmp_path, text).wires.extraction.floor_a == 0.06


RANGES = [
    ("station", "tick_s", 0.01, "from 0.02 "),
    ("station", "tick_s", 1.0, " to 0.2."),
    ("wires.plate", "gain", 0.5, "from 0.9 "),
    ("wires.plate", "offset_c", 20, " to 10."),
    ("wires.plate", "spi_device", 2, " to 1."),
    ("wires.extraction", "channel", 8, " to 7."),
    ("wires.extraction", "supply_v", 12, " to 5.5."),
    ("wires.extraction", "cycles", 0, "from 1 "),
    ("wires.pins", "red", 1, "from 2 "),
    ("wires.pins", "red", 28, " to 27."),
    ("broker", "port", 0, "from 1 "),
    ("broker", "port", 65536, " to 65535."),
    ("journal", "batch_s", 6, " to 5."),
    ("limits.plate", "over_limit_c", 200, " to 180."),
    ("limits.plate", "over_limit_delay_s", -1, "from 0 "),
    ("limits.extraction", "proof_s", 0, "from 1 "),
    ("limits.extraction", "lost_s", 6, " to 2."),
    ("limits.solvent", "hot_plate_c", 90, " to 80."),
    ("limits.alarms", "shelve_max_min", 500, " to 480."),
    ("limits", "gap_s", 11, " to 10."),
    ("limits", "median_of", 0, "from 1 "),
]


@pytest.mark.parametrize(("section", "key", "value", "right"), RANGES)
def test_settings_are_refused_when_a_value_is_out_of_range(
    tmp_path: Path, section: str, key: str, value: float, right: str
) -> None:
    """The message names file, section and key, shows the value and the range's end."""
    message = refusal(tmp_path, f"[{section}]\n{key} = {value}\n")
    assert message.startswith(f"bench.toml: {section}.{key} is {value}, not ")
    assert right in message


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
@pytest.mark.parametrize("key", ["over_limit_c", "range_high_c", "over_limit_delay_s", "frozen_s"])
def test_settings_are_refused_when_a_limit_is_no_number(tmp_path: Path, key: str, value: str) -> None:
    """TOML knows nan and inf; a limit that is one of them would never trip."""
    assert f"limits.plate.{key} is {value}" in refusal(tmp_path, f"[limits.plate]\n{key} = {value}\n")


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("[station]\nid = 7\n", ["station.id is 7, not 1 to 40 of letters"]),
        ("[station]\nid = 'bench 7'\n", ["station.id is 'bench 7'", "1 to 40 of letters"]),
        ("[station]\nname = 'x'\n", ["station: 'name' is not known here"]),
        ("[limts]\n", ["'limts' is not known here", "Did you mean 'limits'?"]),
        ("[wires]\npermit_active_high = 1\n", ["wires.permit_active_high is 1, not true or false"]),
        ("station = 3\n", ["station is 3, not a table of its own"]),
        ("[station\n", ["not valid TOML", "line 1"]),
        ("[station]\n[station]\n", ["not valid TOML", "line 2"]),
    ],
)
def test_settings_are_refused_naming_the_place_when_malformed(
    tmp_path: Path, text: str, parts: list[str]
) -> None:
    """Wrong types, unknown keys and broken TOML are named by key or line."""
    message = refusal(tmp_path, text)
    assert [part for part in ["bench.toml: ", *parts] if part not in message] == []


def test_settings_message_lists_the_choices_when_a_word_is_none_of_them(tmp_path: Path) -> None:
    """What would be right stands in the message."""
    message = refusal(tmp_path, "[station]\nclock = 'guessed'\n")
    assert [word for word in ("clock", "guessed", "synchronised", "trusted") if word not in message] == []


def test_settings_are_refused_naming_the_file_when_it_cannot_be_read(tmp_path: Path) -> None:
    """A missing file, a folder and a file that is not UTF-8 are named."""
    foreign = tmp_path / "latin.toml"
    foreign.write_bytes(b"# caf\xe9\n")
    for path in (tmp_path / "none.toml", tmp_path, foreign):
        with pytest.raises(InputError, match=re.escape(f"{path}: cannot be read")):
            load_settings(path)


def test_digest_is_the_same_when_the_settings_are(tmp_path: Path) -> None:
    """Written in another order, or with defaults spelt out, equal settings have one fingerprint."""
    one = loaded(tmp_path, "[broker]\nport = 1884\n[journal]\nbatch_s = 2\n")
    two = loaded(tmp_path, "[journal]\nbatch_s = 2.0\n[broker]\nhost = '127.0.0.1'\nport = 1884\n")
    assert one.digest() == two.digest()
    assert re.fullmatch("[0-9a-f]{16}", one.digest())


@pytest.mark.parametrize(
    "text",
    [
        "[station]\nid = 'bench-2'\n",
        "[limits.plate]\nover_limit_c = 129.9\n",
        "[wires.pins]\nred = 4\n",
        "[wires]\npermit_active_high = false\n",
    ],
)
def test_digest_differs_when_any_setting_does(tmp_path: Path, text: str) -> None:
    """One changed value is another fingerprint."""
    assert loaded(tmp_path, text).digest() != Settings().digest()


def test_no_setting_switches_off_what_a_solder_step_needs(tmp_path: Path) -> None:
    """There is no such key anywhere, and one that is made up refuses the whole file."""
    for section in ("limits", "limits.extraction", "limits.alarms", "station"):
        text = f"[{section}]\nsolder_needs_extraction = false\n"
        assert "'solder_needs_extraction' is not known here" in refusal(tmp_path, text)
