"""What becomes of a box that a command made: files, plots, tables."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.told import NAMES, unit_of, written
from tsfit.cli.output import Outputs
from tsfit.cli.printing import hint, is_full, print_table, say, say_warnings
from tsfit.driver.sizes import UNLIKE_ANY

if TYPE_CHECKING:
    from tsfit.box.plan import BoxPlan
    from tsfit.box.result import BoxResult


@dataclass(frozen=True)
class BoxOutputs:
    """What is asked of a result, beside the box itself: the values of `tsfit.cli.box.options.result_options`."""

    outputs: Outputs
    room_m: float | None
    frequencies: Path | None
    plot_step: Path | None
    save_box: Path | None

    @classmethod
    def of(cls, options: dict[str, Any], plots: Sequence[Path | None] = ()) -> BoxOutputs:
        """Take them from all the `options` of a command, once it is sure that files and more `plots` can be written."""
        paths = (options.get(name) for name in ("frequencies", "plot_step", "save_box"))
        asked = cls(options["outputs"], options.get("room_m"), *paths)
        asked.outputs.refuse_existing(asked.save_box, plots=[asked.plot_step, *plots])
        return asked

    @property
    def frequency_hz(self) -> Real | None:
        """Frequencies that the curves are wanted at."""
        from tsfit.box.frequencies import read_frequencies

        return None if self.frequencies is None else read_frequencies(self.frequencies)

    def in_room(self, result: BoxResult) -> BoxResult:
        """Return `result` in a closed room, if one is asked for."""
        from tsfit.box.room import Room

        if self.room_m is None:
            return result
        return dataclasses.replace(result, room=Room(self.room_m, result.enclosure.driver.air))

    def write(self, plan: BoxPlan, result: BoxResult, data: object) -> None:
        """Write machine form, box file and plots, those that are asked for."""
        self.outputs.write_json(data)
        if self.save_box is not None:
            from tsfit.box.file import as_found, write_box

            self.outputs.refuse_read(self.save_box)
            settled, note = as_found(plan, result.enclosure)
            write_box(self.save_box, settled, note=note, replace=self.outputs.replace)
            self.outputs.wrote(self.save_box)
        if self.outputs.plot is not None or self.plot_step is not None:
            from tsfit.plots.box import box_plot, step_plot

            for path, drawn in ((self.outputs.plot, box_plot), (self.plot_step, step_plot)):
                if path is not None:
                    self.outputs.write_plot(drawn(result), path)


AHEAD = (UNLIKE_ANY, "other_sheet")
"""Warnings that what was told is hardly what was meant: they stand before the answer that comes of it."""


def print_box(result: BoxResult, *, levels: bool = True) -> None:
    """Print what the box comes to, its `levels` and what stops it; in full every number, curve and interval."""
    from tsfit.box.frequencies import table_frequencies

    numbers, frequencies = result.numbers(), table_frequencies(result.usual_hz)
    say_warnings(note for note in result.notes if note.code in AHEAD)
    for sentence in _answer(result, numbers):
        say(sentence)
    say_warnings(note for note in result.notes if note.code not in AHEAD)
    if is_full():
        print_table(("design", "value"), _design_rows(numbers, band_pass=result.enclosure.kind == "bandpass"))
        _print_curves(result, frequencies)
        _print_maximum(result, frequencies)
        _print_bands(result, numbers)
    elif levels:
        _print_levels(result, frequencies)
    if result.room is not None:
        say(str(result.room))
    for remark in result.notes:
        if remark.severity == "note" and remark.code != "unrated":  # which the answer has said
            say(f"note: {remark.message}")


def _answer(result: BoxResult, numbers: dict[str, float | None]) -> list[str]:
    """Sentences that say how large the box is, how low and how loud it plays, what stops it, and how sure that is."""
    from tsfit.box.answer import answer, with_remedies

    bands = []
    for label, value, low, high in _banded(result, numbers, ("qtc", "f3_hz", "reference_db")):
        if low != value or high != value:
            bands.append(f"{label} {low.split()[0]} to {high}")
    sentences = [*answer(result), *with_remedies(result)]
    return [*sentences, *[f"By the fit's uncertainty (95 %): {', '.join(bands)}."][: bool(bands)]]


def _print_levels(result: BoxResult, frequencies: tuple[float, ...]) -> None:
    """Print level and travel at the drive asked for, and the most that the limits allow, in one table."""
    from tsfit.box.answer import levels
    from tsfit.box.frequencies import short_table

    columns = levels(result, short_table(frequencies))
    print_table(list(columns), list(zip(*columns.values(), strict=True)))


def _print_curves(result: BoxResult, frequencies: tuple[float, ...]) -> None:
    room, curves = result.room, result.at(frequencies)
    columns = [
        ("Hz", curves.frequency_hz, "g"),
        ("level dB", curves.spl_db, ".1f"),
        *([] if room is None else [("in room dB", curves.spl_db + room.gain_db(frequencies), ".1f")]),
        ("travel mm", curves.excursion_mm, ".2f"),
        ("delay ms", curves.group_delay_ms, ".1f"),
        ("|Z| ohm", curves.impedance_ohm, ".1f"),
    ]
    if curves.port_speed_m_s is not None:
        columns.append(("port m/s", curves.port_speed_m_s, ".2f"))
    if curves.radiator_excursion_mm is not None:
        columns.append(("rad. mm", curves.radiator_excursion_mm, ".2f"))
    rows = [[format(values[row], style) for _, values, style in columns] for row in range(len(frequencies))]
    print_table([title for title, _, _ in columns], rows)
    hint("Travel and port speed are peak values.")


def _print_maximum(result: BoxResult, frequencies: tuple[float, ...]) -> None:
    most = result.maximum_at(frequencies)
    if most is None:
        return
    rows = [
        [f"{frequency:g}", f"{level:.1f}", in_figures(volts, 3), str(limit)]
        for frequency, level, volts, limit in zip(frequencies, most.spl_db, most.voltage_v, most.limited_by, strict=True)
    ]
    print_table(("Hz", "most dB", "at V", "limited by"), rows)


BANDED = ("fc_hz", "qtc", "f3_hz", "reference_db", "excursion_max_mm")


def _banded(
    result: BoxResult, numbers: dict[str, float | None], names: Sequence[str] = BANDED
) -> list[tuple[str, str, str, str]]:
    """Name, value and both ends of 95 % of the numbers that the fit's uncertainty moves."""
    bands = {} if result.bands is None else result.bands.design
    found = []
    for name in names:
        if name in bands:
            value, low, high = (written(number, unit_of(name)) for number in (numbers[name], *bands[name]))
            found.append((NAMES[name][0], value, low, high))
    return found


def _print_bands(result: BoxResult, numbers: dict[str, float | None]) -> None:
    rows = [[label, value, f"{low} … {high}"] for label, value, low, high in _banded(result, numbers)]
    if rows:
        print_table(("with the fit's uncertainty", "value", "95 % interval"), rows)


def _design_rows(numbers: dict[str, float | None], *, band_pass: bool) -> list[tuple[str, str]]:
    rows = [
        ("net volume", [("volume_l", "l")]),
        ("front volume", [("front_volume_l", "l")]),
        ("Vas / volume", [("alpha", "")]),
        ("fc, Qtc by the textbook", [("fc_hz", "Hz"), ("qtc", "")]),
        ("fc, Qtc of the circuit", [("fc_circuit_hz", "Hz"), ("qtc_circuit", "")]),
        ("tuning, re Fs", [("fb_hz", "Hz"), ("h", "")]),
        ("port diameter", [("port_diameter_cm", "cm")]),
        ("port length, section of all", [("port_length_cm", "cm"), ("port_area_cm2", "cm²")]),
        ("first resonance of the tube", [("port_resonance_hz", "Hz")]),
        ("added to each radiator", [("radiator_added_mass_g", "g")]),
        ("radiator's own resonance then", [("radiator_fs_hz", "Hz")]),
        ("f3", [("f3_hz", "Hz")]),
        ("f6, f10", [("f6_hz", "Hz"), ("f10_hz", "Hz")]),
        ("upper f3", [("f3_upper_hz", "Hz")]),
        ("ripple", [("ripple_db", "dB")]),
        ("pass-band level" if band_pass else "mid-band level", [("reference_db", "dB")]),
        ("largest travel, at", [("excursion_max_mm", "mm"), ("excursion_max_hz", "Hz")]),
        ("largest above tuning, at", [("excursion_above_fb_mm", "mm"), ("excursion_above_fb_hz", "Hz")]),
        ("fastest port air, allowed", [("port_speed_max_m_s", "m/s"), ("port_speed_limit_m_s", "m/s")]),
        ("radiator's largest travel", [("radiator_excursion_max_mm", "mm")]),
    ]
    return [
        (label, ", ".join(written(numbers[key], unit) for key, unit in parts))
        for label, parts in rows
        if any(numbers[key] is not None for key, _ in parts)
    ]
