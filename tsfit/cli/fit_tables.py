"""Tables about a fit that are printed on request."""

from __future__ import annotations

import click

from tsfit.cli.output import print_table
from tsfit.quantities import display
from tsfit.records import FitResult


def print_candidates(result: FitResult) -> None:
    """Print the choices of circuit models beside one another; Qts and Vas as each would have them."""

    def cell(value: float | None, form: str) -> str:
        return "" if value is None else format(value, form)

    def volume(value: float | None) -> str:
        return "" if value is None else f"{display('Vas', value, 'm³')[0]:.4g} {display('Vas', value, 'm³')[1]}"

    rows = [
        [
            each.coil,
            each.suspension,
            cell(each.bic, "+.1f"),
            cell(each.aicc, "+.1f"),
            f"{each.weight:.2f}" if each.weight else "",
            cell(each.misfit_percent, ".2f"),
            cell(each.Qts, ".4g"),
            volume(each.Vas),
        ]
        for each in result.candidates
        if each.fault is None
    ]
    columns = ["coil", "suspension", "ΔBIC", "ΔAICc", "weight", "misfit %", "Qts", "Vas"]
    print_table(columns, rows, title="Choices of circuit models, best first")
    for each in result.candidates:
        if each.fault is not None:
            click.echo(f"out: coil {each.coil}, suspension {each.suspension}: {each.fault}.")
