"""Large results in pieces give what they give as a whole."""

import numpy as np
import xarray as xr

from roomsim.analysis.blocks import by_blocks
from roomsim.analysis.seats import band_level_db, channel_sum_db, seat_average_db


def test_pieces_give_what_the_whole_gives(made_result):
    result = made_result(per_octave=12)

    def function(level):
        return band_level_db(seat_average_db(channel_sum_db(level)), 3)

    whole = function(result["level_db"])
    for most_bytes in (1, 200_000, 10**9):
        sizes = []

        def counted(level, sizes=sizes):
            sizes.append(level.nbytes)
            return function(level)

        pieces = by_blocks(result["level_db"], counted, most_bytes)
        xr.testing.assert_identical(pieces.transpose(*whole.dims), whole)
        case = result["level_db"].isel(design=0, room=0, setting=0, place=0).nbytes
        assert max(sizes) <= max(most_bytes, case)
    assert np.isfinite(whole).all()
