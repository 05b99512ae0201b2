"""``tsfit box equalise``: sections, what they cost, and what is left."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.figures import in_figures
from tsfit.cli.box.options import amplifier_options, driver_argument, limit_options, read_limited
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, is_full, print_table, say, say_warnings

if TYPE_CHECKING:
    from tsfit.box.equaliser.equalised import Equalised, LevelCost
    from tsfit.box.result import BoxResult


@click.command()
@driver_argument
@click.option("--box", "plan", type=PATH, required=True, metavar="BOX", help="A box file (TOML).")
@click.option("--section", "texts", multiple=True, metavar="TEXT", help="A section in words; may be repeated.")
@click.option("--sections", type=PATH, metavar="FILE", help="A TOML file of sections.")
@click.option("--flat-to-hz", type=float, help="Find sections that make the box flat down to here, beside your own.")
@click.option(
    "--high-pass", type=click.Choice(["2", "4", "auto"]), help="With --flat-to-hz: find a high-pass of this order, too."
)
@click.option("--like", type=PATH, metavar="OTHER", help="Find sections that give it OTHER's response.")
@click.option("--from-hz", type=float, help="Lowest frequency that is played, or matched.")
@click.option("--to-hz", type=float, help="Highest frequency that is played.")
@click.option("--level-db", type=float, help="Mid-band level that costs are told for.  [default: that of the box's drive]")
@limit_options
@amplifier_options
@with_outputs()
def equalise(driver: Path, plan: Path, level_db: float | None, outputs: Outputs, **options: Any) -> None:
    """Equalise DRIVER in a box: by sections of your own, or to a target.

    BOX is a box file, as `tsfit box show` takes it. A section is written as
    "peaking 40 Hz, Q 1.2, +3 dB", "low shelf 60 Hz, Q 0.7, -4 dB", "high shelf …", "high-pass 25 Hz, Q 0.7", "low-pass …"
    or "pole shift to 25 Hz, Q 0.7", which starts at the poles of the closed box unless it says "from 55 Hz, Q 0.9 to …". A
    file has [[section]] tables with kind, frequency_hz, q, gain_db, from_hz and from_q.

    --high-pass auto takes the gentlest high-pass with which nothing below --flat-to-hz stops the box sooner than what is
    wanted of it: none, or one of order 2 or 4. The box with it is then flat down to there.

    Printed are the sections, their digital coefficients, the cost in power and travel, and how many dB of boost the first
    limit leaves at each frequency; of a fit also how sure that is. An amplifier given here replaces that of the box file.

    \b
    Example:
      tsfit box equalise fit.json --box box.toml \\
          --flat-to-hz 25 --high-pass auto --level-db 100
      tsfit box equalise new.json --box box.toml \\
          --like old.json
      tsfit box equalise fit.json --box box.toml \\
          --section "peaking 40 Hz, Q 1.2, +3 dB" \\
          --plot equalised.png
    """  # noqa: D301
    from tsfit.box.equaliser import equalised as run
    from tsfit.box.equaliser.equalised import equalised_bands
    from tsfit.box.file import read_box
    from tsfit.box.limits import Ratings
    from tsfit.box.told import made
    from tsfit.formats.driver import read_driver

    outputs.refuse_existing()
    like = _checked(options)["like"]
    box = read_box(plan).with_ratings(made(Ratings, options))
    one, fit = read_limited(driver, options)
    other = None if like is None else box.build(read_driver(like))
    found = _found(box.build(one), other, options)
    taken = run.at_level(found, found.reference_db if level_db is None else level_db)
    bands = None if fit is None else equalised_bands(found, taken, fit)
    from tsfit.box.equaliser.form import equaliser_form

    data = equaliser_form(found, taken, bands)
    outputs.write_json(data)
    if outputs.plot is not None:
        from tsfit.plots.equalised import equalised_plot

        outputs.write_plot(equalised_plot(data))
    outputs.show(data, lambda: _print(found, taken, other, list(data.words)))


def _checked(options: dict[str, Any]) -> dict[str, Any]:
    """Return the options once they ask for one thing."""
    own = bool(options["texts"]) or options["sections"] is not None
    flat, like = options["flat_to_hz"] is not None, options["like"] is not None
    if flat + like > 1 or own + flat + like == 0 or (own and like):
        raise click.UsageError("give sections (--section, --sections), with or without --flat-to-hz, or else --like.")
    if options["to_hz"] is not None and (flat or like):
        raise click.UsageError("--to-hz goes with sections of your own alone; leave it out.")
    if options["from_hz"] is not None and flat:
        raise click.UsageError("--flat-to-hz says from where on already; leave --from-hz out.")
    if options["high_pass"] is not None and not flat:
        raise click.UsageError("--high-pass goes with --flat-to-hz; alone, write it as a section.")
    return options


def _found(result: BoxResult, other: BoxResult | None, options: dict[str, Any]) -> Equalised:
    """Equalise `result` by the sections of the options, to be flat, or like the `other` box."""
    from tsfit.box.equaliser import equalised as run
    from tsfit.box.equaliser.sections import parse_section, read_sections

    if other is not None:
        return run.like(result, other, options["from_hz"])
    given = [parse_section(text, result.poles) for text in options["texts"]]
    given += [] if options["sections"] is None else read_sections(options["sections"], result.poles)
    if options["flat_to_hz"] is not None:
        order = None if options["high_pass"] == "auto" else int(options["high_pass"] or 0)
        return run.flat(result, options["flat_to_hz"], given, high_pass=order)
    return run.equalise(result, given, from_hz=options["from_hz"], to_hz=options["to_hz"])


def _print(found: Equalised, taken: LevelCost, other: BoxResult | None, words: list[str]) -> None:
    from tsfit.box.enclosure import KIND_NAMES
    from tsfit.box.frequencies import table_frequencies
    from tsfit.box.limits import unrated
    from tsfit.driver.units import with_decimals

    say_warnings(found.box.notes)
    cost, *rest = words
    say(f"{found.box.enclosure.driver.name}, {KIND_NAMES[found.box.enclosure.kind]}, equalised. {cost}")
    if other is not None:
        louder = other.enclosure.reference_db - found.reference_db
        # A box planned by Qtc has another volume around the other driver.
        litres = "" if other.chamber.volume is None else f" in {in_figures(1e3 * other.chamber.volume, 3)} l"
        name = f"{other.enclosure.driver.name}{litres}"
        say(f"to the shape of {name}, whose mid-band is {louder:+.1f} dB at the same volts")
    for number, section in enumerate(found.sections, start=1):
        say(f"  {number}  {section}")
    if not found.sections:
        say("  no section: the box is as near to it as sections would bring it")
    for sentence in (*rest, *unrated(found.box.ratings), *found.box.measured):
        say(sentence)
    if any(section.kind == "pole shift" for section in found.sections):
        hint("A pole shift takes away the resonance and Q of the box itself and puts others in their place.")
    columns = ["Hz", "alone dB", "gain dB", "then dB", "W into Re", "travel mm"]
    if taken.headroom_after_db is not None:
        columns += ["headroom dB", "first limit"]
    rows = []
    for frequency in table_frequencies(found.box.usual_hz):
        k = int(found.frequency_hz.searchsorted(frequency))
        row = [
            f"{frequency:g}",
            f"{taken.before_db[k]:.1f}",
            with_decimals(float(taken.gain_db[k]), 1, "+"),
            f"{taken.after_db[k]:.1f}",
            in_figures(taken.power_after_w[k], 3, zeros=True),
            f"{taken.excursion_after_mm[k]:.2f}",
        ]
        if taken.headroom_after_db is not None and taken.headroom_limited_by is not None:
            row += [with_decimals(float(taken.headroom_after_db[k]), 1, "+"), taken.headroom_limited_by[k]]
        rows.append(row)
    print_table(columns, rows, title=f"at {taken.level_db:.1f} dB in the mid-band, 1 m, half space")
    if is_full():
        _print_coefficients(found)
    else:
        hint("--full adds the digital coefficients at 44.1, 48 and 96 kHz.")


def _print_coefficients(found: Equalised) -> None:
    from tsfit.box.equaliser.sections import SAMPLE_RATES_HZ

    say("Coefficients: y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]")
    for rate in SAMPLE_RATES_HZ:
        say(f"  at {rate:g} Hz")
        for number, section in enumerate(found.sections, start=1):
            if section.frequency_hz >= 0.5 * rate:
                say(f"    {number}  not below half of this rate")
                continue
            b, a = section.biquad(rate)
            say(f"    {number}  b {b[0]:.12f} {b[1]:.12f} {b[2]:.12f}")
            say(f"       a {a[1]:.12f} {a[2]:.12f}")
