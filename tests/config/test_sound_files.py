"""Sounds: those that come along, those of the owner, and what their files can say."""

from math import log2, log10
from pathlib import Path

import numpy as np
import pytest

from config.library import SHIPPED, find, load_sounds, read_sound, shipped
from config.rank import MAX_PARTIALS
from config.settings import Settings
from config.sound import Sound
from config.toml.faults import ConfigError, parse_toml, validate

HEAD = "title = 'Barrel'\nabout = 'A barrel organ.'\n"
BARREL = HEAD + "[partials]\nlevel_db = [0.0, -6.0]\n"


def sound_of(text: str) -> Sound:
    return validate(Sound, parse_toml(text, "barrel.toml"), "barrel.toml")


def faults_of(text: str) -> list[str]:
    """Return the fault lines of a sound, without the name of the file."""
    with pytest.raises(ConfigError) as caught:
        sound_of(text)
    return [line.removeprefix("barrel.toml: ") for line in caught.value.faults]


def crest_db(sound: Sound) -> float:
    """Return peak over RMS of one period of harmonic partials."""
    cycles = np.arange(1 << 14) / (1 << 14)
    wave = sum(
        level * np.sin(2 * np.pi * (ratio * cycles + phase))
        for ratio, level, phase in zip(sound.ratios, sound.levels, sound.phases, strict=True)
    )
    assert isinstance(wave, np.ndarray)
    return float(20 * log10(np.abs(wave).max() / np.sqrt(np.mean(wave**2))))


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.toml")), ids=lambda path: path.stem)
def test_every_sound_that_comes_along_is_valid(path: Path) -> None:
    sound = read_sound(path)
    assert shipped()[path.stem] == sound
    assert 0 < sound.count <= MAX_PARTIALS
    assert sound.family
    if sound.ranks:
        assert path.read_text("utf-8").startswith("# ")
        assert "# Acoustics: " in path.read_text("utf-8")
        return
    assert len(sound.ratios) == len(sound.levels) == len(sound.phases)
    if sound.decays_s is not None:
        assert len(sound.decays_s) == len(sound.ratios)
    assert max(sound.levels) > 0.5
    assert list(sound.ratios) == sorted(set(sound.ratios))


@pytest.mark.parametrize("name", shipped())
def test_every_sound_that_comes_along_is_listed_in_one_line(name: str) -> None:
    about = shipped()[name].about
    assert about.isprintable()
    assert about.endswith(".")
    assert len(about) <= 100


def test_the_programs_are_sounds_that_come_along_each_once() -> None:
    choice = Settings().sound
    assert choice.name == choice.programs[0]
    assert sorted(choice.programs) == sorted(shipped())


@pytest.mark.parametrize(
    ("stop", "partial"),
    [
        # A stop's length is to 8 feet as the key's frequency is to the stop's: arithmetic.
        ("16'", 1 / 2),
        ("10 2/3'", 3 / 4),
        ("8'", 1),
        ("5 1/3'", 3 / 2),
        ("4'", 2),
        ("3 1/5'", 5 / 2),
        ("2 2/3'", 3),
        ("2'", 4),
        ("1 3/5'", 5),
        ("1 1/3'", 6),
        ("1 1/7'", 7),
        ("1'", 8),
        ("8/9'", 9),
        ("2/3'", 12),
        ("1/2'", 16),
        # The ends of what is taken.
        ("64'", 1 / 8),
        ("1/16'", 128),
    ],
)
def test_a_stop_is_the_partial_that_its_length_says(stop: str, partial: float) -> None:
    sound = sound_of(f'{HEAD}[footage]\n"{stop}" = -6.0\n')
    assert sound.ratios == pytest.approx((partial,), rel=1e-12)
    assert sound.levels == pytest.approx((10 ** (-6 / 20),))
    assert sound.decays_s is None


@pytest.mark.parametrize(
    "stop",
    ["8", "8 feet", "0'", "1 1/0'", "0/3'", "3 '", "'", "-8'", "8''", "65'", "1/17'", "", "٨'"],
)
def test_a_stop_that_is_no_length_is_reported(stop: str) -> None:
    told = f"footage.{stop}: must be a length up to 64', written like 8' or 2 2/3'"
    assert faults_of(f'{HEAD}[footage]\n"{stop}" = 0.0\n') == [told]


def test_every_wrong_stop_is_reported_at_once() -> None:
    faults = faults_of(f'{HEAD}[footage]\n"3" = 0.0\n"8\'" = 99.0\n"5" = 0.0\n')
    assert [fault[:10] for fault in faults] == ["footage.3:", "footage.8'", "footage.5:"]
    assert faults[1] == "footage.8' = 99.0: must be -120 to 24"


@pytest.mark.parametrize(
    ("stretch", "partial", "cents"),
    [
        # H. Fletcher, JASA 36 (1964), 203-209: f_n = n f_0 sqrt(1 + B n^2); here over f_1.
        (4e-4, 2, 1.038),
        (4e-4, 4, 5.176),
        (4e-4, 8, 21.535),
        (4e-4, 16, 84.042),
    ],
)
def test_a_stiff_strings_partials_are_sharp_by_fletchers_formula(
    stretch: float, partial: int, cents: float
) -> None:
    sound = sound_of(f"{HEAD}[partials]\ncount = 16\nstretch = {stretch}\n")
    assert sound.ratios[0] == 1.0
    sharp = 1200 * log2(sound.ratios[partial - 1] / partial)
    assert sharp == pytest.approx(cents, abs=0.05)


def test_without_stretch_the_partials_are_harmonic() -> None:
    assert sound_of(f"{HEAD}[partials]\ncount = 4\n").ratios == (1.0, 2.0, 3.0, 4.0)


@pytest.mark.parametrize(
    ("count", "low_crest", "sine"),
    [
        # M. R. Schroeder, IEEE Trans. IT-16 (1970), 85-89: equal partials, worked out.
        (8, 5.041, 9.749),
        (16, 5.230, 12.515),
        (32, 4.786, 15.397),
        (64, 4.643, 18.341),
    ],
)
def test_low_crest_phases_keep_the_peak_as_low_as_published(
    count: int, low_crest: float, sine: float
) -> None:
    spread = sound_of(f"{HEAD}[partials]\ncount = {count}\nphase = 'low-crest'\n")
    aligned = sound_of(f"{HEAD}[partials]\ncount = {count}\n")
    assert crest_db(spread) == pytest.approx(low_crest, abs=0.02)
    assert crest_db(aligned) == pytest.approx(sine, abs=0.02)


def test_one_number_stands_for_all_partials() -> None:
    sound = sound_of(f"{HEAD}[partials]\nratio = [1, 2.7, 5.4]\nlevel_db = -20\ndecay_s = 2\n")
    assert sound.levels == pytest.approx((0.1, 0.1, 0.1))
    assert sound.decays_s == (2.0, 2.0, 2.0)
    assert sound.phases == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("column", ["ratio", "level_db", "phase", "decay_s"])
def test_any_column_alone_says_how_many_partials(column: str) -> None:
    sound = sound_of(f"{HEAD}[partials]\n{column} = [1.0, 0.5, 0.25]\n")
    assert len(sound.ratios) == len(sound.levels) == len(sound.phases) == 3


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        (
            HEAD,
            ["exactly one of [[ranks]], [partials] and [footage] must be given"],
        ),
        (
            BARREL + '[footage]\n"8\'" = 0\n',
            ["exactly one of [[ranks]], [partials] and [footage] must be given"],
        ),
        (HEAD + "[footage]\n", ["footage = {}: may not be empty"]),
        (
            HEAD + "[partials]\n",
            ["partials.count: must be given, or a list of ratio or level_db"],
        ),
        (
            BARREL + "ratio = [1.0]\ncount = 3",
            ["partials.ratio: lists of different lengths: ratio 1, level_db 2, count 3"],
        ),
        (HEAD + "[partials]\ncount = 129", ["partials.count = 129: must be 0 to 128"]),
        (
            HEAD + "[partials]\ncount = 3\nlevel_db = []",
            ["partials.level_db = []: may not be empty"],
        ),
        (HEAD + "[partials]\ncount = 3\nphase = []", ["partials.phase = []: may not be empty"]),
        (HEAD + "[partials]\ncount = 3\ndecay_s = []", ["partials.decay_s = []: may not be empty"]),
        (
            BARREL + "phase = 'cosine'",
            ["partials.phase = \"cosine\": must be one of 'sine', 'low-crest'"],
        ),
        (BARREL + "decay_s = [1.0, 0.0]", ["partials.decay_s[2] = 0.0: must be 0.02 to 600"]),
        (BARREL + "decay_s = 0.0", ["partials.decay_s = 0.0: must be 0.02 to 600"]),
        (BARREL + "decay_s = 'slow'", ['partials.decay_s = "slow": must be a number, not text']),
        (BARREL + "float = 1", ["partials.float: unknown key"]),
        (
            BARREL + "attack_s = 1.0\n[envelope]\ntitle = 'x'",
            [
                "partials.attack_s: unknown key here; it belongs under [envelope]",
                "envelope.title: unknown key here; it belongs above the first [table]",
            ],
        ),
        (BARREL + "[evelope]", ["evelope: unknown key; did you mean 'envelope'?"]),
        (
            BARREL + "[envelope]\nattak_s = 1.0\nsustain = 2",
            [
                "envelope.sustain = 2: must be 0 to 1",
                "envelope.attak_s: unknown key; did you mean 'attack_s'?",
            ],
        ),
        (
            BARREL.replace("title", "titel"),
            ["title: must be given", "titel: unknown key; did you mean 'title'?"],
        ),
        (BARREL.replace("Barrel", ""), ['title = "": may not be empty']),
        (
            BARREL.replace("Barrel", "B" * 41),
            [f'title = "{"B" * 37}...": may have at most 40 characters'],
        ),
    ],
)
def test_the_faults_of_a_sound_are_reported_a_clear_line_each(text: str, faults: list[str]) -> None:
    assert faults_of(text) == faults


@pytest.mark.parametrize("column", ["ratio", "level_db", "phase", "decay_s"])
def test_a_sound_has_so_many_partials_and_no_more(column: str) -> None:
    most = ", ".join(["1.0"] * MAX_PARTIALS)
    assert len(sound_of(f"{HEAD}[partials]\n{column} = [{most}]").ratios) == MAX_PARTIALS
    assert faults_of(f"{HEAD}[partials]\n{column} = [{most}, 1.0]") == [
        f"partials.{column} = [ ... ]: may have at most {MAX_PARTIALS} items"
    ]


def test_the_owners_sound_overrides_the_one_that_comes_along(tmp_path: Path) -> None:
    early, late = tmp_path / "early", tmp_path / "late"
    early.mkdir()
    late.mkdir()
    (early / "sine.toml").write_text(BARREL)
    (early / "barrel.toml").write_text(BARREL)
    (late / "barrel.toml").write_text(BARREL.replace("Barrel", "Later"))
    sounds, faults = load_sounds([early, late, tmp_path / "gone"])
    assert faults == []
    assert sounds["sine"].title == "Barrel"
    assert sounds["barrel"].title == "Later"
    assert set(sounds) == {*shipped(), "barrel"}
    assert shipped()["sine"].title == "Sine"


def test_a_faulty_sound_is_left_out_and_reported(tmp_path: Path) -> None:
    (tmp_path / "barrel.toml").write_text(BARREL)
    (tmp_path / "broken.toml").write_text(BARREL + "[envelope]\nsustain = 2\nattack_s = 0.0\n")
    (tmp_path / "sine.toml").write_text("title =")
    (tmp_path / "folder.toml").mkdir()
    sounds, faults = load_sounds([tmp_path])
    assert set(sounds) == {*shipped(), "barrel"}
    assert sounds["sine"] == shipped()["sine"]
    assert faults == [
        f"{tmp_path}/broken.toml: envelope.attack_s = 0.0: must be 0.001 to 20",
        f"{tmp_path}/broken.toml: envelope.sustain = 2: must be 0 to 1",
        f"{tmp_path}/folder.toml: is a folder, not a file",
        f"{tmp_path}/sine.toml: line 1: a value is missing after =: title =",
    ]


def test_hidden_files_and_others_are_no_sounds(tmp_path: Path) -> None:
    # Some computers leave "._NAME" beside every file that they copy to a card.
    (tmp_path / "._barrel.toml").write_bytes(b"\x00\x05\x16\x07")
    (tmp_path / "barrel.toml~").write_text("title =")
    assert load_sounds([tmp_path]) == (dict(shipped()), [])


def test_a_sound_is_found_by_its_name() -> None:
    assert find(shipped(), "sine") is shipped()["sine"]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("Tower-Bel", "no sound 'Tower-Bel'; did you mean 'tower-bell'?"),
        ("kazoo", "no sound 'kazoo'; 'partiald sounds' lists them"),
    ],
)
def test_a_name_without_a_sound_is_answered_with_a_similar_one_or_where_all_are_listed(
    name: str, told: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        find(shipped(), name)
    assert caught.value.faults == [told]


@pytest.mark.parametrize("levels", ["[-3.0]", "[-3.0, -6.0, -9.0]"])
def test_a_rank_has_a_level_for_each_of_its_partials_or_none(levels: str) -> None:
    (fault,) = faults_of(f"{HEAD}[[ranks]]\nharmonics = 2\nlevels_db = {levels}\n")
    assert f"levels_db: has {levels.count('-')} levels for 2 partials" in fault
