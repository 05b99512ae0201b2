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

from tsfit.base.arrays import Real
from tsfit.plots.style import HAIR, INK, LINES, QUIET

COLOURS = {INK: "--ink", QUIET: "--quiet", HAIR: "--hair"} | {
    colour: f"--line-{number}" for number, (colour, _) in enumerate(LINES, start=1)
}
"""Names that the page's style sheet gives to the colours of the plots."""
Digits = float | int | None
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
    narrow: Markup | None = None  # the drawing for a narrow page, where the page's script cannot make it of the other


def picture(figure: Figure, name: str, caption: str, narrow: Figure | None = None) -> Picture:
    """Turn `figure` into a `Picture`; `name` must differ from every other on the page.

    The page's script makes panels narrower on a narrow page; what is drawn to scale has a `narrow` figure of its own.
    """
    figure.patch.set_visible(False)
    curves: list[str] = []
    places: list[list[Digits]] = []
    panels = []
    for panel in figure.axes:
        panel.patch.set_visible(False)
        panels.append(_panel(panel, name, curves, places))
    size = [72.0 * figure.get_figwidth(), 72.0 * figure.get_figheight()]
    svg = _svg(figure, name, caption)
    other = None
    if narrow is not None:
        narrow.patch.set_visible(False)
        other = _svg(narrow, f"{name}-narrow", caption)
    readings: dict[str, object] = {"size": size, "panels": panels, "curves": curves, "x": places}
    return Picture(name, caption, svg, tuple(curves), readings, other)


def _panel(panel: Axes, name: str, curves: list[str], places: list[list[Digits]]) -> dict[str, object]:
    """Mark the artists of curves, note new names in `curves`, and return place, scale and lines of the panel.

    Lines tell which of `places` are theirs; new ones are added there.
    """
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
            known = np.flatnonzero(np.isfinite(y))
            if len(known) > 2 and artist.get_linestyle() != "None":  # type: ignore[attr-defined]
                first, last = int(known[0]), int(known[-1])
                keep = np.unique(np.linspace(first, last, min(last - first + 1, MOST_POINTS)).round().astype(int))
                if (along := _digits(x[keep])) not in places:
                    places.append(along)
                lines.append({"curve": number, "x": places.index(along), "y": _digits(y[keep])})
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


def _digits(values: Real) -> list[Digits]:
    """As many digits as the page reads off, and one."""
    told = [float(f"{value:.4g}") if np.isfinite(value) else None for value in values.tolist()]
    return [int(value) if value is not None and value.is_integer() else value for value in told]


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
    body = _without_excess(_with_dots_as_lines(body))
    # The page's style sheet says it for all drawings; here it would hold for the whole page.
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, count=1, flags=re.DOTALL)
    end = body.index(">") + 1
    # A size in points would not follow the width of the page.
    head = re.sub(r' (?:width|height)="[^"]*"', "", body[:end]).replace(
        "<svg", f'<svg role="img" aria-labelledby="{name}-title"'
    )
    return Markup(f'{head}<title id="{name}-title">{escape(caption)}</title>{body[end:]}')


ROUND = re.compile(r'<defs>\s*<path id="(\w+)" d="M 0 ([\d.]+) \nC[^"]*"/>\s*</defs>')
"""A round marker, as matplotlib writes it once for all that have its size, and its radius."""
USES = re.compile(r'(?:<use xlink:href="#(\w+)" x="[^"]*" y="[^"]*" style="fill: [^";]*(?:; fill-opacity: [\d.]+)?"/>\s*)+')


def _with_dots_as_lines(body: str) -> str:
    """Return a drawing whose dots of one look are one line of no length with round ends, a tenth as long to write."""
    radii = dict(ROUND.findall(body))

    def line(found: re.Match[str]) -> str:
        if found[1] not in radii:
            return found[0]
        dots = "".join(f"M{x} {y}h0" for x, y in re.findall(r'x="([^"]*)" y="([^"]*)"', found[0]))
        style = re.sub("fill(?=[:-])", "stroke", re.findall(r'style="([^"]*)"', found[0])[0])
        width = 2.0 * float(radii[found[1]])
        return f'<path d="{dots}" style="fill: none; {style}; stroke-width: {width:.2f}; stroke-linecap: round"/>'

    return ROUND.sub("", USES.sub(line, body))


def _without_excess(body: str) -> str:
    """Return a drawing without digits that nobody sees, a hundredth of a point, and without needless letters."""
    # The page says in which letters; what is written keeps its digits.
    pieces = re.split(r"(>[^<]*</text>)", re.sub(r" font-family: [^;]*;", "", body))
    for number, piece in enumerate(pieces[::2]):
        short = re.sub(r"(\d\.\d\d)\d+", r"\1", piece)
        # Where all is straight, what follows a place is drawn to.
        pieces[2 * number] = re.sub(r'd="[^"CQ]*"', lambda d: re.sub(r" \nL ", " ", d[0]), short)
    return re.sub(r">\s*\n\s*<", "><", "".join(pieces))
