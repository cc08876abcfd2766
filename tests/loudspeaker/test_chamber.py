"""Chamber correction: a made chamber whose error is known."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.errors import DefinitionError, InvalidValue
from roomsim.loudspeaker.chamber import ChamberCorrection, ResponsePair, blend_weight, chamber_correction
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.sphere import fibonacci_grid

F = 1000 * 10 ** (0.3 * np.arange(-34, 20) / 6)


def chamber_error_db(f: np.ndarray) -> np.ndarray:
    """A room that stops being anechoic below 80 Hz: a gain that grows downwards, with two modes on it."""
    below = np.clip(np.log2(80 / f), 0, None)
    modes = 3 * np.exp(-(((f - 33) / 3) ** 2)) - 4 * np.exp(-(((f - 52) / 4) ** 2))
    return 2.5 * below + modes * blend_weight(f, 60, 0.4)


def loudspeaker_db(f: np.ndarray, corner: float, level: float) -> np.ndarray:
    return level - 10 * np.log10(1 + (corner / f) ** 4)


def pairs(count: int, spread_db: float, rng: np.random.Generator, offset: float = 0.0) -> list[ResponsePair]:
    """Loudspeakers that couple to the chamber's modes each in its own way, below the cut-off."""
    out = []
    for i in range(count):
        free = loudspeaker_db(F, rng.uniform(30, 90), rng.uniform(80, 95))
        own = spread_db * rng.standard_normal(F.size) * (F < 80)
        out.append(
            ResponsePair(
                label=f"loudspeaker {i}", free_hz=F, free_db=free, chamber_hz=F,
                chamber_db=free + chamber_error_db(F) + own + offset,
            )
        )
    return out


def test_the_truth_comes_back_inside_the_stated_spread() -> None:
    """40 chambers of 6 loudspeakers and a seventh that is new: the corrected level differs from the truth by a
    normal error of which 68 % lie within the stated standard uncertainty: 0.68 ± 0.05 of 40 × some 12 bands.

    With six loudspeakers the sample's standard deviation is itself uncertain: Student's t with 5 degrees of
    freedom puts 0.637 within one of it, hence 0.637 ± 4 standard errors (0.022 each).
    """
    rng = np.random.default_rng(11)
    inside = []
    below = F < 79
    for _ in range(40):
        correction = chamber_correction(pairs(6, 1.0, rng), name="made")
        new = pairs(1, 1.0, rng)[0]
        found = new.chamber_db - correction.correction_db(F)
        sigma = correction.uncertainty_db(F)
        inside.append(np.abs(found - new.free_db)[below] <= sigma[below])
    share = np.mean(inside)
    assert abs(share - 0.637) < 4 * np.sqrt(0.637 * 0.363 / np.size(inside))


def test_a_chamber_without_spread_is_removed_exactly() -> None:
    """±1 dB to 20 Hz is what good practice reaches (common practice, no source); without spread it is exact."""
    correction = chamber_correction(pairs(3, 0.0, np.random.default_rng(2)), name="made")
    low = F < 80
    np.testing.assert_allclose(correction.correction_db(F)[low], chamber_error_db(F)[low], atol=1e-9)
    np.testing.assert_allclose(correction.uncertainty_db(F), 0.0, atol=1e-9)
    assert np.abs(chamber_error_db(F)).max() > 3


def test_above_the_blend_nothing_is_changed() -> None:
    rng = np.random.default_rng(3)
    made = pairs(4, 0.5, rng)
    wrong = [
        ResponsePair(label=p.label, free_hz=F, free_db=p.free_db, chamber_hz=F, chamber_db=p.chamber_db + (F > 200))
        for p in made
    ]
    correction = chamber_correction(wrong, name="made")
    assert np.all(correction.correction_db(F[F >= 160]) == 0) and np.all(correction.uncertainty_db(F[F >= 160]) == 0)
    assert blend_weight(80.0, 80, 1) == 1 and blend_weight(160.0, 80, 1) == pytest.approx(0)
    assert blend_weight(80 * np.sqrt(2), 80, 1) == pytest.approx(0.5)


def test_unlike_gains_are_aligned_where_asked() -> None:
    rng = np.random.default_rng(3)
    made = pairs(4, 0.0, rng, offset=7.0)
    plain = chamber_correction(made, name="made").correction_db(25.0)
    aligned = chamber_correction(made, name="made", align_hz=(250, 2000)).correction_db(25.0)
    assert plain - aligned == pytest.approx(7.0, abs=1e-9)
    with pytest.raises(DefinitionError, match="above the blend"):
        chamber_correction(made, name="made", align_hz=(100, 2000))


def test_a_directivity_is_corrected_with_its_uncertainty() -> None:
    """All directions by the same level, phases kept, uncertainties added in squares when applied twice."""
    rng = np.random.default_rng(8)
    correction = chamber_correction(pairs(5, 1.0, rng), name="made")
    grid = fibonacci_grid(60)
    values = (1 + 0.5 * grid[:, :1]) * 10 ** (chamber_error_db(F) / 20) * np.exp(1j * grid[:, 1:2])
    data = MeasuredDirectivity(name="x", frequency_hz=F, directions=grid, values=values, has_phase=True)
    out = correction.apply(data)
    expected = values * 10 ** (-correction.correction_db(F) / 20)
    np.testing.assert_allclose(out.values, expected, rtol=1e-12)
    np.testing.assert_allclose(out.level_uncertainty_db, correction.uncertainty_db(F), rtol=1e-12)
    assert np.abs(20 * np.log10(np.abs(out.values[0] / values[0]))).max() > 3
    assert any("corrected for the chamber made (5 loudspeakers" in note for note in out.notes)
    np.testing.assert_allclose(
        correction.apply(out).level_uncertainty_db, np.sqrt(2) * correction.uncertainty_db(F), rtol=1e-12
    )


def test_below_the_pairs_the_correction_is_held_and_said_to_be() -> None:
    high = F > 30
    cut = [
        ResponsePair(label=p.label, free_hz=F[high], free_db=p.free_db[high], chamber_hz=F, chamber_db=p.chamber_db)
        for p in pairs(3, 0.3, np.random.default_rng(1))
    ]
    correction = chamber_correction(cut, name="made")
    assert correction.frequency_hz[0] == F[high][0]
    assert correction.correction_db(20.0) == pytest.approx(correction.correction_db(F[high][0]))
    grid = fibonacci_grid(40)
    data = MeasuredDirectivity(
        name="x", frequency_hz=F, directions=grid, values=np.ones((40, F.size)), has_phase=True
    )
    assert any("is held: not measured there" in note for note in correction.apply(data).notes)


GOOD = pairs(3, 0.3, np.random.default_rng(1))


def changed(**change) -> list[ResponsePair]:
    fields = {key: getattr(GOOD[0], key) for key in ("label", "free_hz", "free_db", "chamber_hz", "chamber_db")}
    return [ResponsePair(**{**fields, **change}), *GOOD[1:]]


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (GOOD[:1], "at least two loudspeakers"),
        (changed(free_db=GOOD[0].free_db[:-1]), "as many levels as frequencies"),
        (changed(free_db=np.where(F > 50, np.nan, 80.0)), "NaN or infinite"),
        (changed(chamber_hz=F[::-1]), "positive and rising"),
        (changed(chamber_hz=F[:10], chamber_db=np.zeros(10)), "ends below the blend"),
    ],
)
def test_wrong_pairs_are_refused(bad: list[ResponsePair], message: str) -> None:
    with pytest.raises(DefinitionError, match=message):
        chamber_correction(bad, name="bad")


@pytest.mark.parametrize(
    "change",
    [{"frequency_hz": F[::-1]}, {"mean_db": np.zeros(2)}, {"spread_db": -np.ones(F.size)}, {"count": 1},
     {"cut_off_hz": 0.0}, {"blend_octaves": -1.0}, {"mean_db": np.full(F.size, np.inf)}],
)
def test_wrong_corrections_are_refused(change: dict) -> None:
    good = {"name": "c", "frequency_hz": F, "mean_db": np.zeros(F.size), "spread_db": np.ones(F.size), "count": 3}
    ChamberCorrection(**good)
    with pytest.raises(InvalidValue):
        ChamberCorrection(**{**good, **change})
