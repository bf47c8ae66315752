"""Songs and panic over the control socket's answers, with the whole daemon in virtual time."""

import logging

import pytest

from daemon.control.requests import AskPanic, AskPlay
from tests.support.virtual_daemon import VirtualDaemon


class Stage:
    """A daemon, its clients, and how a song is sent to it."""

    def __init__(self) -> None:
        self.daemon = VirtualDaemon().with_keys()
        self.answers = self.daemon.answers

    def song(self, *messages: str, client: int = 1) -> dict[str, object]:
        timed = [(self.daemon.now_us, message) for message in messages]
        asked = AskPlay(ask="play", name="market.mid", messages=timed)
        answer = dict(self.answers.answer(asked, client))
        self.daemon.run(0.1)
        return answer


@pytest.fixture
def stage(caplog: pytest.LogCaptureFixture) -> Stage:
    caplog.set_level(logging.INFO)
    return Stage()


def test_the_notes_of_a_song_are_counted_and_end_with_its_client(
    stage: Stage, caplog: pytest.LogCaptureFixture
) -> None:
    assert stage.song("903c40", "904040") == {"controller": 2, "stopped": False}
    assert stage.daemon.accounts == {"sounding": 2}
    stage.answers.left(1)
    stage.daemon.run(0.1)
    assert stage.daemon.accounts == {"released": 2}
    assert "a song plays: 'market.mid' as controller 2" in caplog.messages
    assert "the song is over: 'market.mid', 2 notes" in caplog.messages


def test_after_a_panic_a_song_is_told_to_stop_and_plays_no_more(stage: Stage) -> None:
    stage.song("903c40")
    stage.answers.answer(AskPanic(ask="panic"), 2)
    assert stage.song("904040")["stopped"] is True
    assert stage.daemon.accounts == {"cut": 1}
    stage.daemon.play(60)
    stage.daemon.run(0.1)
    assert stage.daemon.accounts == {"cut": 1, "sounding": 1}


def test_two_songs_at_once_are_two_controllers(stage: Stage) -> None:
    assert stage.song("903c40", client=1)["controller"] == 2
    assert stage.song("903c40", client=2)["controller"] == 3
    stage.answers.left(1)
    stage.daemon.run(0.1)
    assert stage.daemon.accounts == {"released": 1, "sounding": 1}


def test_a_player_that_begins_in_the_middle_of_a_song_gets_its_controls(stage: Stage) -> None:
    stage.song("b00700")
    stage.daemon.end("'box' went away")
    stage.daemon.run(1.0)
    stage.song()
    stage.song("903c40")
    stage.song("803c40")
    assert stage.daemon.accounts == {"inaudible at volume 0": 1}


def test_nobody_who_played_nothing_is_missed(stage: Stage) -> None:
    stage.answers.left(7)
    assert stage.daemon.accounts == {}
