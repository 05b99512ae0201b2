"""``tsfit box``: put a driver into an enclosure."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.box.design import design
from tsfit.cli.box.equalise import equalise
from tsfit.cli.box.level import level
from tsfit.cli.box.options import (
    box_options,
    drive_options,
    driver_argument,
    port,
    port_options,
    ratings,
    result_options,
    si,
)
from tsfit.cli.box.panels import panels
from tsfit.cli.box.verify import verify
from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import hint, print_json, print_table, refuse_outputs, save_json, say

if TYPE_CHECKING:
    from tsfit.box.enclosure import Kind
    from tsfit.box.plan import BoxPlan
    from tsfit.box.result import BoxResult


@click.group(cls=NamingGroup)
def box() -> None:
    """Put a driver into an enclosure.

    DRIVER is a fit (JSON), a published sheet (TOML) or a driver file (TOML). The maximum output needs ratings: those of the
    sheet or driver file (Pe, Ppeak, Xmax), or the options.

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707
      tsfit box vented sheet.toml --volume-l 60 \\
          --tuning-hz 31 --port-diameter-cm 8
    """  # noqa: D301


@box.command()
@driver_argument
@click.option("--volume-l", type=float, help="Net volume in litres.")
@click.option("--qtc", type=float, help="Wanted total Q of the lossless box; sets the volume.")
@box_options
@drive_options
@result_options
def closed(driver: Path, **options: Any) -> None:
    """Closed box, by volume or by Qtc.

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707 --plot box.png
      tsfit box closed fit.json --volume-l 35 --power-w 50
    """  # noqa: D301
    _run("closed", driver, **options)


@box.command()
@driver_argument
@click.option("--volume-l", type=float, required=True, help="Net volume in litres.")
@click.option("--tuning-hz", type=float, help="Resonance of port and box air.")
@port_options
@box_options
@drive_options
@result_options
def vented(driver: Path, **options: Any) -> None:
    """Vented box, by volume and tuning or port.

    \b
    Example:
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31 \\
          --port-diameter-cm 8 --leak-q 7 --power-w 50 \\
          --json
    """  # noqa: D301
    _run("vented", driver, port=port(options), **options)


@box.command()
@driver_argument
@click.option("--volume-l", type=float, required=True, help="Net volume in litres.")
@click.option("--radiator-mass-g", type=float, required=True, help="Moving mass of one radiator.")
@click.option("--radiator-area-cm2", type=float, required=True, help="Effective area of one radiator.")
@click.option("--radiator-fs-hz", type=float, help="Its resonance in free air, nothing added.")
@click.option("--radiator-compliance-mm-n", type=float, help="Its compliance instead, mm/N.")
@click.option("--radiator-qms", type=float, default=math.inf, help="Its mechanical Q.  [default: no loss]")
@click.option("--radiators", type=int, default=1, show_default=True, help="How many equal radiators.")
@click.option("--added-mass-g", type=float, help="Mass fixed to each radiator.")
@click.option("--tuning-hz", type=float, help="Wanted tuning instead; gives the mass to add.")
@click.option("--radiator-xmax-mm", type=float, help="One-way peak travel of a radiator.  [default: any]")
@box_options
@drive_options
@result_options
def passive(driver: Path, radiator_compliance_mm_n: float | None, **options: Any) -> None:
    """Box with one or more passive radiators.

    \b
    Example:
      tsfit box passive fit.json --volume-l 60 \\
          --radiator-mass-g 110 --radiator-area-cm2 480 \\
          --radiator-fs-hz 20 --tuning-hz 26
    """  # noqa: D301
    compliance = None if radiator_compliance_mm_n is None else 1e-3 * radiator_compliance_mm_n
    _run("passive", driver, radiator_compliance=compliance, **options)


@box.command()
@driver_argument
@drive_options
@result_options
def baffle(driver: Path, **options: Any) -> None:
    """Infinite baffle: a wall with nothing behind it that pushes back.

    \b
    Example:
      tsfit box baffle fit.json --air-load baffle \\
          --power-w 100
    """  # noqa: D301
    _run("baffle", driver, **options)


@box.command()
@driver_argument
@click.option("--rear-volume-l", type=float, required=True, help="Net volume of the closed chamber, litres.")
@click.option("--front-volume-l", type=float, required=True, help="Net volume of the vented chamber, litres.")
@click.option("--tuning-hz", type=float, help="Resonance of port and front chamber.")
@click.option("--rear-leak-q", type=float, default=math.inf, help="Leaks of the closed chamber.  [default: no loss]")
@click.option("--rear-absorption-q", type=float, default=math.inf, help="Its absorption.  [default: no loss]")
@port_options
@box_options
@drive_options
@result_options
def bandpass(driver: Path, **options: Any) -> None:
    """Band-pass box: closed chamber behind the driver, vented one before it.

    Filling and displaced volume are those of the closed chamber; the loss factors without "rear" those of the vented one.

    \b
    Example:
      tsfit box bandpass fit.json --rear-volume-l 30 \\
          --front-volume-l 25 --tuning-hz 50 \\
          --port-diameter-cm 12
    """  # noqa: D301
    _run("bandpass", driver, port=port(options), **options)


@box.command()
@click.argument("plan", type=click.Path(path_type=Path), metavar="BOX")
@driver_argument
@result_options
def show(plan: Path, driver: Path, **options: Any) -> None:
    """Put a driver into the box that a box file plans.

    BOX is a box file (TOML): written by hand, or by --save-box of the other commands.

    \b
    Example:
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31 \\
          --save-box box.toml
      tsfit box show box.toml other-fit.json
    """  # noqa: D301
    from tsfit.box.file import read_box

    _show(read_box(plan), driver, **options)


box.add_command(design)


box.add_command(level)
box.add_command(verify)
box.add_command(panels)


box.add_command(equalise)


def _run(kind: Kind, driver: Path, *, save_box: Path | None, **options: Any) -> None:
    """Build what the options ask for; `options` are those of the kind and of `result_options`."""
    from tsfit.box.plan import BoxPlan

    about_result = {
        name: options.pop(name) for name in ("frequencies", "room_m", "as_json", "output", "plot", "plot_step", "replace")
    }
    rated = ratings(options)
    _show(BoxPlan(kind, {**si(options), "ratings": rated}), driver, save_box=save_box, **about_result)


def _show(
    plan: BoxPlan,
    driver: Path,
    *,
    frequencies: Path | None,
    room_m: float | None,
    as_json: bool,
    output: Path | None,
    plot: Path | None,
    plot_step: Path | None,
    replace: bool,
    save_box: Path | None = None,
) -> None:
    from tsfit.box.bands import with_bands
    from tsfit.box.frequencies import read_frequencies
    from tsfit.formats.driver import read_driver_or_fit

    refuse_outputs(output, plot, replace=replace)
    refuse_outputs(save_box, plot_step, replace=replace)
    frequency_hz = None if frequencies is None else read_frequencies(frequencies)
    one, fit = read_driver_or_fit(driver)
    result = plan.build(one, frequency_hz=frequency_hz)
    if fit is not None:
        result = with_bands(result, fit)
    result = in_room(result, room_m)
    if output is not None:
        save_json(output, result.to_dict(), replace=replace)
    write_box_files(plan, result, save_box=save_box, plot=plot, plot_step=plot_step, replace=replace)
    if as_json:
        print_json(result.to_dict())
    else:
        print_box(result)


def in_room(result: BoxResult, room_m: float | None) -> BoxResult:
    """Return `result` in a closed room of this longest side, if any."""
    from tsfit.box.room import Room

    return result if room_m is None else dataclasses.replace(result, room=Room(room_m, result.enclosure.driver.air))


def write_box_files(
    plan: BoxPlan, result: BoxResult, *, save_box: Path | None, plot: Path | None, plot_step: Path | None, replace: bool
) -> None:
    """Write the box file and the figures that are asked for."""
    if save_box is not None:
        from tsfit.box.file import write_box

        write_box(save_box, plan, replace=replace)
    if plot is not None or plot_step is not None:
        from tsfit.plots.box import box_figure, step_figure
        from tsfit.plots.save import save_figure

        for path, draw in ((plot, box_figure), (plot_step, step_figure)):
            if path is not None:
                save_figure(path, draw(result), replace=replace)


def print_box(result: BoxResult) -> None:
    """Print design numbers, curves, maximum output and remarks."""
    from tsfit.box.frequencies import table_frequencies

    enclosure, design, room = result.enclosure, result.design, result.room
    name = enclosure.driver.name
    several = f"{enclosure.count} x " if enclosure.count > 1 else ""
    kind = {"passive": "passive-radiator box", "baffle": "infinite baffle", "bandpass": "band-pass box"}.get(
        enclosure.kind, f"{enclosure.kind} box"
    )
    say(f"{several}{name}")
    say(f"{kind}, {enclosure.voltage:.3g} V RMS, 1 m, half space, {_losses(result)}")
    print_table(("design", "value"), _design_rows(result))
    frequencies = table_frequencies(design["fc_hz"] or design["fb_hz"] or enclosure.driver.Fs)
    curves = result.at(frequencies)
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
    if room is not None:
        say(str(room))
    _print_maximum(result, frequencies)
    _print_bands(result)
    for remark in result.notes:
        say(f"Note: {remark.message}")


def _print_maximum(result: BoxResult, frequencies: tuple[float, ...]) -> None:
    most = result.maximum_at(frequencies)
    if most is None:
        hint("Maximum output: no rating is known; give --rated-power-w and --xmax-mm.")
        return
    rows = [
        [f"{frequency:g}", f"{level:.1f}", f"{volts:.3g}", str(limit)]
        for frequency, level, volts, limit in zip(frequencies, most.spl_db, most.voltage_v, most.limited_by, strict=True)
    ]
    print_table(("Hz", "most dB", "at V", "limited by"), rows)


def _print_bands(result: BoxResult) -> None:
    if result.bands is None:
        return
    names = {
        "fc_hz": ("fc", "Hz"),
        "qtc": ("Qtc", ""),
        "f3_hz": ("f3", "Hz"),
        "reference_db": ("mid-band level", "dB"),
        "excursion_max_mm": ("largest travel", "mm"),
    }
    rows = [
        [label, _written(result.design[name], unit), " … ".join(_written(bound, unit) for bound in bounds)]
        for name, (label, unit) in names.items()
        if (bounds := result.bands.design.get(name)) is not None
    ]
    print_table(("with the fit's uncertainty", "value", "95 % interval"), rows)


def _losses(result: BoxResult) -> str:
    found = [f"{name.removesuffix('_q').replace('_', ' ')} Q {q:g}" for name, q in result.losses.items() if q is not None]
    return ", ".join(found) or "no box losses"


def _design_rows(result: BoxResult) -> list[tuple[str, str]]:
    d = result.design
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
        ("upper f3", [("f3_upper_hz", "Hz")]),
        ("ripple", [("ripple_db", "dB")]),
        ("pass-band level" if result.enclosure.kind == "bandpass" else "mid-band level", [("reference_db", "dB")]),
        ("largest travel, at", [("excursion_max_mm", "mm"), ("excursion_max_hz", "Hz")]),
        ("largest above tuning, at", [("excursion_above_fb_mm", "mm"), ("excursion_above_fb_hz", "Hz")]),
        ("fastest port air, allowed", [("port_speed_max_m_s", "m/s"), ("port_speed_limit_m_s", "m/s")]),
        ("radiator's largest travel", [("radiator_excursion_max_mm", "mm")]),
    ]
    return [
        (label, ", ".join(_written(d[key], unit) for key, unit in parts))
        for label, parts in rows
        if any(d[key] is not None for key, _ in parts)
    ]


def _written(value: float | None, unit: str) -> str:
    """Three digits, or four where the first is a one, never an exponent; decibels to a tenth."""
    if value is None:
        return "-"
    exponent = math.floor(math.log10(max(abs(value), 1e-3)))
    decimals = 1 if unit == "dB" else max(0, 2 - exponent + (abs(value) < 2 * 10**exponent))
    return f"{value:.{decimals}f} {unit}".rstrip()
