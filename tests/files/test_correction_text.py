"""A chamber's correction on disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from roomsim.errors import DefinitionError
from roomsim.files.correction_text import read_correction, write_correction
from roomsim.loudspeaker.chamber import ChamberCorrection

GOOD = ChamberCorrection(
    name="north chamber: 4 × 5 m", frequency_hz=np.array([20.0, 25.1, 63.0, 200.0]),
    mean_db=np.array([7.1, 5.3, 0.2, 0.0]),
    spread_db=np.array([1.1, 0.7, 0.3, 0.1]), count=6, cut_off_hz=80.0, blend_octaves=0.75,
)


def test_round_trip(tmp_path: Path) -> None:
    """Every bit comes back, so that a stored correction corrects as the fresh one does."""
    write_correction(tmp_path / "chamber.txt", GOOD)
    back = read_correction(tmp_path / "chamber.txt")
    for key in ("frequency_hz", "mean_db", "spread_db"):
        np.testing.assert_array_equal(getattr(back, key), getattr(GOOD, key))
    for key in ("name", "count", "cut_off_hz", "blend_octaves"):
        assert getattr(back, key) == getattr(GOOD, key)
    f = np.geomspace(15, 300, 30)
    np.testing.assert_array_equal(back.correction_db(f), GOOD.correction_db(f))
    np.testing.assert_array_equal(back.uncertainty_db(f), GOOD.uncertainty_db(f))


@pytest.mark.parametrize(
    ("find", "put", "message"),
    [
        ("# count: 6", "# count: six", "count = 'six': must be a number"),
        ("# count: 6", "# count: 1", "count = 1: at least two loudspeakers"),
        ("# cut_off_hz: 80", "#", "cut_off_hz: is not stated"),
        ("# blend_octaves: 0.75", "# blend_octaves: 0", "blend_octaves = 0.0: must be positive"),
        ("20\t", "30\t", "must rise"),
    ],
)
def test_spoiled_files(tmp_path: Path, find: str, put: str, message: str) -> None:
    path = tmp_path / "chamber.txt"
    write_correction(path, GOOD)
    text = path.read_text(encoding="utf-8")
    assert find in text
    path.write_text(text.replace(find, put, 1), encoding="utf-8")
    with pytest.raises(DefinitionError) as caught:
        read_correction(path)
    assert message in str(caught.value) and str(path) in str(caught.value)


def test_a_response_is_no_correction(tmp_path: Path) -> None:
    (tmp_path / "response.txt").write_text("20 80\n30 81\n")
    with pytest.raises(DefinitionError) as caught:
        read_correction(tmp_path / "response.txt")
    assert "spread_db: is missing" in str(caught.value) and "name: is not stated" in str(caught.value)
