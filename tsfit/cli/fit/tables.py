"""Tables about a fit that are printed on request."""

from __future__ import annotations

from collections.abc import Mapping

from tsfit.cli.output import print_table, say
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.units import display, rounded
from tsfit.fitting.budget import shares_of


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
    print_table(columns, rows, title="Choices of circuit models, best first", leading=2)
    for each in result.candidates:
        if each.fault is not None:
            say(f"out: coil {each.coil}, suspension {each.suspension}: {each.fault}.")


def print_levels(result: FitResult) -> None:
    """Print the figures against level, and their limit."""
    levels = result.levels
    if levels is None:
        return
    names = list(levels.limit)

    def row(place: str, figures: Mapping[str, Estimate]) -> list[str]:
        cells = [place]
        for name in names:
            told = figures[name].shown(name)
            cells.append(f"{told.value} ± {told.spread} {'' if told.unit == '1' else told.unit}".strip())
        return cells

    rows = [row(f"{each.level:.3g}", each.figures) for each in levels.at]
    columns = [f"level, {'V peak' if levels.unit == 'V' else 'dBFS'}", *names]
    print_table(columns, [row("limit", levels.limit), *rows], title="Figures against level")


def print_budget(result: FitResult) -> None:
    """Print what contributes how much to Vas (or Qts), then the largest three sources of every parameter."""
    figure = "Vas" if "Vas" in result.budget else "Qts"
    estimate = result.parameters[figure]
    rows = []
    for source, share in shares_of(result.budget[figure], least=1e-3, most=20).items():
        spread = result.budget[figure][source]
        value, unit = display(figure, spread, estimate.unit)
        relative = f"{100.0 * spread / abs(estimate.value):.2g}"
        rows.append([source, f"{rounded(value, value)} {unit}".rstrip(), relative, f"{100.0 * share:.1f}"])
    print_table(["source", "±1σ", f"% of {figure}", "% of variance"], rows, title=f"What makes the uncertainty of {figure}")
    largest = [
        [name, ", ".join(f"{source} {100.0 * share:.0f} %" for source, share in shares_of(sources).items())]
        for name, sources in result.budget.items()
    ]
    print_table(["figure", "largest shares of its variance"], largest)


def print_monte_carlo(result: FitResult) -> None:
    """Print what the trials say of every figure, and whether the covariance says the same."""
    found = result.monte_carlo
    if found is None:
        return
    rows = []
    for name, each in found.figures.items():
        told = Estimate(each.mean, each.stdev, each.interval95, each.unit).shown(name)
        short = Estimate(each.mean, each.stdev, each.shortest95, each.unit).shown(name)
        agrees = {True: "yes", False: "no", None: "open"}[each.agrees]
        rows.append([name, told.spread, f"{told.low} … {told.high}", f"{short.low} … {short.high}", agrees])
    title = f"{found.trials} Monte Carlo trials, units as above; does the covariance agree?"
    print_table(["figure", "±1σ", "95 % interval", "shortest 95 %", "agrees"], rows, title=title)
