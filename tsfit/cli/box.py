"""``tsfit box``: put a driver into an enclosure."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tsfit.cli import NamingGroup
from tsfit.cli.output import json_option, output_options, print_json, print_table, printable, refuse_outputs, save_json

if TYPE_CHECKING:
    from tsfit.box.result import BoxResult

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group(cls=NamingGroup)
def box() -> None:
    """Put a driver into a closed or vented box.

    DRIVER is a fit (JSON), a published sheet (TOML) or a driver file (TOML).

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707
      tsfit box vented sheet.toml --volume-l 60 --tuning-hz 31
    """  # noqa: D301


def _shared_options(command: Command) -> Command:
    """Add DRIVER and the options that every enclosure takes."""
    for option in (
        output_options,
        json_option,
        click.option(
            "--air-load",
            type=click.Choice(["free air", "baffle"]),
            default="free air",
            show_default=True,
            help="Air load of the cone: as measured in free air, or with what a baffle adds.",
        ),
        click.option(
            "--frequencies",
            type=click.Path(path_type=Path),
            metavar="FILE",
            help="Text of frequencies in Hz, one a line, for curves.  [default: 5 Hz to 2 kHz, 48 per octave]",
        ),
        click.option("--power-w", "power", type=float, help="Drive in W into Re instead of --drive-v."),
        click.option("--drive-v", "voltage", type=float, help="Drive in V RMS at the terminals.  [default: 2.83]"),
        click.option("--absorption-q", type=float, default=math.inf, help="Loss factor of absorption.  [default: no loss]"),
        click.option("--leak-q", type=float, default=math.inf, help="Loss factor of leaks.  [default: no loss]"),
        click.argument("driver", type=click.Path(path_type=Path)),
    ):
        command = option(command)
    return command


@box.command()
@click.option("--volume-l", type=float, help="Net volume in litres.")
@click.option("--qtc", type=float, help="Wanted total Q of the lossless box; sets the volume.")
@_shared_options
def closed(driver: Path, volume_l: float | None, qtc: float | None, **options: Any) -> None:
    """Closed box, by volume or by Qtc.

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707 --plot box.png
      tsfit box closed fit.json --volume-l 35 --power-w 50
    """  # noqa: D301
    from tsfit.box.enclosures import closed_box

    _run(driver, closed_box, {"volume": _si(volume_l, 1e-3), "qtc": qtc}, **options)


@box.command()
@click.option("--volume-l", type=float, required=True, help="Net volume in litres.")
@click.option("--tuning-hz", type=float, required=True, help="Resonance of port and box air.")
@click.option("--port-diameter-cm", type=float, help="Inner diameter of one round port; adds its length and air speed.")
@click.option("--port-q", type=float, default=math.inf, help="Loss factor of the port.  [default: no loss]")
@_shared_options
def vented(
    driver: Path, volume_l: float, tuning_hz: float, port_diameter_cm: float | None, port_q: float, **options: Any
) -> None:
    """Vented box, by volume and tuning.

    The port length is for a round tube with one end flush with a panel and the other free inside the box.

    \b
    Example:
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31 \\
          --port-diameter-cm 8 --leak-q 7 --power-w 50 --json
    """  # noqa: D301
    from tsfit.box.enclosures import vented_box

    design = {
        "volume": _si(volume_l, 1e-3),
        "tuning": tuning_hz,
        "port_diameter": _si(port_diameter_cm, 1e-2),
        "port_q": port_q,
    }
    _run(driver, vented_box, design, **options)


def _si(value: float | None, unit: float) -> float | None:
    return None if value is None else value * unit


def _run(
    driver: Path,
    build: Callable[..., BoxResult],
    design: dict[str, Any],
    *,
    frequencies: Path | None,
    as_json: bool,
    output: Path | None,
    plot: Path | None,
    replace: bool,
    **options: Any,
) -> None:
    from tsfit.box.frequencies import read_frequencies
    from tsfit.driver_file import read_driver

    refuse_outputs(output, plot, replace=replace)
    frequency_hz = None if frequencies is None else read_frequencies(frequencies)
    result = build(read_driver(driver), **design, **options, frequency_hz=frequency_hz)
    if output is not None:
        save_json(output, result.to_dict(), replace=replace)
    if plot is not None:
        from tsfit.figures.box import box_figure
        from tsfit.figures.save import save_figure

        save_figure(plot, box_figure(result), replace=replace)
    if as_json:
        print_json(result.to_dict())
    else:
        _print(result)


def _print(result: BoxResult) -> None:
    from tsfit.box.frequencies import table_frequencies

    enclosure = result.enclosure
    name = printable(enclosure.driver.name)
    click.echo(f"{name}\n{enclosure.kind} box, {enclosure.voltage:.3g} V RMS, 1 m, half space, {_losses(result)}")
    print_table(("design", "value"), _design_rows(result))
    frequencies = table_frequencies(result.design["fc_hz"] or result.design["fb_hz"] or enclosure.driver.Fs)
    curves = result.at(frequencies)
    columns = [
        ("Hz", curves.frequency_hz, "g"),
        ("level dB", curves.spl_db, ".1f"),
        ("travel mm", curves.excursion_mm, ".2f"),
        ("delay ms", curves.group_delay_ms, ".1f"),
        ("|Z| ohm", curves.impedance_ohm, ".1f"),
    ]
    if curves.port_speed_m_s is not None:
        columns.append(("port m/s", curves.port_speed_m_s, ".2f"))
    rows = [[format(values[row], style) for _, values, style in columns] for row in range(len(frequencies))]
    print_table([title for title, _, _ in columns], rows)
    click.echo("Travel and port speed are peak values.")
    for remark in result.notes:
        click.echo(f"Note: {printable(remark.message)}")


def _losses(result: BoxResult) -> str:
    found = [f"{name.removesuffix('_q')} Q {q:g}" for name, q in result.losses.items() if q is not None]
    return ", ".join(found) or "no box losses"


def _design_rows(result: BoxResult) -> list[tuple[str, str]]:
    d = result.design
    rows = [
        ("net volume", [("volume_l", "l")]),
        ("Vas / volume", [("alpha", "")]),
        ("fc, Qtc by the textbook", [("fc_hz", "Hz"), ("qtc", "")]),
        ("fc, Qtc of the circuit", [("fc_circuit_hz", "Hz"), ("qtc_circuit", "")]),
        ("tuning, re Fs", [("fb_hz", "Hz"), ("h", "")]),
        ("port diameter, length", [("port_diameter_cm", "cm"), ("port_length_cm", "cm")]),
        ("first resonance of the tube", [("port_resonance_hz", "Hz")]),
        ("f3", [("f3_hz", "Hz")]),
        ("ripple", [("ripple_db", "dB")]),
        ("mid-band level", [("reference_db", "dB")]),
        ("largest travel, at", [("excursion_max_mm", "mm"), ("excursion_max_hz", "Hz")]),
        ("largest above tuning, at", [("excursion_above_fb_mm", "mm"), ("excursion_above_fb_hz", "Hz")]),
        ("fastest port air", [("port_speed_max_m_s", "m/s")]),
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
