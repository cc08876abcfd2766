"""`roomsim bounce`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import InvalidValue
from .terminal import Json, clean, print_json


def bounce(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file; what it varies is not used.")],
    heights: Annotated[
        str | None, typer.Option("--heights", metavar="METRES", show_default=False,
                                 help="Heights of the ceiling, such as 2.4,2.7; each room's own and some usual ones by "
                                      "default.")
    ] = None,
    slopes: Annotated[
        str, typer.Option("--slopes", metavar="DEGREES", help="Slopes of the ceiling, rising into the room.")
    ] = "0,10,20",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.csv", show_default=False, help="Also write the table as CSV.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Do up-firing and side-firing channels reach the seats by way of ceiling and side wall, or straight?

    Example: roomsim bounce study.yaml --heights 2.4,2.7,3.2 --slopes 0,15
    """
    from ..definitions import load
    from ..files.table_csv import write_rows
    from ..report.text_table import aligned
    from ..studies.bounce import bounce_rows

    rows = bounce_rows(load(study, "study"), heights_m=None if heights is None else _numbers("--heights", heights),
                       slopes_deg=_numbers("--slopes", slopes))
    if out is not None and rows:
        write_rows(rows, out)
    if as_json:
        print_json({"bounces": rows})
        return
    if not rows:
        typer.echo("No channel points up or aside: first drivers aim less than 20° up and 30° aside.")
        return
    head = ["design", "room", "place", "channel", "by way of", "height m", "slope °", "bounce dB", "worst seat",
            "delay ms", "from °", "verdict"]
    table = [[
        str(r["design"]), str(r["room"]), str(r["place"]), str(r["channel"]), r["surface"],
        "" if r["height_m"] is None else f"{r['height_m']:.2f}",
        "" if r["slope_deg"] is None else f"{r['slope_deg']:g}",
        f"{r['level_db']:+.1f}", f"{r['worst_db']:+.1f}", f"{r['delay_ms']:.1f}", f"{r['elevation_deg']:.0f}",
        r["verdict"] + (f", {r['failing_seats']} of {r['seats']} seats fail" if r["failing_seats"] else ""),
    ] for r in rows]
    for line in aligned(head, table, left=5):
        typer.echo(clean(line))
    typer.echo("\nBounce: energy from 1 to 8 kHz by way of the surface re the leakage straight to the seat, which is "
               "earlier. From 10 dB on it leads (holds), below 0 dB the leakage does (fails).")


def _numbers(option: str, text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise InvalidValue(option, text, "must be numbers with commas between, such as 2.4,2.7") from None
