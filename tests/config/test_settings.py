"""Settings: complete when empty, strict, and every fault reported at once in a line of its own."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

import config
from config.bindings import Light
from config.gestures import TWELVE
from config.settings import Settings
from config.sound import Sound
from config.targets import TARGETS
from config.toml.faults import ConfigError, parse_toml, validate
from config.toml.files import read_text
from config.zones import Zone

DEFAULT_FILE = Path(config.__file__).parent / "partiald.toml"


def settings_of(text: str) -> Settings:
    return validate(Settings, parse_toml(text, "mine.toml"), "mine.toml")


def faults_of(text: str) -> list[str]:
    """Return the fault lines of a text, without the name of the file."""
    with pytest.raises(ConfigError) as caught:
        settings_of(text)
    assert all(line.startswith("mine.toml: ") for line in caught.value.faults)
    assert str(caught.value) == "\n".join(caught.value.faults)
    return [line.removeprefix("mine.toml: ") for line in caught.value.faults]


def keys_of(model: type[BaseModel]) -> Iterator[str]:
    """Yield the name of every field of a model and of the models inside it."""
    for name, field in model.model_fields.items():
        yield name
        for inside in models_in(field.annotation):
            yield from keys_of(inside)


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that a field may hold."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_in(part)


def sections() -> Iterator[tuple[str, type[BaseModel]]]:
    """Yield the tables of the settings file by name, the top one first."""
    yield "", Settings
    for name, field in Settings.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield name, field.annotation


def test_an_empty_file_is_a_complete_configuration() -> None:
    assert settings_of("") == Settings()


def test_the_default_file_says_the_defaults() -> None:
    assert settings_of(read_text(DEFAULT_FILE)) == Settings()


def test_the_default_file_mentions_every_field() -> None:
    text = read_text(DEFAULT_FILE)
    keys = list(keys_of(Settings))
    assert "block_frames" in keys
    assert "low" in keys
    for key in keys:
        written = rf"^(# )?{key} = |^(# )?\[{{1,2}}{key}\]{{1,2}}$"
        assert re.search(written, text, re.MULTILINE), key


def test_the_default_files_example_holds_when_its_marks_are_taken_off() -> None:
    head, mark, example = read_text(DEFAULT_FILE).partition("# [[bindings]]")
    uncommented = (mark + example).replace("# ", "")
    more = settings_of(head + uncommented).bindings
    assert more[:-1] == Settings().bindings
    assert more[-1].target == "partial"
    assert more[-1].ends == (-60.0, 6.0)


def test_the_ranges_in_the_default_file_are_those_of_the_fields() -> None:
    remarks = " ".join(read_text(DEFAULT_FILE).replace("\n#", "").split())
    for name, section in sections():
        for key, field in section.model_fields.items():
            low = next((each.ge for each in field.metadata if hasattr(each, "ge")), None)
            high = next((each.le for each in field.metadata if hasattr(each, "le")), None)
            if low is None or high is None:
                continue
            if key == "fixed_velocity":
                low = 1  # 0 is told apart: as played
            assert f"{low:g} to {high:g}" in remarks, f"{name}.{key}"
    for target, row in TARGETS.items():
        _, _, remark = remarks.partition(f'"{target}" ')
        assert f"{row.least:g} to {row.most:g}" in remark.split(' # "')[0], target


def test_a_whole_number_does_where_a_decimal_one_is_meant() -> None:
    assert settings_of("[level]\nvolume_db = -6").level.volume_db == -6.0


def test_settings_cannot_be_changed() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        Settings().polyphony = 3  # type: ignore[misc]


def test_a_byte_order_mark_and_crlf_are_no_faults(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + DEFAULT_FILE.read_bytes().replace(b"\n", b"\r\n"))
    assert settings_of(read_text(path)) == Settings()


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("polyphony = true", "polyphony = true: must be a whole number, not true or false"),
        ('polyphony = "8"', 'polyphony = "8": must be a whole number, not text'),
        ("polyphony = 8.0", "polyphony = 8.0: must be a whole number, not a decimal number"),
        ("polyphony = 0", "polyphony = 0: must be 1 to 256"),
        ("polyphony = 257", "polyphony = 257: must be 1 to 256"),
        ("polyphony = [8]", "polyphony = [ ... ]: must be a whole number, not a list"),
        ("polyphony = {}", "polyphony = {}: must be a whole number, not a table"),
        (
            "polyphony = 07:30:00",
            "polyphony = 07:30:00: must be a whole number, not a date or time",
        ),
        ("audio = 3", "audio = 3: must be a table, not a whole number"),
        ("bindings = 3", "bindings = 3: must be a list in [ ], not a whole number"),
        ("bindings = [3]", "bindings[1] = 3: must be a table, not a whole number"),
        (
            "audio.block_frames = 64.0",
            "audio.block_frames = 64.0: must be a whole number, not a decimal number",
        ),
        (
            "audio.block_frames = 100",
            "audio.block_frames = 100: must be one of 32, 64, 128, 256, 512, 1024",
        ),
        ("level.volume_db = true", "level.volume_db = true: must be a number, not true or false"),
        ("level.volume_db = inf", "level.volume_db = inf: must be a finite number"),
        ("level.volume_db = nan", "level.volume_db = nan: must be a finite number"),
        ("level.volume_db = 12.5", "level.volume_db = 12.5: must be -80 to 12"),
        (
            "controller.name = 25",
            "controller.name = 25: must be text in quotes, not a whole number",
        ),
        ("controller.channels = [1, 17]", "controller.channels[2] = 17: must be 1 to 16"),
        ("sound.name = ''", 'sound.name = "": may not be empty'),
        ("bindings = [{target = 'tilt'}]", "bindings[1].control: must be given"),
        (
            "bindings = [{control = 7, target = 'wah'}]",
            'bindings[1].target = "wah": must be one of ' + ", ".join(map(repr, TARGETS)),
        ),
    ],
)
def test_a_value_of_the_wrong_kind_or_size_is_reported_with_the_rule(text: str, fault: str) -> None:
    assert faults_of(text) == [fault]


def test_too_long_a_list_is_reported() -> None:
    names = ", ".join(["'sine'"] * 129)
    (fault,) = faults_of(f"sound.programs = [{names}]")
    assert fault == "sound.programs = [ ... ]: may have at most 128 items"


@pytest.mark.parametrize("rate", [-1, 1, 22_049, 192_001])
def test_a_rate_that_cannot_be_played_is_reported(rate: int) -> None:
    told = f"audio.sample_rate = {rate}: must be 0, or 22050 to 192000"
    assert faults_of(f"[audio]\nsample_rate = {rate}") == [told]


@pytest.mark.parametrize("rate", [0, 22_050, 48_000, 192_000])
def test_a_rate_that_can_be_played_is_taken(rate: int) -> None:
    assert settings_of(f"[audio]\nsample_rate = {rate}").audio.sample_rate == rate


def test_a_partials_number_goes_with_its_target_alone() -> None:
    assert faults_of("[[bindings]]\ncontrol = 20\ntarget = 'partial'") == [
        'bindings[1].partial = 0: must be 1 to 128 with target = "partial"'
    ]
    assert faults_of("[[bindings]]\ncontrol = 20\ntarget = 'tilt'\npartial = 3") == [
        'bindings[1].partial = 3: must be left out with target = "tilt"'
    ]
    assert faults_of("[[bindings]]\ncontrol = 20\ntarget = 'partial'\npartial = 129") == [
        'bindings[1].partial = 129: must be 1 to 128 with target = "partial"'
    ]


@pytest.mark.parametrize(
    ("target", "low", "high"),
    [
        (
            f"'{name}'" + f"\n{row.which} = {row.many}" * bool(row.which),
            row.least,
            row.most,
        )
        for name, row in TARGETS.items()
    ],
)
def test_the_ends_of_a_knobs_travel_have_the_range_of_their_target(
    target: str, low: float, high: float
) -> None:
    knob = f"[[bindings]]\ncontrol = 20\ntarget = {target}\n"
    assert settings_of(f"{knob}low = {low}\nhigh = {high}").bindings[0].ends == (low, high)
    rule = f'must be {low:g} to {high:g} with target = "{target.split(chr(39))[1]}"'
    assert faults_of(f"{knob}low = {low - 1}\nhigh = {high + 0.5}") == [
        f"bindings[1].low = {low - 1}: {rule}",
        f"bindings[1].high = {high + 0.5}: {rule}",
    ]


@pytest.mark.parametrize(
    ("binding", "fault"),
    [
        ("control = 3", "target: must be given"),
        ("target = 'tilt'\nlow = 'x'", "control: must be given"),
        ("control = 3\ntarget = ['tilt']", "target = [ ... ]: must be one of 'volume', 'tilt', "),
        ("control = 0\ntarget = 'tilt'", "control = 0: must be 1 to 119, or one of 'pitch_bend'"),
        ("control = true\ntarget = 'tilt'", "control = true: must be 1 to 119, or one of "),
        ("control = 'wheel'\ntarget = 'tilt'", 'control = "wheel": must be 1 to 119, or one of '),
        ("control = 3\ntarget = 'partial'\npartial = 3\nhigth = 3", "higth: unknown key; did "),
        ("control = 3\ntarget = 'tilt'\ntilt = 3", "tilt: unknown key"),
    ],
)
def test_a_fault_in_a_binding_has_its_own_place(binding: str, fault: str) -> None:
    assert faults_of(f"[[bindings]]\n{binding}")[0].startswith(f"bindings[1].{fault}")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("polyfony = 8", "polyfony: unknown key; did you mean 'polyphony'?"),
        ("POLYPHONY = 8", "POLYPHONY: unknown key; did you mean 'polyphony'?"),
        ("[levels]", "levels: unknown key; did you mean 'level'?"),
        ("level.volume = 1", "level.volume: unknown key; did you mean 'volume_db'?"),
        (
            "[[bindings]]\ncontrol = 1\ntarget = 'tilt'\n"
            "[[bindings]]\ncontrol = 2\ntarget = 'tilt'\nhigth = 3",
            "bindings[2].higth: unknown key; did you mean 'high'?",
        ),
        ("zzz = 1", "zzz: unknown key"),
        ("level.float = 1", "level.float: unknown key"),
        ('"x[0]" = 1', "x[0]: unknown key"),
        ('"a\\nb" = 1', "a b: unknown key"),
        ('"\\u001b[2J" = 1', "\\x1b[2J: unknown key"),
    ],
)
def test_an_unknown_key_is_reported_with_the_key_it_may_be(text: str, fault: str) -> None:
    assert faults_of(text) == [fault]


def test_every_fault_is_reported_at_once() -> None:
    faults = faults_of(
        "polyphony = 0\nloud = 1\n"
        "[audio]\nsample_rate = 100\nblock_frames = 100\n"
        "[level]\nceiling_db = 3.0\nvolume_db = '0'\n"
        "[[bindings]]\ncontrol = 0\ntarget = 'partial'\n"
        "[[bindings]]\ncontrol = 7\ntarget = 'partial'\n"
    )
    assert sorted(fault.partition(" = ")[0].partition(":")[0] for fault in faults) == [
        "audio.block_frames",
        "audio.sample_rate",
        "bindings[1].control",
        "bindings[2].partial",
        "level.ceiling_db",
        "level.volume_db",
        "loud",
        "polyphony",
    ]


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("name = “Cargo Bike Keys”", '“ is a curly quote; type "'),
        ("name = \u2018Cargo Bike Keys\u2019", "\u2018 is a curly quote; type '"),
        ("name = „Cargo Bike Keys“", '„ is a low quote; type "'),
        ("name = «Cargo»", '« is an angle quote; type "'),
        ("volume_db = \u22126.0", "\u2212 is a typographic minus; type -"),
        ("volume_db = \u20136.0", "\u2013 is a dash; type -"),
        ("volume_db\u00a0= 6.0", "U+00A0 is a no-break space; type a plain space"),
        ("volume_db =\u00a06.0", "U+00A0 is a no-break space; type a plain space"),
        ("volume_db = \u200b6.0", "U+200B is a space without width; delete it"),
    ],
)
def test_a_typographic_character_is_called_by_its_name(line: str, rule: str) -> None:
    (fault,) = faults_of(f"# “Remarks” may have them \u2212\n[controller]\n{line}\n")
    assert fault.startswith(f"line 3: {rule}: {line[:4]}")


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("\n\npolyphony =\n", "line 3: a value is missing after =: polyphony ="),
        ("polyphony = # “none”", "line 1: a value is missing after =: "),
        ("polyphony = 8\npolyphony = 9\n", "line 2: this key is already there: polyphony = 9"),
        ("[level\n", "line 1: expected ']'"),
        ("a = '''\n\n", "line 1: "),
        ("polyphony = 0" + "9" * 5000, "line 1: a number may not begin with 0: "),
        ("polyphony = " + "9" * 5000, "a number in it has too many digits"),
        ("a = " + "[" * 5000, "lists or tables are nested too deeply"),
    ],
)
def test_a_fault_of_syntax_is_reported_with_its_line(text: str, start: str) -> None:
    (fault,) = faults_of(text)
    assert fault.startswith(start)
    assert len(fault) < 120


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("volume_db = -6,5", "a decimal comma; type a point"),
        ("volume_db = -6,5 # loud", "a decimal comma; type a point"),
        ("volume_db = -6 dB", "only a remark after # may follow"),
        ("volume_db = -6;", "only a remark after # may follow"),
        ("volume_db = -6 5", "only a remark after # may follow"),
        ("volume_db = .5 # loud", "there must be a digit on either side of the point"),
        ("volume_db = .loud", "invalid value"),
        ("volume_db = .5", "there must be a digit on either side of the point"),
        ("volume_db = 5.", "there must be a digit on either side of the point"),
        ("volume_db = 06", "a number may not begin with 0"),
        ("volume_db: -6", "there must be = between a key and its value"),
        ("volume_db -6", "there must be = between a key and its value"),
        ("volume_db =", "a value is missing after ="),
        ("write = True", "type true in lower case"),
        ("write = [1, FALSE]", "type false in lower case"),
        ("name = sine", "text needs quotes around it"),
        ('name = "sine', "a quote is missing at the end of the text"),
        ("name = 'sine", "a quote is missing at the end of the text"),
        ('name = "sine”', '” is a curly quote; type "'),
        ("name = 'sine\u2019", "\u2019 is a curly quote; type '"),
        ('name = "C:\\windows"', "\\ is not a plain letter; type \\\\"),
        ('name = "C:\\users"', "\\ is not a plain letter; type \\\\"),
        ("[level]", "this table is already there; put its keys together"),
        ("; mine", "invalid statement"),
    ],
)
def test_a_beginners_mistake_is_answered_with_what_to_type(line: str, rule: str) -> None:
    told = f"line 3: {rule}: {line}"
    assert faults_of(f"[level]\n# “mine”, 1,5\n{line}\n# more\n") == [told]
    assert faults_of(f"[level]\n# “mine”, 1,5\n{line}") == [told]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("volume_db = -6", "volume_db: unknown key here; it belongs under [level]"),
        ("[audio]\nvolume_db = -6", "audio.volume_db: unknown key here; it belongs under [level]"),
        (
            "[[bindings]]\ncontrol = 3\ntarget = 'tilt'\npolyphony = 8",
            "bindings[1].polyphony: unknown key here; it belongs above the first [table]",
        ),
        ("target = 'tilt'", "target: unknown key here; it belongs under [[bindings]]"),
        ("name = 'x'", "name: unknown key here; it belongs under [controller] or under [sound]"),
    ],
)
def test_a_key_in_the_wrong_table_is_reported_with_its_own(text: str, fault: str) -> None:
    assert faults_of(text) == [fault]


def test_a_single_bracket_where_two_are_meant_is_reported() -> None:
    assert faults_of("[bindings]\ncontrol = 3\ntarget = 'tilt'") == [
        "bindings = { ... }: is a list of tables; each begins with [[bindings]], in double brackets"
    ]
    assert faults_of("[controller.channels]") == [
        "controller.channels = {}: must be a list in [ ], not a table"
    ]


def test_a_fault_keeps_to_its_line_whatever_the_file_is_called() -> None:
    with pytest.raises(ConfigError) as caught:
        validate(Settings, {"polyphony": 0}, "my\n\x1b[2J\udcff.toml")
    told = "my\\n\\x1b[2J\\udcff.toml: polyphony = 0: must be 1 to 256"
    assert caught.value.faults == [told]


def test_a_number_beyond_all_bounds_is_reported() -> None:
    (fault,) = faults_of("polyphony = 0x" + "f" * 5000)
    assert fault == "polyphony = a number of over 19 digits: must be 1 to 256"


@pytest.mark.parametrize(("number", "is_one"), [("0", "0"), ("16383", "16383"), ("007", "7")])
def test_a_bank_has_a_number_of_fourteen_bits(number: str, is_one: str) -> None:
    """MIDI 1.0, p. 13: two controllers of seven bits."""
    banks = settings_of(f"[sound.banks]\n{number} = ['sine']\n").sound.banks
    assert banks == {is_one: ["sine"]}


@pytest.mark.parametrize("number", ["16384", "-1", "three", '"3.0"', '"٣"', '""'])
def test_what_is_no_number_of_a_bank_is_reported(number: str) -> None:
    (fault,) = faults_of(f"[sound.banks]\n{number} = ['sine']\n")
    assert fault.endswith(": must be a number from 0 to 16383")


def test_the_file_of_a_fault_may_depend_on_its_key() -> None:
    plain = {"polyphony": 0, "level": {"volume_db": 99.0}}
    with pytest.raises(ConfigError) as caught:
        validate(Settings, plain, {"polyphony": "one", "level.volume_db": "two"}.__getitem__)
    assert caught.value.faults == [
        "one: polyphony = 0: must be 1 to 256",
        "two: level.volume_db = 99.0: must be -80 to 12",
    ]


KEYS = st.sampled_from(sorted({*keys_of(Settings), *keys_of(Sound), "8'", "float"})) | st.text()
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.dates()
    | st.times()
    | st.sampled_from(["tilt", "partial", "low-crest", "equal", 10**400])
)
TABLES = st.dictionaries(
    KEYS,
    st.recursive(
        SCALARS,
        lambda inside: st.lists(inside, max_size=4) | st.dictionaries(KEYS, inside, max_size=4),
        max_leaves=12,
    ),
    max_size=5,
)


@given(TABLES)
def test_whatever_a_file_holds_only_faults_of_one_line_come_out(plain: dict[str, Any]) -> None:
    for model in (Settings, Sound):
        faults = ["mine.toml: none"]
        try:
            validate(model, plain, "mine.toml")
        except ConfigError as error:
            faults = error.faults
        assert faults
        for line in faults:
            assert line.startswith("mine.toml: ")
            assert line.isprintable()


@given(st.text(alphabet=st.sampled_from("ab=[]{}.'\"#\\\n\r\t ,019-_:T\u2212“\u00a0\x00é")))
def test_whatever_a_text_is_it_is_tables_or_a_fault_of_one_line(text: str) -> None:
    faults = ["mine.toml: none"]
    try:
        parse_toml(text, "mine.toml")
    except ConfigError as error:
        faults = error.faults
    (line,) = faults
    assert re.match(r"mine\.toml: (line \d+: )?\S", line)
    assert line.isprintable()


def test_zones_take_what_their_example_says_and_nothing_beyond_its_ranges() -> None:
    text = read_text(DEFAULT_FILE)
    example = text[text.index("# [[zones]]") : text.index("\n# Knobs, ")]
    assert settings_of(example.replace("# [[", "[[").replace("\n# ", "\n")).zones == [Zone()]
    for key, field in Zone.model_fields.items():
        low = next((each.ge for each in field.metadata if hasattr(each, "ge")), None)
        if low is not None:
            high = next(each.le for each in field.metadata if hasattr(each, "le"))
            assert f"{low:g} to {high:g}" in example, key
    assert faults_of("[[zones]]\nkeys = [60, 48]\n[[zones]]\nkeys = [0]") == [
        "zones[1].keys = [60, 48]: must be the lowest key and the highest",
        "zones[2].keys = [0]: must be the lowest key and the highest",
    ]
    assert faults_of("[[zones]]\nkeys = [0, 128]") == ["zones[1].keys[2] = 128: must be 0 to 127"]
    assert faults_of("zones = [" + "{}," * 17 + "]") == [
        "zones = [ ... ]: may have at most 16 items"
    ]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("held = 'key 128'", "held = \"key 128\": must be empty, or like 'key 48' (0 to 127), "),
        ("held = 'control 0'", 'held = "control 0": must be empty, or like '),
        ("held = 'pedal'", 'held = "pedal": must be empty, or like '),
        ("keys = { 60 = 'octave' }", "keys.60 = \"octave\": must be one of 'octave up', "),
        ("keys = { 60 = 'zone 17' }", 'keys.60 = "zone 17": must be one of '),
        ("keys = { C4 = 'panic' }", "keys: 'C4' must be a key from 0 to 127"),
        ("set = 'ten keys'", "set = \"ten keys\": must be one of 'none', 'twelve keys', "),
    ],
)
def test_a_fault_in_the_gestures_is_told_with_the_rule(text: str, fault: str) -> None:
    assert faults_of(f"[gestures]\n{text}")[0].startswith(f"gestures.{fault}")


def test_ready_made_commands_fit_their_keyboard_and_leave_its_lowest_key_free() -> None:
    for words, count in (("twelve keys", 12), ("twenty-five keys", 25)):
        commands = settings_of(f"[gestures]\nset = '{words}'\nlowest = 36").gestures.commands
        assert min(commands) == 37
        assert max(commands) == 36 + count - 1
        own = ", ".join(f"{key} = {command!r}" for key, command in commands.items())
        assert settings_of(f"gestures.keys = {{ {own} }}").gestures.commands == commands


def test_the_default_file_names_the_commands_of_twelve_keys_in_their_order() -> None:
    remarks = " ".join(read_text(DEFAULT_FILE).replace("\n#", "").split())
    assert f"held: {', '.join(TWELVE.values())};" in remarks


def test_lights_take_what_their_example_says_and_faults_are_told() -> None:
    text = read_text(DEFAULT_FILE)
    example = text[text.index("# [[lights]]") : text.index("\n# Zones: ")]
    uncommented = example.replace("# [[", "[[").replace("\n# ", "\n")
    assert settings_of(uncommented).lights == [Light(shows="ready", sends="note 60")]
    for words, fault in (
        ("shows = 'zone'", 'which = 0: must be 1 to 16 with shows = "zone"'),
        ("shows = 'octave'\nwhich = 6", 'which = 6: must be -5 to 5 with shows = "octave"'),
        ("shows = 'ready'\nwhich = 1", 'which = 1: must be left out with shows = "ready"'),
        ("shows = 'warm'", "shows = \"warm\": must be one of 'ready', "),
    ):
        (told,) = faults_of(f"[[lights]]\nsends = 'control 20'\n{words}")
        assert told.startswith(f"lights[1].{fault}")
    (told,) = faults_of("[[lights]]\nshows = 'ready'\nsends = 'note 128'")
    assert told.startswith('lights[1].sends = "note 128": must be like ')
