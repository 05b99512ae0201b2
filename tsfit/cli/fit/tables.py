"""Tables of a fit."""

from collections.abc import Mapping

from tsfit.cli.printing import print_notes, print_table, say
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.units import display, rounded
from tsfit.fitting.budget import shares_of


def print_fit(result: FitResult, *, candidates: bool = False, budget: bool = False) -> None:
    """Print the parameters with their uncertainty, what the fit has to remark, and on request what else it knows."""
    rows = []
    for name, estimate in {**result.parameters, **result.conditions}.items():
        told = estimate.shown(name)
        traced = " *" if estimate.interval_from == "profile" else ""
        rows.append([name, told.value, told.spread, f"{told.low} … {told.high}{traced}", told.unit])
    print_table(["parameter", "value", "±1σ", "95 % interval", "unit"], rows, title=result.driver.name)
    if result.wirings:
        wired = [[wiring, *_cells(parameters)] for wiring, parameters in result.wirings.items()]
        print_table(["wiring", *next(iter(result.wirings.values()))], wired)
    _print_levels(result)
    _print_monte_carlo(result)
    print_notes(result.quality)
    if candidates:
        _print_candidates(result)
    if budget:
        _print_budget(result)


def _cells(parameters: Mapping[str, Estimate], *, spread: bool = False) -> list[str]:
    """Return each parameter in its unit, on request with its standard uncertainty."""
    shown = [estimate.shown(name) for name, estimate in parameters.items()]
    return [
        f"{told.value}{f' ± {told.spread}' if spread else ''} {'' if told.unit == '1' else told.unit}".strip()
        for told in shown
    ]


def _print_candidates(result: FitResult) -> None:
    """Print the choices of circuit models beside one another; Qts and Vas as each would have them."""

    def cell(value: float | None, form: str) -> str:
        return "" if value is None else format(value, form)

    rows = []
    for each in result.candidates:
        if each.fault is None:
            litres = "" if each.Vas is None else "{:.4g} {}".format(*display("Vas", each.Vas))
            row = [
                each.coil,
                each.suspension,
                cell(each.bic, "+.1f"),
                cell(each.aicc, "+.1f"),
                cell(each.weight or None, ".2f"),
            ]
            rows.append([*row, cell(each.misfit_percent, ".2f"), cell(each.Qts, ".4g"), litres])
    columns = ["coil", "suspension", "ΔBIC", "ΔAICc", "weight", "misfit %", "Qts", "Vas"]
    print_table(columns, rows, title="Choices of circuit models, best first", leading=2)
    for each in result.candidates:
        if each.fault is not None:
            say(f"out: coil {each.coil}, suspension {each.suspension}: {each.fault}.")


def _print_levels(result: FitResult) -> None:
    """Print the parameters against level, and their limit."""
    levels = result.levels
    if levels is None:
        return
    names = list(levels.limit)
    rows = [["limit", *_cells(levels.limit, spread=True)]]
    for each in levels.at:
        rows.append([f"{each.level:.3g}", *_cells({name: each.figures[name] for name in names}, spread=True)])
    columns = [f"level, {'V peak' if levels.unit == 'V' else 'dBFS'}", *names]
    print_table(columns, rows, title="Parameters against level")


def _print_budget(result: FitResult) -> None:
    """Print what contributes how much to Vas (or Qts), then the largest three sources of every parameter."""
    parameter = "Vas" if "Vas" in result.budget else "Qts"
    estimate = result.parameters[parameter]
    rows = []
    for source, share in shares_of(result.budget[parameter], least=1e-3, most=20).items():
        spread = result.budget[parameter][source]
        value, unit = display(parameter, spread, estimate.unit)
        relative = f"{100.0 * spread / abs(estimate.value):.2g}"
        rows.append([source, f"{rounded(value, value)} {unit}".rstrip(), relative, f"{100.0 * share:.1f}"])
    title = f"What makes the uncertainty of {parameter}"
    print_table(["source", "±1σ", f"% of {parameter}", "% of variance"], rows, title=title)
    largest = [
        [name, ", ".join(f"{source} {100.0 * share:.0f} %" for source, share in shares_of(sources).items())]
        for name, sources in result.budget.items()
    ]
    print_table(["parameter", "largest shares of its variance"], largest)


def _print_monte_carlo(result: FitResult) -> None:
    """Print what the trials say of every parameter, and whether the covariance says the same."""
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
    print_table(["parameter", "±1σ", "95 % interval", "shortest 95 %", "agrees"], rows, title=title)
