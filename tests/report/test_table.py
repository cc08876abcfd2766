"""The table on the screen, in a pipe and in files."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest

from roomsim.report.table import COLUMNS, MOST_LINES, outstanding, print_table, table_rows


def printed(result) -> str:
    out = io.StringIO()
    print_table(result, out)
    return out.getvalue()


def test_numbers_are_those_of_the_result(made_result) -> None:
    result = made_result(per_octave=24, seats=4)
    rows = table_rows(result)
    assert [(row["room"], row["design"]) for row in rows] == [
        (room, design) for room in ("small", "typical", "large") for design in ("narrow", "wide")
    ]
    assert rows[0]["volume_m3"] == 33.0
    assert rows[0]["transition_hz"] == pytest.approx(2000 * np.sqrt(0.4 / 33), abs=1e-3)
    json.dumps(rows, allow_nan=False)


def test_deviation_and_slope_of_a_known_curve(made_result) -> None:
    """Levels replaced by a straight line of -1.5 dB per octave: that slope, no deviation, no spread."""
    result = made_result(per_octave=48, seats=4)
    line = -1.5 * np.log2(result["frequency"] / 1000)
    for name, offset in (("level_db", 0), ("direct_level_db", 0), ("early_level_db", -90), ("late_level_db", -90)):
        result[name] = (result[name] * 0 + line + offset).transpose(*result[name].dims)
    row = table_rows(result)[0]
    assert row["slope_db_per_octave"] == pytest.approx(-1.5, abs=0.01)     # bands are sums over a tilted line
    assert row["mean_deviation_db"] == pytest.approx(0, abs=0.01)
    assert row["seat_spread_db"] == pytest.approx(0, abs=0.01)


def test_piped_lines_are_aligned_whole_and_without_control_codes(made_result) -> None:
    rooms = {f"a room with a rather long name {k}": (5.0, 4.0, 2.5) for k in range(3)}
    result = made_result(per_octave=12, seats=3, rooms=rooms, settings=("bright", "dead"),
                         vary={"place.gap_m": [0.1, 0.3], "place.height_m": [0.4, 0.7]})
    text = printed(result)
    assert "\x1b" not in text
    heading = next(line for line in text.splitlines() if line.startswith("room"))
    assert heading.split()[-5:] == ["seat", "spread", "stands", "out", "by"]
    assert len(heading) > 120                                                          # not wrapped at 80
    body = [line for line in text.splitlines() if "0.1" in line or "0.3" in line]
    assert len(body) >= 20


def test_units_stand_under_the_headings(made_result) -> None:
    heading, units = printed(made_result(per_octave=12, seats=2)).splitlines()[2:4]
    for word in ("volume", "length × width × height", "decay", "transition", "deviation", "slope", "seat spread"):
        assert word in heading
    assert units.split() == ["m³", "m", "s", "s", "Hz", "dB", "dB/oct", "dB"]


def test_labels_are_no_markup(made_result) -> None:
    designs = ("[red]x[/red]", ":smile:", "\x1b[31mz")
    text = printed(made_result(per_octave=12, seats=2, designs=designs, title="[b]t[/b]"))
    assert "[red]x[/red]" in text and ":smile:" in text and "[b]t[/b]" in text and "\x1b" not in text


def test_dimensions_with_one_label_are_left_out(made_result) -> None:
    one = printed(made_result(per_octave=12, seats=2))
    assert "setting" not in one and "place" not in one
    two = printed(made_result(per_octave=12, seats=2, places=("wall", "shelf")))
    assert "place" in two and "shelf" in two and "setting" not in two


def test_long_tables_are_cut_on_the_screen_only(made_result) -> None:
    result = made_result(per_octave=3, seats=2, vary={"place.gap_m": [0.1 * k for k in range(1, 9)]})
    rows = table_rows(result)
    assert len(rows) == 48
    text = printed(result)
    assert f"The {MOST_LINES} of 48 lines that stand out most, the farthest first" in text
    assert "All lines, room by room, are in table.csv." in text
    shown = [line.split()[-2] for line in text.splitlines() if line.rstrip().endswith(" ×")]
    assert len(shown) == MOST_LINES and [float(x) for x in shown] == sorted(map(float, shown), reverse=True)


def test_what_cannot_be_told_is_a_dash(made_result) -> None:
    result = made_result(per_octave=12, seats=1)
    assert table_rows(result)[0]["seat_spread_db"] is None
    assert "–" in printed(result)


def test_files_name_the_units() -> None:
    assert all(c.key.endswith(("_m", "_m3", "_s", "_hz", "_db", "_db_per_octave")) for c in COLUMNS)


def test_the_lines_that_stand_out_come_first() -> None:
    """Hand-made: medians 2, -1 and 1; usual distances 0.1, 0.2 and 0 (then the mean)."""
    rows = [{"room": k, "mean_deviation_db": 2 + 0.1 * (k % 3 - 1), "slope_db_per_octave": -1 + 0.2 * (k % 3 - 1),
             "seat_spread_db": 1.0} for k in range(40)]
    rows[7]["mean_deviation_db"] = 1.2                  # 8 times the usual distance below the middle: good counts too
    rows[20]["slope_db_per_octave"] = -2.0              # 5 times
    rows[31]["mean_deviation_db"] = None                # nothing to read a deviation from
    found = outstanding(rows)
    assert [(row["room"], key) for row, key, _ in found[:2]] == [(7, "mean_deviation_db"), (20, "slope_db_per_octave")]
    assert [times for *_, times in found[:2]] == pytest.approx([8, 5])
    assert len(found) == MOST_LINES and found[2][2] == pytest.approx(1)
    alike = [{"room": k, **dict.fromkeys(rows[0].keys() - {"room"}, 1.0)} for k in range(40)]
    assert [row["room"] for row, *_ in outstanding(alike)] == list(range(MOST_LINES))       # as they stand
    alike[35]["seat_spread_db"] = 3.0
    assert outstanding(alike)[0][0]["room"] == 35
    assert outstanding([{"room": 1, "mean_deviation_db": None, "slope_db_per_octave": None, "seat_spread_db": 1.0}])
