"""``tsfit heat``: a run at power in, the coil's thermal network and the power that it stands out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.base.figures import in_figures
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, print_notes, print_table, progress, say

if TYPE_CHECKING:
    from tsfit.driver.heat_result import HeatResult

OPEN = "magnet_open"
"""Remark without which a missing table is not understood."""
SHOWN_C = (150.0, 200.0, 250.0)


@click.command()
@click.argument("bench", type=PATH)
@click.option(
    "--coil-c", type=click.FloatRange(100.0, 300.0), multiple=True, help="Coil temperature to tell the power for, °C."
)
@with_outputs()
def heat(bench: Path, coil_c: tuple[float, ...], outputs: Outputs) -> int:
    """Tell from a run at power what heat the coil stands.

    BENCH names one recording with state = "power run": a quiet signal for 20 s, the power for 20 minutes and more, then a
    quiet signal again while the coil cools; and small-signal sweeps of the driver, or its fit by "from" in [driver].

    Nothing is played here. Whoever makes such a recording: the coil burns skin and, driven on, itself and what lies near;
    no DC; ears covered; driver clamped; nothing that burns nearby; never leave it alone. See 'tsfit guide heat'.

    \b
    Example:
      tsfit heat power.toml -o heat.json --plot heat.png
      tsfit heat power.toml --coil-c 180
    """  # noqa: D301
    from tsfit.bench.heat import heat_bench

    outputs.refuse_existing()
    with progress(quiet=outputs.as_json) as step:
        result = heat_bench(bench, on_step=step)
    outputs.write_json(result)
    if outputs.plot is not None:
        from tsfit.plots.heat import heat_plot

        outputs.write_plot(heat_plot(result))
    outputs.show(result, lambda: _print(result, sorted({*SHOWN_C, *coil_c})))
    return 0


def _print(result: HeatResult, coils_c: list[float]) -> None:
    run = result.run
    say(
        f"{result.driver.name}: {in_figures(run.power_w, 3)} W, {in_figures(run.voltage_v, 3)} V RMS, for "
        f"{in_figures(run.seconds / 60.0, 3)} min took the "
        f"coil from {run.ambient_c:.0f} to {run.coil_c:.0f} °C."
    )
    powers = [power for coil in coils_c if (power := result.power_for(coil)) is not None]
    if powers:
        say(f"For ever it stands {', '.join(f'{one.value:.0f} W at {one.coil_c:.0f} °C' for one in powers)} of the coil.")
    for note in result.quality:
        if note.code == OPEN:
            say(note.message)
    rows = [[name, *one.cells] for name, one in result.shown().items()]
    print_table(["parameter", "value", "±1σ", "95 % interval", "unit"], rows)
    rows = []
    for power in powers:
        u2 = power.voltage.value**2
        told = [f"{power.value:.0f}", f"{power.interval95[0]:.0f} … {power.interval95[1]:.0f}"]
        rows.append([f"{power.coil_c:.0f}", *told, f"{power.voltage.value:.1f}", f"{u2 / run.cold_ohm:.0f}"])
    if rows:
        columns = ["coil, °C", "real W", "95 % interval", "V RMS", "u²/Re, W"]
        print_table(columns, rows, title="Continuous power that holds the coil at")
        hint(
            "Real power is the mean of u times i. Makers divide u² of their noise by a resistance instead: IEC 60268-5 by "
            "the rated one, AES2 by the least impedance. Of them V RMS tells."
        )
    rows = [[name, *one.shown(name).cells[:3]] for name, one in result.compression_db.items()]
    print_table(
        ["after", "dB lost", "±1σ", "95 % interval"], rows, title=f"Compression at {in_figures(run.voltage_v, 3)} V RMS"
    )
    if run.coil_c < coils_c[-1] and result.power_at:
        hint(f"The run ended at {run.coil_c:.0f} °C; what is hotter is carried on from there.")
    print_notes(note for note in result.quality if note.code != OPEN)
