"""The coil's temperature over a run at power."""

from matplotlib.figure import Figure

from tsfit.base.figures import in_figures
from tsfit.driver.heat_result import HeatResult
from tsfit.plots.style import INK, LINES, QUIET, TEXT, name_level, new_plot, note, value_axis


def heat_plot(result: HeatResult) -> Figure:
    """Draw the coil's temperature over time, measured as dots and fitted as a line, and the magnet's."""
    course, ambient = result.course, result.run.ambient_c
    subtitle = (
        f"{in_figures(result.run.power_w, 3)} W for {in_figures(result.run.seconds / 60.0, 3)} min; dots "
        f"measured, lines fitted"
    )
    figure, (panel,) = new_plot([2.9], f"{result.driver.name}: the coil's heat", subtitle)
    minutes = [t / 60.0 for t in course.t_s]
    read = [(t, ambient + rise) for t, rise in zip(minutes, course.delta_k, strict=True) if rise is not None]
    panel.plot(*zip(*read, strict=True), linestyle="none", marker="o", markersize=1.6, color=QUIET)
    for name, rises, (colour, dash) in zip(("coil", "magnet"), (course.fitted_k, course.magnet_k), LINES, strict=False):
        if name == "magnet" and "Rtm" not in result.parameters:
            continue
        heats = [ambient + rise for rise in rises]
        panel.plot(minutes, heats, color=colour, linestyle=dash, linewidth=1.4)
        hottest = heats.index(max(heats))
        note(panel, name, (minutes[hottest], heats[hottest]), colour, (0, 3), ha="right")
    name_level(panel, ambient, "ambient")
    value_axis(panel, "temperature, °C")
    panel.set_xlabel("time, min", fontsize=TEXT, color=INK)
    return figure
