# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever a message holds: it is decoded, or refused by an error of ours, in bounded memory."""

import tracemalloc

from berm_ledger.errors import MessageError
import fuzz_kit
from hypothesis import example, given, settings
from hypothesis import strategies as st
import numpy as np
import pytest

BILLION = 10 ** 9
SIDE = 31623  # its square is over a billion
MOST_BYTES = 1_000_000


@given(st.binary(max_size=160))
@settings(max_examples=400)
# A crest with a signalling NaN made numpy warn.
@example(bytes.fromhex(
    '04280100082d0000000001ffffffffffffffffffffffffffffffff00ffffffffffffffff9bffffff'
    'ffffffff00003cfeffff5d'))
def test_only_our_own_error_comes_out_of_a_decoder(data: bytes) -> None:
    fuzz_kit.decode(data)


@pytest.mark.parametrize('number', range(len(fuzz_kit.DECODERS)))
def test_the_unspoiled_message_is_decoded(number: int) -> None:
    assert fuzz_kit.decode(bytes([number])) == fuzz_kit.DECODERS[number].__name__


def test_every_decoder_sees_sound_and_spoiled_messages() -> None:
    chance = np.random.default_rng(1)
    seen = {fuzz_kit.decode(chance.bytes(int(chance.integers(120)))) for _ in range(600)}
    names = [decoder.__name__ for decoder in fuzz_kit.DECODERS]
    assert seen == {*names, *(name + '!' for name in names)}


def claiming(kind: str) -> tuple[object, object]:
    """Return a decoder, and a message of few bytes that claims a billion cells."""
    src = fuzz_kit.Bytes(b'')
    if kind == 'cloud':
        msg = fuzz_kit.elevation_cloud(src)
        msg.height = msg.width = SIDE
        return fuzz_kit.grid_from_point_cloud, msg
    if kind == 'cloud of no bytes':
        msg = fuzz_kit.elevation_cloud(src)
        msg.height, msg.width, msg.point_step, msg.row_step = SIDE, SIDE, 0, 0
        msg.data = msg.data[:0]
        return fuzz_kit.grid_from_point_cloud, msg
    if kind == 'grid map':
        msg = fuzz_kit.grid_map(src)
        msg.info.length_x = msg.info.length_y = SIDE * msg.info.resolution
        for dim in msg.data[0].layout.dim:
            dim.size = SIDE
        return lambda m: fuzz_kit.grid_from_grid_map(m, 'elevation'), msg
    msg = fuzz_kit.occupancy(src)
    msg.info.height = msg.info.width = SIDE
    return fuzz_kit.blocked_from_occupancy_grid, msg


@pytest.mark.parametrize('kind', ['cloud', 'cloud of no bytes', 'grid map', 'occupancy'])
def test_a_claim_of_a_billion_cells_takes_no_memory(kind: str) -> None:
    decoder, msg = claiming(kind)
    tracemalloc.start()
    try:
        with pytest.raises(MessageError):
            decoder(msg)
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize('point_step', [1, 12])
def test_overlapping_rows_do_not_multiply_a_message(point_step: int) -> None:
    # Many points within few bytes would need rows that share their bytes.
    msg = fuzz_kit.elevation_cloud(fuzz_kit.Bytes(b''))
    msg.height, msg.width, msg.point_step, msg.row_step = BILLION, 2, point_step, 0
    with pytest.raises(MessageError, match='do not match its data'):
        fuzz_kit.grid_from_point_cloud(msg)
