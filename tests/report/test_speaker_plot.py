"""Figures of a loudspeaker: what stands on them, that they are saved, that their shades can be told apart."""

from dataclasses import replace

import numpy as np
import pytest

from roomsim.loudspeaker.channels import PlacedDriver
from roomsim.loudspeaker.drivers import Cap, Piston
from roomsim.loudspeaker.overview import channel_overview
from roomsim.report.speaker_plot import FINER, curves_figure, map_figure, power_figure, rounded_hz
from roomsim.report.style import save

FIGURES = [curves_figure, power_figure, map_figure]


def overview(name="A bar", **keys):
    driver = Cap(name="cap", radius_m=0.03, sphere_radius_m=0.05)
    placed = PlacedDriver(name="cap", directivity=driver, position_m=np.zeros(3))
    return channel_overview([placed], name=name, speed_m_s=343.2, frequency_hz=np.geomspace(20, 20000, 80), **keys)


def in_wall():
    placed = PlacedDriver(name="p", directivity=Piston(name="p", radius_m=0.05), position_m=np.zeros(3))
    return channel_overview([placed], name="In a wall", speed_m_s=343.2, frequency_hz=np.geomspace(30, 15000, 60))


def texts(figure):
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


@pytest.mark.parametrize("draw", FIGURES)
@pytest.mark.parametrize("make", [overview, in_wall])
def test_figures_are_drawn_and_saved(draw, make, tmp_path):
    figure = draw(make())
    said = texts(figure)
    assert "Frequency in Hz" in said
    assert any("in a large wall" in text for text in said) == (make is in_wall)
    save(figure, tmp_path / "figure.png")
    assert (tmp_path / "figure.png").stat().st_size > 10_000


@pytest.mark.parametrize("draw", FIGURES)
def test_names_are_shown_as_written(draw):
    """No mathtext, no control characters, long names cut."""
    figure = draw(overview(name="$\\frac{a}{b}$ \x07<b>" + "x" * 100))
    title = next(text for text in texts(figure) if text.startswith("$\\frac"))
    assert "\x07" not in title and len(title) <= 60


def test_curves_on_the_figure_are_the_computed_ones():
    found = overview()
    figure = curves_figure(found)
    drawn = [line.get_ydata() for line in figure.axes[0].lines if len(line.get_xdata()) == found.frequency_hz.size]
    wanted = [found.curves.on_axis_db, found.curves.listening_window_db, found.curves.early_reflections_db,
              found.curves.sound_power_db, found.curves.in_room_db]
    assert len(drawn) == len(wanted)
    for one, other in zip(drawn, wanted, strict=True):
        assert one == pytest.approx(other)
    low, high = figure.axes[0].get_ylim()
    assert low < min(level.min() for level in wanted) and max(level.max() for level in wanted) < high


def test_half_sphere_data_show_no_in_room_estimate():
    assert not any("In-room" in text for text in texts(curves_figure(in_wall())))
    assert any("In-room" in text for text in texts(curves_figure(overview())))


def test_map_shades_differ_in_lightness_and_louder_than_the_axis_is_another_hue():
    """CIE lightness of the shades, from sRGB (IEC 61966-2-1): even enough to read in grey print."""
    figure = map_figure(overview())
    mesh = next(c for axes in figure.axes for c in axes.collections if type(c).__name__ == "QuadMesh")
    shades = np.array([mesh.cmap(k)[:3] for k in range(mesh.cmap.N)])
    linear = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    blue, warm = lightness[:-2], lightness[-2:]
    assert (np.diff(blue) < -2.5).all(), "each 3 dB step louder is darker"
    assert warm.min() > blue[-1] + 20, "and what is louder than the axis stands out of the dark"
    assert mesh.norm(0.0) == len(blue) - 1
    assert mesh.norm(1.6) == len(blue)


def test_the_map_holds_the_levels_and_the_untrusted_range_is_named():
    found = overview()
    figure = map_figure(found)
    mesh = next(c for c in figure.axes[0].collections if type(c).__name__ == "QuadMesh")
    drawn = np.asarray(mesh.get_array()).reshape([FINER * (n - 1) + 1 for n in found.horizontal_db.shape])
    assert drawn[::FINER, ::FINER] == pytest.approx(np.clip(found.horizontal_db, -31.49, 7.49))
    assert drawn.min() >= -31.5 and drawn.max() <= 7.5
    said = texts(map_figure(replace(found, low_hz=63.0, high_hz=9000.0)))
    assert {"not to be trusted\nbelow 63 Hz", "not to be trusted above 9000 Hz"} <= set(said)   # a narrow strip: turned
    assert not any("trusted" in text for text in texts(figure))


@pytest.mark.parametrize(("frequency", "text"), [
    (63.0, "63 Hz"), (44.72, "44.7 Hz"), (15848.9, "15800 Hz"), (1072.5, "1070 Hz"), (9.99, "10 Hz"), (128.4, "128 Hz"),
])
def test_frequencies_in_words(frequency, text):
    assert rounded_hz(frequency) == text


def test_lines_of_the_map_carry_their_levels():
    said = texts(map_figure(overview()))
    assert {"\u22126", "\u221212"} <= set(said)
