"""``partiald sounds``: the list, the figures, the picture."""

import json
from pathlib import Path

import pytest

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from daemon.commands.sounds import json_lines, list_lines
from daemon.drawing.sound_figures import show_lines
from tests.support.command import partiald


def test_the_list_has_every_sound_once_with_its_program() -> None:
    told = list(list_lines(shipped(), Settings()))[1:]
    assert sorted(line.split()[1] for line in told) == sorted(shipped())
    for number, name in enumerate(Settings().sound.programs, 1):
        assert any(line.split()[:2] == [str(number), name] for line in told)
    assert sum("(at power-on)" in line for line in told) == 1
    assert max(map(len, told)) <= 79


def test_a_sound_of_ones_own_is_told_apart() -> None:
    mine = {
        **shipped(),
        "my-flute": shipped()["stopped-flute"].model_copy(update={"title": "Mine"}),
    }
    (line,) = [line for line in list_lines(mine, Settings()) if "my-flute" in line]
    assert line.split()[0] == "-"
    assert "(yours)" in line


@pytest.mark.parametrize("name", ["sine", "flat64"])
def test_a_sound_is_shown_with_every_partial(name: str) -> None:
    sound = shipped()[name]
    told = list(show_lines(name, sound))
    rows = [line.split() for line in told if line[:7].strip().isdigit()]
    assert [float(row[1]) for row in rows] == pytest.approx(list(sound.ratios), abs=5e-4)
    assert max(float(row[2]) for row in rows) == 0.0
    assert f"attack   {sound.envelope.attack_s:g} s" in told


@pytest.mark.parametrize("name", [name for name in shipped() if shipped()[name].ranks])
def test_a_sound_of_ranks_is_shown_with_its_ranks_and_how_many_partials_they_take(
    name: str,
) -> None:
    sound = shipped()[name]
    told = list(show_lines(name, sound))
    assert max(map(len, told[3:])) <= 79
    for rank in sound.ranks:
        assert any(line.startswith(rank.name[:22]) for line in told)
    noises = [noise for noise in (sound.onset_noise, sound.release_noise) if noise]
    noisy = f", {max(noise.partials for noise in noises)} of them for noise" if noises else ""
    assert f"{sound.count} of at most 128 partials{noisy}; the strongest on C4:" in told
    assert any("noise, " in line for line in told) == bool(sound.onset_noise)


def test_vowels_bodies_and_the_ranks_own_times_are_shown() -> None:
    sung, struck = (
        list(show_lines(name, shipped()[name])) for name in ("sung-vowels", "struck-string")
    )
    assert "vowels   3; 'partiald learn vowel' gives them to a knob" in sung
    assert "body     resonances at 650, 665, 1080, 1100, 2650, 2700, 2900, 2950, 3400 Hz" in sung
    assert "decay    each partial its own, listed above for C4" in struck
    assert "release  0.062 to 0.24 s to 60 dB down" in struck
    assert "         on C4, and by 1.6 dB more for each octave above it" in struck


def test_breaks_pairs_and_what_is_out_of_tune_are_shown() -> None:
    organ, celeste, sung, bell, flute = (
        list(show_lines(name, shipped()[name]))
        for name in ("market-organ", "string-celeste", "sung-vowels", "tower-bell", "wooden-flute")
    )
    at = organ.index("breaks   chorus, fifth: x 6, x 3 from C4, x 1.5 from C6")
    assert organ[at + 1] == "         chorus, octave: x 8, x 4 from C4, x 2 from C6"
    assert organ[at + 2] == "tuning   wide flute: +0.8 cents"
    assert "tuning   narrow string, sharp: +3 beats a second at C4" in celeste
    assert "tuning   voices, left: 2 voices, spread by 31 cents" in sung
    pair = "pairs    hum to nominal: +0.95 beats a second at C4, -8 dB, ringing 1.05 times"
    assert bell[bell.index(pair) + 1] == "         as long"
    assert not [line for line in flute if line.startswith(("breaks", "tuning", "pairs"))]


def test_each_partial_is_shown_to_rise_in_its_own_time() -> None:
    told = list(show_lines("market-organ", shipped()["market-organ"]))
    shown = [line.split() for line in told if line[:8].strip()[:1].isdigit()]
    first = next(float(row[-1]) for row in shown if row[0] == "1.000")
    sixth = next(float(row[-1]) for row in shown if row[0] == "6.000")
    assert first == shipped()["market-organ"].ranks[0].rise_s[0]  # type: ignore[index]
    assert first > 5 * sixth


def test_a_program_reads_name_title_family_program_and_partials_of_every_sound() -> None:
    rows = json.loads("\n".join(json_lines(shipped(), Settings())))
    assert {row["name"] for row in rows} == set(shipped())
    for row in rows:
        sound = shipped()[row["name"]]
        assert (row["title"], row["about"], row["family"]) == (
            *(sound.title, sound.about, sound.family),
        )
        assert row["partials"] == sound.count
        assert Settings().sound.programs[row["program"] - 1] == row["name"]


@pytest.mark.gig
def test_a_phrase_is_written_to_a_file_and_all_sounds_are_drawn_on_one_sheet(
    tmp_path: Path,
) -> None:
    done = partiald("sounds", "hear", "sine", "-o", "phrase.wav", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "phrase.wav").read_bytes().startswith(b"RIFF")
    done = partiald("sounds", "draw", "--all", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "sounds.png").read_bytes().startswith(b"\x89PNG")


def test_organ_stops_are_shown_by_their_footage() -> None:
    stops = {"8'": 0.0, "2 2/3'": -12.0, "1'": -20.0}
    organ = Sound.model_validate({"title": "Mine", "about": "Mine.", "footage": stops})
    told = list(show_lines("mine", organ))
    head = next(line for line in told if line.startswith("partial"))
    at = head.index("stop")
    assert [line[at:] for line in told if line[:7].strip().isdigit()] == list(stops)


@pytest.mark.parametrize(
    ("sustain", "words"),
    [
        (1.0, "none: the envelope stays at its peak while the key is held"),
        (0.5, "2 s to 60 dB down, as far as -6.0 dB"),
        (0.0, "2 s to 60 dB down, as far as silence"),
    ],
)
def test_the_decay_is_reported_as_far_as_it_goes(sustain: float, words: str) -> None:
    envelope = {"decay_s": 2.0, "sustain": sustain}
    plain = {"title": "M", "about": "M.", "partials": {"count": 1}, "envelope": envelope}
    assert f"decay    {words}" in show_lines("mine", Sound.model_validate(plain))


@pytest.mark.gig
def test_a_sound_that_is_not_there_is_answered_with_one_like_it(tmp_path: Path) -> None:
    done = partiald("sounds", "show", "tower-bel", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr == "partiald: no sound 'tower-bel'; did you mean 'tower-bell'?\n"


@pytest.mark.gig
def test_a_sound_is_drawn_into_a_file_named_after_it(tmp_path: Path) -> None:
    done = partiald("sounds", "draw", "sine", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "sine.png").read_bytes().startswith(b"\x89PNG")
    assert "sine.png" in done.stdout


@pytest.mark.gig
def test_force_draws_over_a_picture(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    done = partiald("sounds", "draw", "sine", "-o", "a.png", "--force", cwd=tmp_path)
    assert done.returncode == 0
    assert (tmp_path / "a.png").stat().st_size > 1000
