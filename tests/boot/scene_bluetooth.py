"""A Bluetooth speaker as the sound card: it comes late, goes in mid-note, and comes back.

Runs inside a board with two virtual radios (`build-radio`). What the speaker hears is looked at
here, by the pitch of what was held; the sound card's own share is the host's, as ever.
"""

import time

import numpy as np

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
    check,
    figure,
    now,
    plug,
    save,
    sound_card,
    sounding,
    status,
    told,
    wait,
)
from tests.boot.controller import Controller
from tests.boot.heard import Audio
from tests.boot.heard_box import hertz, level_at, off_cents
from tests.boot.radio import NAME as SPEAKER
from tests.boot.radio import Ear, Radios

KEYS = (57, 64, 69)
NEAR_CENTS = 5.0


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    journal.wait("ready: ")
    print(told("systemd-analyze", "security", "--no-pager", "partiald").strip().splitlines()[-1])
    begun = now()
    save(PLAIN + '[audio]\ndevice = "bluetooth"\n')
    journal.wait("no sound card matches 'bluetooth'; the best one plays until it comes", begun)
    journal.wait("sounding again", begun)
    keys, passages = Controller(NAME), Passages()
    plug(keys, journal)
    passages.begin("on the sound card, until the speaker comes", keys, 69)
    passages.hold(0.4, 69)
    passages.end(keys, 69, prompt=False)
    radios = Radios()
    radios.pair()
    comes(journal, "a better sound card has come: switching to")
    tells_of_it()
    card = sound_card() / "authorized"
    card.write_text("0")
    ear = Ear(radios)
    plays(keys, ear)
    goes(journal, keys, ear, radios)
    begun = now()
    radios.switch(on=True)
    radios.connect()
    comes(journal, "sounding again", begun)
    plays(keys, Ear(radios))
    card.write_text("1")
    time.sleep(3.0)
    check(on_the_speaker(), "a card that comes later changes nothing")
    print(told("partiald", "status"))
    worst = told("journalctl", "--boot", "--unit=partiald", "--priority=warning", "--output=cat")
    print(f"warnings of the whole scene:\n{worst}")


def comes(journal: Journal, words: str, begun: float = 0.0) -> None:
    connected = now()
    journal.wait(words, begun, 20.0)
    wait("the speaker plays", on_the_speaker)
    figure("connected, until it plays", now() - connected, 10.0)


def on_the_speaker() -> bool:
    output = status()["output"]
    return output is not None and SPEAKER in output["card"]["name"]


def tells_of_it() -> None:
    devices = told("partiald", "devices")
    print(devices)
    check(SPEAKER in devices, "the speaker is listed by its name")
    check("for listening, 150 ms or more late" in devices, "with its caution")
    in_words = told("partiald", "status")
    check("for listening, 150 ms or more late" in in_words, "so does the status", in_words)
    delay_ms = status()["output"]["delay_ms"]
    check(80.0 <= delay_ms < 1000.0, "so is the delay as far as the radio", delay_ms)
    print(f"    {delay_ms:.0f} ms to the radio")


def plays(keys: Controller, ear: Ear) -> None:
    """Each key alone; at the end silence."""
    wait("the speaker hears something, be it silence", lambda: ear.frames > ear.rate)
    for key in KEYS:
        keys.send(0x90, key, 100)
        time.sleep(1.2)
        hears(ear, key)
        keys.send(0x80, key, 0)
        wait("it is released", lambda: sounding() == 0)
    time.sleep(1.0)
    loudest = np.abs(latest(ear, 0.3)).max()
    check(loudest < 2e-3, "then the speaker hears silence", loudest)


def hears(ear: Ear, key: int) -> None:
    audio = latest(ear, 0.4)
    level = level_at(audio, ear.rate, hertz(key))
    check(level > 0.002, f"the speaker hears key {key}", level)
    cents = off_cents(audio, ear.rate, hertz(key))
    check(abs(cents) < NEAR_CENTS, f"at its pitch, {cents:+.2f} cents off", cents)


def latest(ear: Ear, seconds: float) -> Audio:
    end = ear.frames
    return np.array(ear.left(end - round(seconds * ear.rate), end))


def goes(journal: Journal, keys: Controller, ear: Ear, radios: Radios) -> None:
    """The speaker is switched off under a held note; nothing else is there to play."""
    keys.send(0x90, 69, 100)
    time.sleep(1.2)
    hears(ear, 69)
    begun = now()
    radios.switch(on=False)
    line = journal.wait("went away", begun)
    figure("the speaker off, until it is logged", line.at_s - begun, 5.0)
    wait("the speaker hears no more", lambda: ear.ended)
    wait("it says so", lambda: status()["state"] == "silent")
    keys.send(0x80, 69, 0)


if __name__ == "__main__":
    main()
