"""Tables of a fit."""

from collections.abc import Mapping

from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote, gathered
from tsfit.cli.printing import MOST_NOTES, is_full, is_quiet, print_notes, print_table, say
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.parameters import BASIC, PARAMETERS
from tsfit.driver.sizes import UNLIKE_ANY
from tsfit.driver.units import display, rounded
from tsfit.fitting.budget import shares_of

SHOWN = (*BASIC[:4], "Qts", "Vas", "Mms", "Cms", "Bl", "sensitivity_2V83", "Le_1kHz")
"""Parameters in the table where no more is asked for."""


def print_fit(result: FitResult, *, candidates: bool = False, budget: bool = False) -> None:
    """Print what the fit comes to, its parameters with their uncertainty, what it has to remark, and more on request."""
    for sentence in _answer(result):
        say(sentence)
    full = is_full()
    rows = []
    for name, estimate in {**result.parameters, **result.conditions}.items():
        if full or name in SHOWN:
            told = estimate.shown(name, full=full)
            traced = " *" if estimate.interval_from == "profile" else ""
            rows.append([_label(name), told.value, told.spread, f"{told.interval}{traced}", told.unit])
    print_table(["parameter", "value", "±1σ", "95 % interval", "unit"], rows)
    if result.wirings:
        wired = [[wiring, *_cells(parameters)] for wiring, parameters in result.wirings.items()]
        print_table(["wiring", *map(_label, next(iter(result.wirings.values())))], wired)
    _print_levels(result)
    _print_monte_carlo(result)
    print_notes(
        (note for note in result.quality if not _in_answer(note)),
        most=max(MOST_NOTES, _warnings(result)),
        sweeps=len(result.states),
    )
    if candidates:
        _print_candidates(result)
    if budget:
        _print_budget(result)


IN_THE_ANSWER = ("simulated", "free_air_only", "no_area", "model_floor", "budget", UNLIKE_ANY)
"""Notes that stand above the table."""


def _in_answer(note: QualityNote) -> bool:
    """Whether a note stands above the table; how closely the circuit follows does so only where that is not enough."""
    return note.code in IN_THE_ANSWER and (note.code, note.severity) != ("model_floor", "note")


def _warnings(result: FitResult) -> int:
    """How many warnings stand below the table, all of which are shown."""
    below = gathered(note for note in result.quality if not _in_answer(note))
    return sum(each.severity != "note" for each in below)


def _label(name: str) -> str:
    return PARAMETERS[name].called if name in PARAMETERS else name


def _answer(result: FitResult) -> list[str]:
    """Sentences that say what the driver is, how surely (one standard uncertainty), and what would make it surer."""
    warnings = _warnings(result)
    remarked = {
        note.code: f"{'' if note.severity == 'note' else 'warn: '}{note.message}"
        for note in result.quality
        if _in_answer(note)
    }
    return [
        *(remarked[code] for code in (UNLIKE_ANY,) if code in remarked),
        f"{result.driver.name}{result.simulated}: {result.in_short}.",
        *(remarked[code] for code in IN_THE_ANSWER if code in remarked and code not in ("simulated", UNLIKE_ANY)),
        *[f"{warnings} warning{'s'[: warnings > 1]} below: read first."][: bool(warnings) and not is_quiet()],
    ]


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
            vas, unit = display("Vas", each.Vas) if each.Vas is not None else (0.0, "")
            litres = f"{in_figures(vas)} {unit}" if unit else ""
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
        rows.append([in_figures(each.level, 3), *_cells({name: each.figures[name] for name in names}, spread=True)])
    columns = [f"level, {'V peak' if levels.unit == 'V' else 'dBFS'}", *map(_label, names)]
    print_table(columns, rows, title="Parameters against level")


def _print_budget(result: FitResult) -> None:
    """Print what contributes how much to Vas (or Qts), then the largest three sources of every parameter."""
    parameter = "Vas" if "Vas" in result.budget else "Qts"
    estimate = result.parameters[parameter]
    rows = []
    for source, share in shares_of(result.budget[parameter], least=1e-3, most=20).items():
        spread = result.budget[parameter][source]
        value, unit = display(parameter, spread, estimate.unit)
        relative = in_figures(100.0 * spread / abs(estimate.value), 2)
        rows.append([source, f"{rounded(value, value)} {unit}".rstrip(), relative, f"{100.0 * share:.1f}"])
    title = f"What makes the uncertainty of {parameter}"
    print_table(["source", "±1σ", f"% of {parameter}", "% of variance"], rows, title=title)
    largest = [
        [_label(name), ", ".join(f"{source} {100.0 * share:.0f} %" for source, share in shares_of(sources).items())]
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
        rows.append([_label(name), told.spread, f"{told.low} … {told.high}", f"{short.low} … {short.high}", agrees])
    title = f"{found.trials} Monte Carlo trials, units as above, one circuit; does its covariance agree?"
    print_table(["parameter", "±1σ", "95 % interval", "shortest 95 %", "agrees"], rows, title=title)
