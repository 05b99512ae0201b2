"""A plot as part of a page: its drawing in colours that follow the page, and what a reader may read off it.

An artist with a label belongs to the curve of that name; lines of one name in several panels are one curve. Curves can be
read off and switched off on the page. What has no label (reference lines, measured points) is only drawn.
"""

import io
import re
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from markupsafe import Markup, escape
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.plots.style import HAIR, INK, LINES, QUIET

COLOURS = {INK: "--ink", QUIET: "--quiet", HAIR: "--hair"} | {
    colour: f"--line-{number}" for number, (colour, _) in enumerate(LINES, start=1)
}
"""Names that the page's style sheet gives to the colours of the plots."""
MOST_POINTS = 600
"""Points per curve that go into the page for reading off."""


@dataclass(frozen=True)
class Picture:
    """A drawing with its caption."""

    name: str  # identifier within the page
    caption: str  # what it shows, one sentence
    svg: Markup  # the drawing
    curves: tuple[str, ...]  # names of the curves in it
    readings: dict[str, object]  # for the page's script: size, panels with place and scale, lines with their points


def picture(figure: Figure, name: str, caption: str) -> Picture:
    """Turn `figure` into a `Picture`; `name` must differ from every other on the page."""
    figure.patch.set_visible(False)
    curves: list[str] = []
    panels = []
    for panel in figure.axes:
        panel.patch.set_visible(False)
        panels.append(_panel(panel, name, curves))
    width, height = 72.0 * figure.get_figwidth(), 72.0 * figure.get_figheight()
    svg = _svg(figure, name, caption)
    return Picture(name, caption, svg, tuple(curves), {"size": [width, height], "panels": panels, "curves": curves})


def _panel(panel: Axes, name: str, curves: list[str]) -> dict[str, object]:
    """Mark the artists of curves, note new names in `curves`, and return place, scale and lines of the panel."""
    figure = panel.get_figure(root=True)
    assert figure is not None
    size = 72.0 * figure.get_size_inches()
    box = panel.get_position()
    lines = []
    for count, artist in enumerate([*panel.lines, *panel.collections, *panel.texts, *panel.patches]):
        label = str(artist.get_label() or "")
        if not label or label.startswith("_"):
            continue
        if label not in curves:
            curves.append(label)
        number = curves.index(label)
        artist.set_gid(f"{name}-c{number}-{figure.axes.index(panel)}-{count}")
        if artist in panel.lines:
            x, y = (np.asarray(values, dtype=float) for values in artist.get_data())  # type: ignore[attr-defined]
            if len(x) > 2:
                keep = np.unique(np.linspace(0, len(x) - 1, min(len(x), MOST_POINTS)).round().astype(int))
                lines.append({"curve": number, "x": _digits(x[keep]), "y": _digits(y[keep])})
    return {
        "box": [
            float(value) for value in (box.x0 * size[0], (1 - box.y1) * size[1], box.x1 * size[0], (1 - box.y0) * size[1])
        ],
        "x": [*map(float, panel.get_xlim()), panel.get_xscale() == "log"],
        "y": [*map(float, panel.get_ylim()), panel.get_yscale() == "log"],
        "x_name": next((other.get_xlabel() for other in reversed(figure.axes) if other.get_xlabel()), ""),
        "y_name": panel.get_ylabel(),
        "lines": lines,
    }


def _digits(values: np.ndarray) -> list[float | None]:
    return [float(f"{value:.5g}") if np.isfinite(value) else None for value in values.tolist()]


def _svg(figure: Figure, name: str, caption: str) -> Markup:
    stream = io.StringIO()
    # Text stays text, so that it is small, sharp and can be found; names inside differ from picture to picture.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = stream.getvalue()
    start = text.index("<svg")
    body = re.sub(r"<metadata>.*?</metadata>", "", text[start:], flags=re.DOTALL)
    # Names that matplotlib counts up by itself would repeat from picture to picture; ours have a dash.
    body = re.sub(r' id="[\w.]*_\d+"', "", body)
    for colour, variable in COLOURS.items():
        body = re.sub(re.escape(colour), f"var({variable}, {colour})", body, flags=re.IGNORECASE)
    # A hundredth of a point is finer than anybody sees; what is written keeps its digits.
    pieces = re.split(r"(>[^<]*</text>)", body)
    pieces[::2] = [re.sub(r"(\d\.\d\d)\d+", r"\1", piece) for piece in pieces[::2]]
    body = "".join(pieces)
    # The page's style sheet says it for all drawings; here it would hold for the whole page.
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, count=1, flags=re.DOTALL)
    end = body.index(">") + 1
    # A size in points would not follow the width of the page.
    head = re.sub(r' (?:width|height)="[^"]*"', "", body[:end]).replace(
        "<svg", f'<svg role="img" aria-labelledby="{name}-title"'
    )
    return Markup(f'{head}<title id="{name}-title">{escape(caption)}</title>{body[end:]}')
