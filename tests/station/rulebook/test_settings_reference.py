"""The settings reference: every setting, as the structs have it, and the kept file current."""

from pathlib import Path

import msgspec
import pytest

from shared.problems import InputError
from station.rulebook.settings_reference import reference_rows, render
from station.settings import Settings, load_settings

KEPT = Path(__file__).parents[3] / "deploy" / "settings.md"
ROWS = {row["key"]: row for row in reference_rows()}


def leaves(value, key=""):
    """Keys of everything that can be set, out of the settings as they read back."""
    if isinstance(value, dict):
        return [leaf for name, each in value.items() for leaf in leaves(each, f"{key}.{name}".strip("."))]
    return [key]


def test_kept_reference_is_current():
    """deploy/settings.md is what `benchward settings reference` prints."""
    assert KEPT.read_text("utf-8") == render()


def test_every_setting_is_told_with_its_meaning():
    """What `settings check` reads back stands in the reference, and nothing is left without words."""
    there = set(leaves(msgspec.to_builtins(Settings()))) - {"limits.solvent.properties"}
    assert there <= set(ROWS)
    assert [key for key, row in ROWS.items() if not row["meaning"]] == []
    assert [key for key, row in ROWS.items() if not row["range"]] == []


def test_defaults_are_those_that_are_read():
    """The default printed is the one a file without the key gets."""
    for key in leaves(msgspec.to_builtins(Settings())):
        value = msgspec.to_builtins(Settings())
        for name in key.split("."):
            value = value[name]
        value = list(value) if isinstance(value, tuple) else value
        if key in ROWS:
            printed = ROWS[key]["default"].strip("`")
            assert (None if printed == "–" else msgspec.json.decode(printed)) == value, key


NUMBERS = [key for key, row in ROWS.items() if " to " in row["range"] and "properties" not in key]


@pytest.mark.parametrize("key", NUMBERS)
def test_ranges_are_those_that_are_enforced(key, tmp_path):
    """Just outside either end a file is refused, with the key in the message."""
    low, high = map(float, ROWS[key]["range"].removesuffix(", or left out").split(" to "))
    section, _, name = key.rpartition(".")
    for outside in (low - 1, high + 1):
        file = tmp_path / "s.toml"
        whole = isinstance(msgspec.json.decode(ROWS[key]["default"].strip("`")), int)
        file.write_text(f"[{section}]\n{name} = {int(outside) if whole else outside}\n")
        with pytest.raises(InputError, match=name):
            load_settings(file)
