from daemon.keeper.new_cards import NewCards
from daemon.soundcard.card import Card, Kind


def card(name: str, kind: Kind, holder: str = "") -> Card:
    return Card(name, kind, 48_000, 2, -1, holder=holder, number=len(name), identity=name)


JACK, USB, SOLDERED = card("Jack", "jack"), card("Street", "usb"), card("Soldered", "soldered")
SCREEN, OTHER_USB = card("Screen", "screen"), card("Market Card", "usb")


class Box:
    """Sockets, and what is in them."""

    def __init__(self, playing: Card, *beside: Card) -> None:
        self.there = [playing, *beside]
        self.new_cards = NewCards(lambda: self.there)
        self.new_cards.begin(playing)

    def with_(self, *cards: Card, wanted: str = "") -> Card | None:
        self.there = [self.there[0], *cards]
        return self.new_cards.better(wanted)


def test_a_better_kind_that_comes_should_play() -> None:
    assert Box(JACK).with_(SOLDERED, USB) == USB
    assert Box(SOLDERED).with_(JACK) is None
    assert Box(USB).with_(OTHER_USB) is None
    assert Box(JACK).with_(SCREEN) is None


def test_the_card_named_should_play_in_place_of_any_other_and_of_none_that_is_named() -> None:
    assert Box(USB).with_(SCREEN, wanted="screen") == SCREEN
    assert Box(SCREEN).with_(USB, wanted="screen") is None
    assert Box(USB).with_(OTHER_USB, wanted="r") is None


def test_what_was_there_and_not_taken_is_not_tried_again_until_it_went_and_came() -> None:
    box = Box(JACK, USB)
    assert box.with_(USB) is None
    assert box.with_() is None
    assert box.with_(USB) == USB


def test_a_card_that_is_held_is_not_new_until_it_is_released() -> None:
    held = card("Street", "usb", holder="market-radio (process 9)")
    box = Box(JACK, held)
    assert box.with_(held) is None
    assert box.with_(USB) == USB


def test_without_a_player_nothing_is_better() -> None:
    assert NewCards(lambda: [USB]).better("") is None
