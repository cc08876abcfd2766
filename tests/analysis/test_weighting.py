"""Weightings A and C against the table of IEC 61672-1."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.weighting import pink_weights, weighting_db
from roomsim.bands import analysis_grid_hz
from roomsim.errors import InvalidValue

# IEC 61672-1, table of frequency weightings at nominal third octaves 10 Hz to 20 kHz, in tenths of a decibel; from
# memory, the standard was not at hand. The exact frequencies are 10^(n/10), n = 10 to 43.
A = [-704, -634, -567, -505, -447, -394, -346, -302, -262, -225, -191, -161, -134, -109, -86, -66, -48, -32, -19, -8, 0,
     6, 10, 12, 13, 12, 10, 5, -1, -11, -25, -43, -66, -93]
C = [-143, -112, -85, -62, -44, -30, -20, -13, -8, -5, -3, -2, -1, 0, 0, 0, 0, 0, 0, 0, 0, 0, -1, -2, -3, -5, -8, -13,
     -20, -30, -44, -62, -85, -112]


@pytest.mark.parametrize(("kind", "table"), [("A", A), ("C", C)])
def test_the_published_table(kind: str, table: list[int]) -> None:
    f = 10 ** (np.arange(10, 44) / 10)
    # printed to a tenth: half of that, and 0.005 dB for the rounding of the poles and of the constant at 1 kHz
    assert np.abs(weighting_db(f, kind) - np.array(table) / 10).max() < 0.055


def test_none_and_nonsense() -> None:
    assert np.array_equal(weighting_db([20.0, 1000.0], "Z"), [0, 0])
    with pytest.raises(InvalidValue, match="must be one of Z, A, C"):
        weighting_db([1000.0], "B")


def test_pink_noise_has_as_much_in_every_octave() -> None:
    f = analysis_grid_hz(20, 20000, 48)
    share = pink_weights(f, 20, 20000)
    assert share.sum() == pytest.approx(1)
    octaves = [share[(f >= low * 0.999) & (f < low * 10**0.3 * 0.999)].sum() for low in (100, 1000, 5000)]
    assert octaves == pytest.approx([octaves[0]] * 3, rel=1e-6)
    # 48 of 480 steps: an octave of ten (1/9.97 of 20 Hz to 20 kHz, the ends count whole)
    assert octaves[0] == pytest.approx(0.1, rel=0.01)
    narrow = pink_weights(f, 500, 2000)
    assert narrow[(f < 490) | (f > 2030)].sum() == 0 and narrow.sum() == pytest.approx(1)
    with pytest.raises(InvalidValue, match="fewer than two analysis frequencies"):
        pink_weights(f, 5, 6)


def test_sum_of_channels_by_hand() -> None:
    """Two channels of 1 Pa re 20 µPa: in phase 6.02 dB more, against each other nothing of it, as energies 3.01 dB."""
    import xarray as xr

    from roomsim.analysis.weighting import coherent_sum_db

    one = 20 * np.log10(1 / 20e-6)
    dims, shape = ("channel", "listener", "frequency"), (2, 1, 3)
    real = np.ones(shape)
    real[1, 0] = 1, -1, 0                              # the third frequency of the second channel has no phase at all
    for reference in (0.0, 60.0):
        result = xr.Dataset(
            {"level_db": (dims, np.full(shape, one - reference)), "pressure_real": (dims, real),
             "pressure_imag": (dims, np.zeros(shape)), "reference_db": ((), reference)},
            coords={"channel": ["left", "right"]},
        )
        found = coherent_sum_db(result).values[0]
        assert found[0] == pytest.approx(one - reference + 20 * np.log10(2), abs=1e-9)
        assert found[1] < one - reference - 100
        assert found[2] == pytest.approx(one - reference + 10 * np.log10(2), abs=1e-9)
        half = coherent_sum_db(result, {"right": -20 * np.log10(2)}).values[0]
        assert half[:2] == pytest.approx(one - reference + 20 * np.log10([1.5, 0.5]), abs=1e-9)
        assert half[2] == pytest.approx(one - reference + 10 * np.log10(1.25), abs=1e-9)
