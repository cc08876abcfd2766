"""What changes between designs, rooms, settings, places and varied values: differences to the first of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...analysis.blocks import by_blocks
from ..cases import third_octave_db, variant_dimensions
from ..chart import OTHER_PENS, Chart, Line, even_axis, frequency_axis
from ..style import plain_label
from .selection import MAIN, MOST_DESIGNS, Selection, plain

if TYPE_CHECKING:
    from xarray import DataArray

MOST_DIMENSIONS = 8
LARGEST_DB, FROM_HZ = 20.0, 80.0
"""The axis holds all differences from there on, up to so many dB."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """Differences along one dimension.

    Attributes
    ----------
    dimension : design, room, setting, place or a vary key
    chart : a curve per label
    words : what is compared with what, and what was averaged
    rms_db : root mean square of the differences between all labels, 100 Hz to 10 kHz
    """

    dimension: str
    chart: Chart
    words: str
    rms_db: float


def weights(found: list[Change]) -> tuple[str, ...]:
    """In one sentence what changes the response most; nothing where there is only one dimension."""
    known = sorted((one for one in found if np.isfinite(one.rms_db)), key=lambda one: -one.rms_db)
    if len(known) < 2:
        return ()
    said = [f"{_one(one.dimension)} by {one.rms_db:.1f} dB" for one in known]
    return (f"What changes the response at the seats (root mean square of the differences, third octaves, 100 Hz to "
            f"10 kHz): {_listed(said)}.",)


def _one(dimension: str) -> str:
    return f"the {dimension}" if dimension in ("design", "room", "setting", "place") else dimension


def _rms(flat: NDArray[np.float64], band_hz: NDArray[np.float64]) -> float:
    """Root mean square difference of two different labels, from the variance over them: twice its unbiased value."""
    inside = (band_hz > 95) & (band_hz < 10500)
    known = flat[:, :, inside]
    count = np.isfinite(known).sum(axis=0)
    if not (count > 1).any():
        return float("nan")
    with np.errstate(invalid="ignore"):
        mean = np.nansum(known, axis=0) / np.maximum(count, 1)
        variance = np.nansum((known - mean) ** 2, axis=0) / np.maximum(count - 1, 1)
    return float(np.sqrt(2 * variance[count > 1].mean()))


def changes(chosen: Selection) -> list[Change]:
    """A chart for every dimension with more than one label.

    Each curve is the mean, over everything else, of the difference in third-octave level at the seats to the first
    label (for designs: to the best one); the band runs from the smallest to the largest difference met.
    """
    result = chosen.result
    level = by_blocks(result["level_db"], lambda some: third_octave_db(some.to_dataset(name="level_db")))
    found = []
    for dimension in ("design", "room", *variant_dimensions(result)):
        if result.sizes[dimension] > 1 and len(found) < MOST_DIMENSIONS:
            found.append(_change(chosen, level, dimension))
    if not found:
        return []
    lines = [line for one in found for line in one.chart.lines]
    reach = max((float(np.nanmax(np.abs(line.y[line.x > FROM_HZ]), initial=0)) for line in lines), default=0.0)
    return [_framed(one, min(max(np.ceil((reach + 0.3) / 3) * 3, 6.0), LARGEST_DB)) for one in found]


def _change(chosen: Selection, level: DataArray, dimension: str) -> Change:
    labels = [plain(label) for label in chosen.result[dimension].values]
    base = labels[0]
    if dimension == "design":
        best = [one.design for one in chosen.judgement.ranking if one.measure == MAIN]
        base = best[0] if best else base
        shown = [d for d in chosen.designs if d != base]
    else:
        shown = [label for label in labels if label != base][: MOST_DESIGNS - 1]
    more = len(labels) - 1 - len(shown)
    table = level.transpose(dimension, ..., "band")
    flat = table.values.reshape(len(labels), -1, table.sizes["band"])
    reference = flat[labels.index(base)]
    lines = []
    for pen, label in enumerate(shown):
        mean, low, high = _spread(flat[labels.index(label)] - reference)
        own, dash = (chosen.designs.index(label), "") if dimension == "design" else OTHER_PENS[pen]
        lines.append(Line(name=f"{_label(label)} less {_label(base)}", x=table["band"].values, y=mean, low=low,
                          high=high, pen=own, dash=dash))
    others = [d for d in ("design", "room", *variant_dimensions(chosen.result))
              if d != dimension and chosen.result.sizes[d] > 1]
    words = f"Difference in level at the seats to {_label(base)}"
    words += f", mean over {_listed([_plural(d) for d in others])}; band: smallest to largest." if others else "."
    if more > 0:
        words += f" {more} more in result.nc."
    f = table["band"].values
    chart = Chart(key=f"change-{_slug(dimension)}", title=_title(dimension), detail="", x=frequency_axis(f[0], f[-1]),
                  y=even_axis("", "", -1, 1, 1, "dB"), lines=tuple(lines), level_at=(0.0,))
    return Change(dimension=dimension, chart=chart, words=words, rms_db=_rms(flat, f))


def _framed(one: Change, reach: float) -> Change:
    """The same axis for all of them."""
    c = one.chart
    y = even_axis("Difference in dB", "dB difference", -reach, reach, 3 if reach <= 12 else 5, "dB")
    chart = Chart(key=c.key, title=c.title, detail=c.detail, x=c.x, y=y, lines=c.lines, level_at=c.level_at)
    return Change(dimension=one.dimension, chart=chart, words=one.words, rms_db=one.rms_db)


def _spread(difference: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Mean, smallest and largest over the first axis; NaN where nothing is known."""
    known = np.isfinite(difference)
    count = known.sum(axis=0)
    mean = np.where(count > 0, np.where(known, difference, 0).sum(axis=0) / np.maximum(count, 1), np.nan)
    low = np.where(count > 0, np.where(known, difference, np.inf).min(axis=0), np.nan)
    high = np.where(count > 0, np.where(known, difference, -np.inf).max(axis=0), np.nan)
    return mean, low, high


def _title(dimension: str) -> str:
    fixed = {"design": "Between designs", "room": "Between rooms", "setting": "Between settings of a room",
             "place": "Between places"}
    return fixed.get(dimension, f"Between values of {dimension}")


def _plural(dimension: str) -> str:
    return f"{dimension}s" if dimension in ("design", "room", "setting", "place") else f"values of {dimension}"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" and {words[-1]}"


def _label(label: Any) -> str:
    return f"{label:g}" if isinstance(label, float) else plain_label(label, 30)


def _slug(dimension: str) -> str:
    return "".join(c if c.isalnum() and c.isascii() else "-" for c in dimension).strip("-") or "key"
