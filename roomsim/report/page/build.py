"""The page put together: one HTML file that opens from disk, with everything in it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...analysis.target import HOUSE_TARGET
from ...files.output import safe_names
from ..balance import RECOMMENDATION
from ..cases import FRACTION, CurveBook, level_label
from ..chart import TARGET, Chart
from ..chart_svg import chart_svg, sample_svg
from ..sketch import Sketch, sketch_svg
from ..style import plain_label
from .changes import changes, weights
from .panels import PARTS, balance_charts, decay_charts, response_charts
from .rooms import room_views, table_designs
from .selection import MAIN, Selection, plain, select
from .speakers import CURVES, INDICES, SpeakerView, shade_names, shared_notes, speaker_views
from .summary import summary
from .systems import listings
from .trust import trust

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from xarray import Dataset

    from ...analysis.target import Target

HERE = Path(__file__).parent
MOST_TABLE_ROWS = 1200
"""Cases that the closed table at the end lists, those furthest from the target first."""

CAUTIONS = (
    "Play sweeps, noise and impulse responses at a low level first and raise it slowly: full scale is loud, and sudden "
    "peaks hurt hearing and loudspeakers.",
    "Fibrous absorbers shed dust: cut and mount them with gloves, mask and goggles, and cover them.",
    "Linings, curtains and foams must meet the fire rules for their place.",
    "What hangs on a wall or ceiling needs fixings and a structure that carry it.",
    "Leave mains wiring to those who are qualified. Local codes and licensed practice come before anything written "
    "here.",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Page:
    """A page and the figures on it.

    Attributes
    ----------
    html : the whole file
    charts, sketches : every figure, in the order of the page
    """

    html: str
    charts: tuple[Chart, ...]
    sketches: tuple[Sketch, ...]

    def figures(self) -> Iterator[tuple[Figure, str]]:
        """Every figure for a paper or slides, with a name for its file."""
        from ..chart_paper import chart_figure
        from ..sketch import sketch_figure

        drawn: list[tuple[Any, Any]] = [(chart_figure, one) for one in self.charts]
        drawn += [(sketch_figure, one) for one in self.sketches]
        names = safe_names(f"figure {one.key} {one.title} {_whose(one)}".rstrip() for _, one in drawn)
        for (draw, one), name in zip(drawn, names, strict=True):
            yield draw(one), name


def build_page(result: Dataset, *, target: Target = HOUSE_TARGET, book: CurveBook | None = None) -> Page:
    """The report of a result as one self-contained HTML file.

    Parameters
    ----------
    result : of `predict` or `open_result`
    target : what responses are measured against
    book : curves that are known already
    """
    from ...analysis.verdict import judge

    chosen = select(result, judge(result, target=target))
    parts: dict[str, Any] = {
        "summary": summary(chosen), "trust": trust(chosen), "rooms": room_views(chosen),
        "responses": response_charts(chosen, book or CurveBook(result)), "balances": balance_charts(chosen),
        "decays": decay_charts(chosen), "changes": changes(chosen), "speakers": speaker_views(chosen),
        "systems": listings(chosen),
    }
    charts = [*parts["responses"], *(one for _, some in parts["balances"] for one in some), *parts["decays"],
              *(one.chart for one in parts["changes"])]
    for view in parts["speakers"]:
        charts += _of_speaker(view)
    html = _environment().get_template("page.html").render(
        **parts, **_words(chosen, target), chosen=chosen, cautions=CAUTIONS, all_cases=_all_cases(chosen),
        weights=weights(parts["changes"]), speaker_notes=shared_notes(parts["speakers"]),
        decay_method=_shared_detail(parts["decays"]),
        change_legends=[_legend(one.chart) for one in parts["changes"]],
        style=_text("page.css"), script=_text("page.js"), script_hash=_script_hash(),
    )
    return Page(html=html, charts=tuple(charts), sketches=tuple(room.sketch for room in parts["rooms"]))


def _whose(one: Chart | Sketch) -> str:
    """The design of a figure that shows a single one."""
    return one.detail if isinstance(one, Chart) and one.key.startswith(("parts", "speaker")) else ""


def _legend(chart: Chart) -> list[tuple[Any, str]]:
    return [(sample_svg(line.pen, line.dash, line.points), line.name) for line in chart.lines]


def _shared_detail(charts: list[Chart]) -> str:
    """What all charts say in the same words, to be said once."""
    details = {one.detail for one in charts}
    return details.pop() if len(details) == 1 else ""


def _of_speaker(view: SpeakerView) -> list[Chart]:
    return [view.curves, view.indices, view.horizontal, view.vertical]


def _words(chosen: Selection, target: Target) -> dict[str, Any]:
    """Words and legends beside the parts."""
    result = chosen.result
    seats = result.sizes["listener"]
    return {
        "title": plain_label(result.attrs.get("title", ""), 300) if result.attrs.get("title") else "A study",
        "reference": level_label(result).replace("\n", " ").removeprefix("Level in "),
        "seats": seats, "fraction": FRACTION, "target": target.name, "recommendation": RECOMMENDATION,
        "decay_band": "decay_uncertainty" in result, "main": MAIN,
        "legend": [(sample_svg(k), plain_label(d)) for k, d in enumerate(chosen.designs)],
        "target_sample": sample_svg(TARGET),
        "part_legend": [(sample_svg("ink", dash, "none"), part) for part, dash in PARTS],
        "curve_legend": [(sample_svg(k), name) for k, (name, _) in enumerate(CURVES)],
        "index_legend": [(sample_svg(pen), name) for name, _, pen in INDICES],
        "shades": shade_names(), "reflection_designs": table_designs(chosen),
        "more_reflection_designs": len(chosen.designs) > len(table_designs(chosen)),
    }


def _all_cases(chosen: Selection) -> dict[str, Any]:
    """Every case with its main measures, furthest from the target first."""
    import numpy as np

    measures = chosen.judgement.measures
    shown = [one for one in chosen.judgement.definitions if np.isfinite(measures[one.key].values).any()][:6]
    dims = [str(d) for d in measures[MAIN].dims]
    named = [d for d in dims if d in ("design", "room") or measures.sizes[d] > 1]
    values = measures[MAIN].values
    order = np.argsort(-np.nan_to_num(values.ravel(), nan=-np.inf), kind="stable")
    rows = []
    for flat in order[:MOST_TABLE_ROWS]:
        at = np.unravel_index(int(flat), values.shape)
        index = dict(zip(dims, at, strict=True))
        labels = [plain(measures[d].values[index[d]]) for d in named]
        numbers = [float(measures[one.key].values[at]) for one in shown]
        rows.append((
            [f"{v:g}" if isinstance(v, float) else plain_label(v, 40) for v in labels],
            ["–" if not np.isfinite(v) else f"{v:{one.form}}".replace("-", "−")
             for one, v in zip(shown, numbers, strict=True)],
        ))
    return {"labels": named, "measures": shown, "rows": rows, "more": order.size - len(rows), "count": order.size}


def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    found = Environment(loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                        lstrip_blocks=True)
    found.filters.update(chart=chart_svg, sketch=sketch_svg)
    return found


@cache
def _text(name: str) -> Any:
    """A file of the page that stands in it as it is: it is ours, nothing of a result is in it."""
    from markupsafe import Markup

    return Markup((HERE / name).read_text("utf-8"))


def _script_hash() -> str:
    """What the page's policy allows: this script and no other, whatever a label says."""
    return "sha256-" + base64.b64encode(hashlib.sha256(str(_text("page.js")).encode()).digest()).decode()
