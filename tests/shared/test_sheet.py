"""The process sheet: the default one row by row, and what a wrong one is told.

The default's numbers are common practice, no source.
"""

import re
from pathlib import Path

import pytest

from shared.problems import InputError
from shared.sheet import Sheet, Step, default_sheet, load_sheet, parse_sheet

HEAD = 'name = "s"\nversion = "1"\n'
STEP = '[[step]]\nkey = "one"\ntitle = "First"\n'
HEAT = 'kind = "heat"\nsetpoint_c = 100\ntolerance_c = 5\n'


def test_default_sheet_equals_the_trade_table_when_read() -> None:
    """Thirteen steps, their kinds, setpoints, times, solvent and order: common practice, no source."""
    shown = [
        (step.key, step.kind, step.setpoint_c, step.tolerance_c, step.soak_min, step.solvent,
         step.open_time_min, step.cure_h, step.after, step.needs_extraction)
        for step in default_sheet().step
    ]  # fmt: skip
    assert shown == [
        ("intake", "inspect", None, None, None, "never", None, None, (), False),
        ("frame-off", "heat", 100, 5, 5, "hot", None, None, (), False),
        ("separate", "heat", 100, 5, None, "never", None, None, (), False),
        ("check-1", "inspect", None, None, None, "never", None, None, (), False),
        ("strip", "heat", 100, 5, None, "hot", None, None, (), False),
        ("clean", "other", None, None, None, "cold", None, None, (), False),
        ("laminate", "other", None, None, None, "never", None, None, (), False),
        ("debubble", "other", None, None, None, "never", None, None, (), False),
        ("check-2", "inspect", None, None, None, "never", None, None, (), False),
        ("solder", "solder", None, None, None, "never", None, None, (), True),
        ("bond", "bond", None, None, None, "never", 5, None, (), False),
        ("cure", "cure", None, None, None, "never", None, 24, ("bond",), False),
        ("check-3", "inspect", None, None, None, "never", None, None, ("cure",), False),
    ]


def test_default_sheet_names_the_alloy_when_soldering() -> None:
    """The solder step's title carries the melting point of tin-lead eutectic, 183 °C (common practice)."""
    step = default_sheet().find("solder")
    assert step is not None
    assert "183 °C" in step.title


def test_sheet_label_joins_name_and_version_when_recorded() -> None:
    """Name and version together are what each start of the station records."""
    assert parse_sheet(HEAD + STEP + 'kind = "other"\n', "s.toml").label == "s 1"


def test_find_gives_none_when_no_step_has_the_key() -> None:
    """An unknown key finds nothing; a known one finds its step."""
    sheet = default_sheet()
    assert (sheet.find("polish"), sheet.find("clean")) == (None, sheet.step[5])


@pytest.mark.parametrize(("minutes", "soak_ms"), [(None, 0), (5, 300_000), (0.5, 30_000), (1 / 3, 20_000)])
def test_soak_is_whole_milliseconds_when_asked_for(minutes: float | None, soak_ms: int) -> None:
    """Soak minutes become whole milliseconds; without a soak there is none."""
    assert Step(key="a", title="t", kind="heat", soak_min=minutes).soak_ms == soak_ms


@pytest.mark.parametrize("kind", ["inspect", "heat", "bond", "cure", "other"])
def test_step_needs_extraction_when_its_sheet_says_so(kind: str) -> None:
    """Any kind of step may ask for proven extraction, and does not by default."""
    body = {
        "heat": HEAT,
        "bond": 'kind = "bond"\nopen_time_min = 5\n',
        "cure": 'kind = "cure"\ncure_h = 1\n',
    }.get(kind, f'kind = "{kind}"\n')
    needs = [
        parse_sheet(HEAD + STEP + body + line, "s.toml").step[0].needs_extraction
        for line in ("", "extraction = true\n", "extraction = false\n")
    ]
    assert needs == [False, True, False]


@pytest.mark.parametrize("line", ["", "extraction = true\n"])
def test_solder_step_needs_extraction_whatever_the_sheet_leaves_out(line: str) -> None:
    """A solder step needs proven extraction with or without the key."""
    assert parse_sheet(HEAD + STEP + 'kind = "solder"\n' + line, "s.toml").step[0].needs_extraction


WRONG = {
    "solder without extraction": (
        HEAD + STEP + 'kind = "solder"\nextraction = false\n',
        ["step 1 (one)", "extraction is False", "leave the key out"],
    ),
    "solvent beside an iron": (
        HEAD + STEP + 'kind = "solder"\nsolvent = "cold"\n',
        ["step 1 (one)", "solvent is 'cold'", "'never'"],
    ),
    "key twice": (
        HEAD + 2 * (STEP + 'kind = "other"\n'),
        ["step 2 (one)", "key is 'one'", "its own key"],
    ),
    "after nothing": (
        HEAD + STEP + 'kind = "other"\nafter = ["zero"]\n',
        ["step 1 (one)", "after is 'zero'", "no step of this sheet", "name an earlier step"],
    ),
    "after itself": (
        HEAD + STEP + 'kind = "other"\nafter = ["one"]\n',
        ["step 1 (one)", "after is 'one'", "name an earlier step"],
    ),
    "after a later step": (
        HEAD + STEP + 'kind = "other"\nafter = ["two"]\n' + STEP.replace("one", "two") + 'kind = "other"\n',
        ["step 1 (one)", "after is 'two'", "comes later", "name an earlier step"],
    ),
    "heat without setpoint": (
        HEAD + STEP + 'kind = "heat"\ntolerance_c = 5\n',
        ["step 1 (one)", "setpoint_c is missing", "a heat step needs it"],
    ),
    "heat without tolerance": (
        HEAD + STEP + 'kind = "heat"\nsetpoint_c = 100\n',
        ["step 1 (one)", "tolerance_c is missing", "a heat step needs it"],
    ),
    "bond without open time": (HEAD + STEP + 'kind = "bond"\n', ["step 1 (one)", "open_time_min is missing"]),
    "cure without hours": (HEAD + STEP + 'kind = "cure"\n', ["step 1 (one)", "cure_h is missing"]),
    "soak on an inspection": (
        HEAD + STEP + 'kind = "inspect"\nsoak_min = 3\n',
        ["step 1 (one)", "soak_min is 3", "only a heat step has it"],
    ),
    "open time on a heat step": (
        HEAD + STEP + HEAT + "open_time_min = 5\n",
        ["step 1 (one)", "open_time_min is 5", "only a bond step has it"],
    ),
    "cure on a bond": (
        HEAD + STEP + 'kind = "bond"\nopen_time_min = 5\ncure_h = 24\n',
        ["step 1 (one)", "cure_h is 24", "only a cure step has it"],
    ),
    "soak longer than the longest": (
        HEAD + STEP + HEAT + "soak_min = 10\nmax_min = 10\n",
        ["step 1 (one)", "max_min is 10", "not longer than soak_min 10"],
    ),
    "setpoint too hot": (
        HEAD + STEP + HEAT.replace("100", "126"),
        ["setpoint_c is 126, not a number from 20 to 125"],
    ),
    "setpoint too cold": (
        HEAD + STEP + HEAT.replace("100", "19.5"),
        ["setpoint_c is 19.5, not a number from 20 to 125"],
    ),
    "setpoint not a number": (
        HEAD + STEP + HEAT.replace("100", "nan"),
        ["setpoint_c is nan, not a number from 20 to 125"],
    ),
    "setpoint without end": (
        HEAD + STEP + HEAT.replace("100", "inf"),
        ["setpoint_c is inf, not a number from 20 to 125"],
    ),
    "setpoint as text": (
        HEAD + STEP + HEAT.replace("100", '"hot"'),
        ["setpoint_c is 'hot'", "not a number from 20 to 125"],
    ),
    "tolerance nought": (
        HEAD + STEP + HEAT.replace("5", "0"),
        ["tolerance_c is 0, not a number from 0.5 to 20"],
    ),
    "soak nought": (HEAD + STEP + HEAT + "soak_min = 0\n", ["soak_min is 0, not a number above 0"]),
    "cure too long": (HEAD + STEP + 'kind = "cure"\ncure_h = 337\n', ["cure_h is 337", "at most 336"]),
    "key with a space": (
        HEAD + STEP.replace("one", "o n e") + 'kind = "other"\n',
        ["key is 'o n e'", "1 to 40 of letters"],
    ),
    "title empty": (
        HEAD + STEP.replace("First", "") + 'kind = "other"\n',
        ["title is '', not text in quotes of 1 to"],
    ),
    "extraction as text": (
        HEAD + STEP + 'kind = "other"\nextraction = "no"\n',
        ["extraction is 'no'", "not true or false"],
    ),
    "after as text": (
        HEAD + STEP + 'kind = "other"\nafter = "zero"\n',
        ["after is 'zero', not a list in square brackets"],
    ),
    "unknown key": (HEAD + STEP + 'kind = "other"\ncolour = 1\n', ["step 1: 'colour' is not known here"]),
    "no kind": (HEAD + STEP, ["step", "'kind' is missing"]),
    "no name": ('version = "1"\n' + STEP + 'kind = "other"\n', ["'name' is missing"]),
    "version as number": (
        'name = "s"\nversion = 1\n' + STEP + 'kind = "other"\n',
        ["version is 1", "not text in quotes"],
    ),
    "no steps": (HEAD, ["'step' is missing"]),
    "steps empty": (
        HEAD + "step = []\n",
        ["step is an empty list, not a list in square brackets that is not empty"],
    ),
    "steps a number": (HEAD + "step = 3\n", ["step is 3, not a list in square brackets"]),
    "not TOML": (HEAD + "[[step]]\nkey one\n", ["line 4"]),
    "key set twice": (HEAD + STEP + 'key = "two"\n', ["overwrite"]),
}


@pytest.mark.parametrize(("text", "parts"), WRONG.values(), ids=WRONG.keys())
def test_sheet_is_refused_naming_the_place_when_it_is_wrong(text: str, parts: list[str]) -> None:
    """The message names the file, the step or line, the key, the value and what would be right."""
    with pytest.raises(InputError) as refused:
        parse_sheet(text, "bench/s.toml")
    message = str(refused.value)
    assert message.startswith("bench/s.toml: ")
    assert [part for part in parts if part not in message] == []


@pytest.mark.parametrize(
    ("body", "right"),
    [
        ('kind = "weld"\n', ["inspect", "heat", "solder", "bond", "cure", "other"]),
        ('kind = "other"\nsolvent = "warm"\n', ["never", "cold", "hot"]),
    ],
)
def test_sheet_message_lists_the_choices_when_a_word_is_none_of_them(body: str, right: list[str]) -> None:
    """What would be right stands in the message: all the words to choose from."""
    with pytest.raises(InputError) as refused:
        parse_sheet(HEAD + STEP + body, "s.toml")
    assert [word for word in right if word not in str(refused.value)] == []


@pytest.mark.parametrize("line", ["name", "key"])
def test_sheet_is_refused_when_a_name_ends_in_a_line_end(line: str) -> None:
    """A name or key with a line end is no identifier."""
    text = re.sub(rf'{line} = "(\w+)"', rf'{line} = "\1\\n"', HEAD + STEP + 'kind = "other"\n')
    assert "\\n" in text
    with pytest.raises(InputError, match=line):
        parse_sheet(text, "s.toml")


def test_sheet_is_refused_when_its_arrays_are_nested_without_end() -> None:
    """A file made to exhaust the reader is wrong input like any other."""
    with pytest.raises(InputError, match=r"s\.toml"):
        parse_sheet("a = " + "[" * 5000, "s.toml")


def test_load_sheet_reads_what_parse_sheet_reads_when_given_a_file(tmp_path: Path) -> None:
    """A sheet from a file is the sheet of its text."""
    text = HEAD + STEP + HEAT
    path = tmp_path / "s.toml"
    path.write_text(text, "utf-8")
    assert load_sheet(path) == parse_sheet(text, path)
    assert isinstance(load_sheet(path), Sheet)


def test_load_sheet_is_refused_naming_the_file_when_it_cannot_be_read(tmp_path: Path) -> None:
    """A missing file, a folder and a file that is not UTF-8 are named."""
    foreign = tmp_path / "latin.toml"
    foreign.write_bytes(b'name = "caf\xe9"\n')
    for path in (tmp_path / "none.toml", tmp_path, foreign):
        with pytest.raises(InputError, match=re.escape(f"{path}: cannot be read")):
            load_sheet(path)
