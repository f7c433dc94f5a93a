"""The picture of the designs: numbers stay in their axes, and the legend off the limits."""

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from hostsim.sizing.sizeplot import draw_designs, draw_limits
from tests.hostsim.sizing.rig import found


@pytest.mark.parametrize("name", ["ISO 10642 M3x8", "ISO 4032 M5"])
def test_numbers_stay_in_their_axes_and_the_legend_covers_no_limit(name):
    figure = Figure(figsize=(10, 4.6), layout="constrained")
    canvas = FigureCanvasAgg(figure)
    designs, limits = figure.subplots(1, 2, width_ratios=(5, 4))
    all_of_it = found(name, None, (5, 16))
    draw_designs(designs, all_of_it)
    draw_limits(limits, all_of_it)
    canvas.draw()
    inside = designs.get_window_extent()
    assert designs.texts
    for label in designs.texts:
        room = label.get_window_extent()
        assert inside.x0 <= room.x0 and room.x1 <= inside.x1, label.get_text()
    assert limits.get_legend().get_window_extent().y0 >= limits.get_window_extent().y1
