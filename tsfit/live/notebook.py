"""The same knobs in a notebook, as ipywidgets."""

import html
import io
import math
from collections.abc import Sequence
from types import ModuleType

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import KIND_NAMES
from tsfit.live.knobs import Group, Knob, Means, groups_of
from tsfit.live.shown import Showing, show
from tsfit.live.state import OWN, PageState, Tried, said

CURVES = {
    "spl_db": "level, dB",
    "max_spl_db": "loudest, dB",
    "excursion_mm": "travel, mm",
    "port_speed_m_s": "port air, m/s",
}


def widgets() -> ModuleType:
    """Return the library of the knobs; raises ``missing_package``."""
    try:
        import ipywidgets
    except ImportError as error:
        message = "explore: ipywidgets is not installed; install it with `pip install ipywidgets`, or use tsfit try."
        raise TsfitError(message, code="missing_package") from error
    return ipywidgets  # type: ignore[no-any-return]


class Explorer:
    """Knobs with what they do; a notebook shows it where it stands last in a cell. `state` is what the knobs say now."""

    def __init__(self, drivers: Sequence[Tried], start: PageState) -> None:
        self._w, self._drivers, self.state = widgets(), drivers, start
        self.verdict, self._picture = self._w.HTML(), self._w.Image(format="png")
        self._knobs = self._w.VBox()
        kind = self._w.Dropdown(options=[(name, key) for key, name in KIND_NAMES.items()], value=start.kind)
        kind.description = "kind of box"
        kind.observe(lambda change: self._set_kind(change["new"]), names="value")
        self.box = self._w.HBox([self._w.VBox([kind, self._knobs]), self._w.VBox([self.verdict, self._picture])])
        self._build()
        self._draw()

    def _repr_mimebundle_(self, **given: object) -> object:
        return self.box._repr_mimebundle_(**given)

    def _set_kind(self, kind: str) -> None:
        known = {knob.key for group in groups_of(kind, self._drivers) for way in group.ways for knob in way.knobs}  # type: ignore[arg-type]
        values = {key: value for key, value in self.state.values.items() if key in known}
        self.state = self.state.model_copy(update={"kind": kind, "values": values})
        self._build()
        self._draw()

    def _value(self, key: str) -> object:
        return getattr(self.state, key) if key in OWN else self.state.values.get(key)

    def put(self, key: str, value: float | str | None) -> None:
        """Turn the knob of that `key` (None switches it off), and draw."""
        self._keep(key, value)
        self._draw()

    def _keep(self, key: str, value: float | str | bool | None) -> None:
        if key in OWN:
            self.state = self.state.model_copy(update={key: value})
            return
        values = {name: each for name, each in self.state.values.items() if name != key}
        self.state = self.state.model_copy(update={"values": values if value is None else {**values, key: value}})

    def _build(self) -> None:
        self._knobs.children = [row for group in groups_of(self.state.kind, self._drivers) for row in self._rows(group)]

    def _rows(self, group: Group) -> list[object]:
        way = self._way(group)
        for knob in way.needed:
            if self._value(knob.key) is None:
                self._keep(knob.key, knob.usual)
        rows: list[object] = [self._w.HTML(f"<b>{html.escape(group.title)}</b>")]
        if len(group.ways) > 1:
            chosen = self._w.Dropdown(options=[each.name for each in group.ways], value=way.name)
            chosen.observe(lambda change: self._choose(group, change["new"]), names="value")
            rows.append(chosen)
        return [*rows, *(self._row(knob) for knob in way.knobs)]

    def _way(self, group: Group) -> Means:
        flagged = any(way.flag for way in group.ways)
        fits = [
            way
            for way in group.ways
            if (not flagged or bool(way.flag) == self.state.to_limit)
            and all(self._value(knob.key) is not None for knob in way.needed)
        ]
        return max(fits, key=lambda way: len(way.needed), default=group.ways[0])

    def _choose(self, group: Group, name: str) -> None:
        way = next(each for each in group.ways if each.name == name)
        own = {knob.key for knob in way.knobs}
        for knob in (knob for each in group.ways for knob in each.knobs if knob.key not in own):
            self._keep(knob.key, None)
        for knob in way.needed:
            self._keep(knob.key, knob.usual)
        if any(each.flag for each in group.ways):
            self.state = self.state.model_copy(update={"to_limit": bool(way.flag)})
        self._build()
        self._draw()

    def _row(self, knob: Knob) -> object:
        now = self._value(knob.key)
        slider = self._slider(knob, knob.usual if now is None else now)
        slider.observe(lambda change: self.put(knob.key, self._read(knob, change["new"])), names="value")  # type: ignore[attr-defined]
        if not knob.optional:
            return slider
        on = self._w.Checkbox(value=now is not None, description=knob.label, indent=False)
        slider.disabled = now is None  # type: ignore[attr-defined]

        def switched(change: dict[str, bool]) -> None:
            slider.disabled = not change["new"]  # type: ignore[attr-defined]
            self.put(knob.key, self._read(knob, slider.value) if change["new"] else None)  # type: ignore[attr-defined]

        on.observe(switched, names="value")
        return self._w.VBox([on, slider])

    def _slider(self, knob: Knob, value: object) -> object:
        name = f"{knob.label}{', ' * bool(knob.unit)}{knob.unit}"
        more: dict[str, object] = {"description": name, "style": {"description_width": "initial"}}
        if knob.words:
            return self._w.Dropdown(options=list(knob.words), value=value, **more)
        assert isinstance(value, (int, float))
        low, high = min(knob.low, value), max(knob.high, value)
        more["continuous_update"] = False
        if knob.step == 1.0:
            return self._w.IntSlider(value=int(value), min=int(low), max=int(high), **more)
        if knob.step:
            return self._w.FloatSlider(value=value, min=low, max=high, step=knob.step, readout_format=".3f", **more)
        ends = {"min": math.log10(low), "max": math.log10(high)}
        return self._w.FloatLogSlider(value=value, step=0.005, readout_format=".3g", **ends, **more)

    @staticmethod
    def _read(knob: Knob, value: float | str) -> float | str:
        return float(f"{value:.3g}") if isinstance(value, float) and not knob.step else value

    def _draw(self) -> None:
        try:
            shown = show(self.state, self._drivers)
        except TsfitError as error:
            self.verdict.value = f"<p><b>{html.escape(said(error))}</b></p>"
            return
        lines = [shown.verdict, *(sentence for one in shown.drivers for sentence in one.sentences)]
        self.verdict.value = "".join(f"<p>{html.escape(line)}</p>" for line in lines)
        self._picture.value = drawing(shown)


def drawing(shown: Showing) -> bytes:
    """Return the curves of `shown` as PNG."""
    from tsfit.plots.curves import Quantity, curves_plot

    quantities = []
    for name, label in CURVES.items():
        curves = {one.name: one.curves[name] for one in shown.drivers if name in one.curves}
        if curves:
            quantities.append(Quantity(label, curves, span=40.0 if name.endswith("_db") else None))
    picture = io.BytesIO()
    curves_plot(shown.frequency_hz, quantities, "", "").savefig(picture, format="png", dpi=110)
    return picture.getvalue()
