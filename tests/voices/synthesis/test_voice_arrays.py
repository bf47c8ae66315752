"""The arrays of a bank: one piece of memory, and what is in it outlasts growing."""

import numpy as np

from voices.synthesis.voice_arrays import VoiceArrays


def test_all_of_a_bank_lies_in_one_piece_and_nothing_in_it_overlaps() -> None:
    arrays = VoiceArrays(12, 2, 64, 30)
    (piece,) = {id(array.base): array.base for array in arrays._all}.values()
    assert isinstance(piece, np.ndarray)
    for array in arrays._all:
        assert len(array) == 30
        array.view(np.uint8).fill(1)
    assert piece.sum() == sum(array.nbytes for array in arrays._all)
    assert piece.nbytes - piece.sum() < 64 * len(arrays._all)


def test_a_bank_that_grows_keeps_its_slots() -> None:
    arrays = VoiceArrays(4, 1, 64, 2)
    arrays.state[1], arrays.gain[1], arrays.onset[1] = 3j, 0.5, 77.0
    arrays.grow(5)
    assert arrays.capacity == len(arrays.outer) == 5
    assert (arrays.state[1] == 3j).all()
    assert (arrays.gain[1].tolist(), arrays.onset.tolist()) == ([0.5, 0.5], [0, 77, 0, 0, 0])
    assert not arrays.state[2:].any()
