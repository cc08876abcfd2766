"""`roomsim compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import InvalidValue
from .terminal import Json, clean, count, print_json

if TYPE_CHECKING:
    from xarray import Dataset

    from ..analysis.target import Target


def compare(
    result: Annotated[
        Path, typer.Argument(metavar="RESULT", help="A result.nc, or the folder that `roomsim predict` wrote it into.")
    ],
    against: Annotated[
        str | None, typer.Option("--against", metavar="DESIGN", show_default=False,
                                 help="Draw every other design less this one; the first design by default.")
    ] = None,
    target: Annotated[
        Path | None, typer.Option("--target", metavar="FILE", show_default=False,
                                  help="Target curve: a text file of frequency in Hz and level in dB per line. By "
                                       "default it falls by 1 dB per octave from 100 Hz on.")
    ] = None,
    confidence: Annotated[
        float, typer.Option("--confidence", metavar="PART", help="Of all intervals, 0.5 to 0.999.")
    ] = 0.9,
    explain: Annotated[
        bool, typer.Option("--explain", help="Print the definition and source of every measure.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Also write measures.csv, ranking.csv, differences.csv, peaks.csv, curves.csv "
                                       "and a figure per pair into this folder.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Judge a result: measures per design and room, ranking, which differences are real, whose peaks are whose.

    Example: roomsim compare study-results --against narrow --out compared
    """
    from ..files.netcdf import read_netcdf

    data = read_netcdf(result / "result.nc" if result.is_dir() else result)
    judge_and_write(data, against=against, target=target, confidence=confidence, explain=explain, out=out,
                    as_json=as_json)


def judge_and_write(
    data: Dataset, *, against: str | None = None, target: Path | None = None, confidence: float = 0.9,
    explain: bool = False, out: Path | None = None, as_json: bool = False, keep: bool = False,
) -> None:
    """Judge a result, print it and write its files; with `keep` the result too."""
    from ..analysis.comparing import difference_curves
    from ..analysis.peaks import find_peaks
    from ..analysis.target import HOUSE_TARGET
    from ..analysis.verdict import judge
    from ..report.verdict import explanation_lines, verdict_lines

    judged = judge(data, target=_target(target) if target else HOUSE_TARGET, confidence=confidence)
    peaks = find_peaks(data)
    designs = [str(d) for d in data["design"].values]
    base = designs[0] if against is None else against
    if base not in designs:
        raise InvalidValue("--against", base, f"must be one of {', '.join(designs)}")
    curves = [difference_curves(data, d, base, confidence=confidence) for d in designs if d != base]
    files = _write(out, judged, peaks, curves, data if keep else None) if out is not None else []
    if as_json:
        print_json(_as_json(judged, peaks, files))
        return
    typer.echo(clean(str(data.attrs.get("title", ""))) + "\n")
    for line in verdict_lines(judged, peaks):
        typer.echo(clean(line))
    if explain:
        typer.echo("")
        for line in explanation_lines(judged):
            typer.echo(clean(line))
    if out is not None:
        typer.echo(f"\n{count(len(files), 'file')} in {clean(str(out))}")


def _write(folder: Path, judged: Any, peaks: Any, curves: list[Any], result: Dataset | None) -> list[str]:
    from ..files.netcdf import write_netcdf
    from ..files.output import OutputFolder, safe_names
    from ..files.table_csv import write_rows
    from ..report.difference_plot import difference_figure
    from ..report.style import save
    from ..report.verdict import curve_rows, difference_rows, measure_rows, peak_rows, ranking_rows

    tables = {
        "measures": measure_rows(judged), "ranking": ranking_rows(judged), "differences": difference_rows(judged),
        "peaks": peak_rows(peaks), "curves": [row for found in curves for row in curve_rows(found)],
    }
    with OutputFolder(folder) as output:
        if result is not None:
            write_netcdf(result, output.path("result.nc"))
        for name, rows in tables.items():
            if rows:
                write_rows(rows, output.path(f"{name}.csv"))
        names = safe_names([f"{found.first} less {found.second}" for found in curves])
        for found, name in zip(curves, names, strict=True):
            save(difference_figure(found), output.path(f"difference-{name}.png"))
        return output.names


def _as_json(judged: Any, peaks: Any, files: list[str]) -> dict[str, Any]:
    from dataclasses import asdict

    from ..report.verdict import difference_rows, measure_rows, peak_rows, ranking_rows

    return {
        "target": judged.target.name, "confidence": judged.confidence, "files": files,
        "definitions": [asdict(one) for one in judged.definitions], "measures": measure_rows(judged),
        "ranking": ranking_rows(judged), "differences": difference_rows(judged), "peaks": peak_rows(peaks),
        "sentences": list(judged.sentences),
    }


def _target(path: Path) -> Target:
    from ..analysis.target import target_of

    points = []
    for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
        text = line.split("#")[0].replace(",", " ").split()
        if not text:
            continue
        try:
            f, level = map(float, text)
        except ValueError:
            rule = "must be a frequency in Hz and a level in dB"
            raise InvalidValue(f"{path}:{number}", line.strip(), rule) from None
        points.append((f, level))
    return target_of(path.name, points)
