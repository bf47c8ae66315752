"""The arrays of a bank: one piece of memory, and what is in it outlasts growing."""

import numpy as np

from voices.synthesis.voice_arrays import VoiceArrays, in_one_piece


def test_the_arrays_of_all_banks_lie_side_by_side_in_one_piece() -> None:
    """So that of a bank nobody plays nothing is in use."""
    made = dict(in_one_piece({(12, 2): 30, (4, 1): 5, (8, 2): 1}, 64))
    assert [(each.partials, each.sides) for each in made.values()] == list(made)
    everything = [array.view(np.uint8) for each in made.values() for array in each._all]
    size = sum(array.nbytes for array in everything)
    begins = sorted(array.ctypes.data for array in everything)
    assert begins[-1] - begins[0] < size + 64 * len(everything)
    for array in everything:
        assert not array.any()
        array.fill(1)
    assert sum(int(array.sum()) for array in everything) == size


def test_there_may_be_no_bank_to_make() -> None:
    assert not dict(in_one_piece({}, 64))


def test_a_bank_that_grows_keeps_its_slots() -> None:
    arrays = VoiceArrays(4, 1, 64, 2)
    arrays.state[1], arrays.gain[1], arrays.onset[1] = 3j, 0.5, 77.0
    arrays.grow(5)
    assert arrays.capacity == len(arrays.outer) == 5
    assert (arrays.state[1] == 3j).all()
    assert (arrays.gain[1].tolist(), arrays.onset.tolist()) == ([0.5, 0.5], [0, 77, 0, 0, 0])
    assert not arrays.state[2:].any()
