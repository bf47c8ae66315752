"""Attacks that are worked out beforehand: which of them have a line, and how much room all take."""

from voices.envelopes.attack_lines import LONGEST, MOST_FRAMES, AttackLines

FRAMES = 256
SUSTAINED = (1.0, 0.0)


def test_the_longest_attack_has_a_line_and_a_longer_one_has_none() -> None:
    lines = AttackLines([(LONGEST, *SUSTAINED), (LONGEST + 1, *SUSTAINED)], FRAMES)
    assert list(lines.onsets) == [(LONGEST, *SUSTAINED)]


def test_a_course_that_comes_twice_has_one_line() -> None:
    course = (1_000.0, *SUSTAINED)
    once, twice = AttackLines([course], FRAMES), AttackLines([course, course], FRAMES)
    assert len(twice.pieces) == len(once.pieces)


def test_all_lines_together_have_an_end() -> None:
    lines = AttackLines([(20_000.0 + each, *SUSTAINED) for each in range(80)], FRAMES)
    assert 40 < len(lines.onsets) < 80
    assert MOST_FRAMES - 30_000 < len(lines.pieces) <= MOST_FRAMES
